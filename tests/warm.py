"""Compiles the measuring kernels once, before several test processes would each do it for themselves.

python -m tests.warm
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile

from deskhand.dsp import kernels_are_compiled
from deskhand.tasks.check import check

HOUSE = """
[house]
name = "Tern Street Hall"
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
fader = "0 dB"
chain = [
  { block = "high-pass", frequency = "80 Hz" },
  { block = "gate", threshold = "-60 dBFS" },
  { block = "compressor", threshold = "-30 dBFS" },
  { block = "dynamic-bell", frequency = "3 kHz", threshold = "-40 dBFS", gain = "-3 dB" },
  { block = "limiter" },
]
[[source]]
name = "keys"
role = "keys"
tracks = ["keys l", "keys r"]
fader = "-6 dB"
chain = [{ block = "bell", frequency = "1 kHz", gain = "-3 dB" }, { block = "compressor", threshold = "-30 dBFS" }]
"""


def main() -> None:
    """Check a few seconds of noise."""
    if kernels_are_compiled():
        return
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "house.toml").write_text(HOUSE, "utf-8")
        (folder / "show").mkdir()
        for name in ("vox", "keys l", "keys r"):
            soundfile.write(folder / "show" / f"{name}.wav", 0.1 * rng.standard_normal(12 * 48000), 48000, "PCM_24")
        check(folder / "show")


if __name__ == "__main__":
    main()
