"""The chain's tests, and what they share: blocks as a house file would write them, and real audio or a skip."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import scipy.signal as ss
import soundfile
from pydantic import TypeAdapter

from deskhand.house import ChainBlock

from ..real import material

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_ADAPTER: Final[TypeAdapter[Any]] = TypeAdapter(ChainBlock)


def made(kind: str, **keys: Any) -> Any:
    """A block with the keys and values of a house file."""
    return _ADAPTER.validate_python({"block": kind, **keys})


def had(make: Callable[[], Path]) -> Path:
    """A folder of real audio, or a skip (see tests/real/conftest.py)."""
    try:
        return make()
    except material.MaterialMissing as error:
        if os.environ.get("DESKHAND_REAL") == "required":
            raise
        pytest.skip(str(error))


def tool(*command: str | Path) -> None:
    """Run sox or ffmpeg, or skip where they are missing."""
    try:
        material.run_tool(*command)
    except material.MaterialMissing as error:
        if os.environ.get("DESKHAND_REAL") == "required":
            raise
        pytest.skip(str(error))


def read(path: Path, *, from_s: float = 0.0, length_s: float | None = None) -> tuple[np.ndarray, int]:
    """(channels, frames) of a file, full scale 1.0, and its rate in Hz."""
    with soundfile.SoundFile(path) as file:
        file.seek(round(from_s * file.samplerate))
        frames = -1 if length_s is None else round(length_s * file.samplerate)
        return np.ascontiguousarray(file.read(frames, always_2d=True).T), file.samplerate


def true_peak_db(signal: np.ndarray, *, edge: int = 64) -> float:
    """Of (channels, frames), by scipy's resampler at eight times the rate; -inf for silence.

    The first and last `edge` samples are left out: a cut there overshoots between the last sample and the silence after it.
    """
    fine = ss.resample_poly(signal, 8, 1, axis=1, window=("kaiser", 10.0))[:, 8 * edge : -8 * edge]
    with np.errstate(divide="ignore"):
        return float(20.0 * np.log10(np.abs(fine).max()))
