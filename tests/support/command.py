"""The command, run in this process, on a small show."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from click.testing import CliRunner, Result

from deskhand.cli import main
from tests.support.writers import noise, write_wave

if TYPE_CHECKING:
    pass

HOUSE: Final = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno l", "pno r"]
channel = "9/10"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


def make_show(folder: Path, rng: np.random.Generator, *, gain: float = 1.0, seconds: float = 3.0) -> Path:
    """A show whose sources sit near nominal: noise at -17 dBFS, one dB above; `gain` is of the voice."""
    folder.mkdir(parents=True, exist_ok=True)
    samples = noise(rng, seconds=seconds, channels=3)
    samples[2] *= gain
    for name, one in zip(("01 Pno L", "02 Pno R", "03 Vox"), samples, strict=True):
        write_wave(folder / f"{name}.wav", one)
    (folder / "house.toml").write_text(HOUSE)
    return folder


def refuse(constant: str) -> None:
    """NaN and Infinity are no JSON (RFC 8259, 6)."""
    raise AssertionError(f"{constant} in the JSON")


def data_of(text: str) -> dict[str, Any]:
    return dict(json.loads(text, parse_constant=refuse))
