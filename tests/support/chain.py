"""The chain's tests, and what they share: blocks as a house file would write them, and reading audio."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.signal as ss
import soundfile
from pydantic import TypeAdapter

from deskhand.house import ChainBlock

if TYPE_CHECKING:
    from pathlib import Path

_ADAPTER: Final[TypeAdapter[Any]] = TypeAdapter(ChainBlock)


def made(kind: str, **keys: Any) -> Any:
    """A block with the keys and values of a house file."""
    return _ADAPTER.validate_python({"block": kind, **keys})


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
