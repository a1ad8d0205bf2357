"""Filters of a chain: passes, shelves and bells, and a measured response from a file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks.processor import LaneBlock, RowsProcessor
from deskhand.dsp import chain_lanes, filters, fir
from deskhand.errors import HouseError
from deskhand.house import BellBlock, HighPassBlock, HighShelfBlock, LowPassBlock, LowShelfBlock

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import CurveBlock, On

    Array = NDArray[np.float64]

HIGHEST_CORNER: Final = 0.45
"""Share of the sample rate above which no corner is put: 19.8 kHz at 44.1 kHz. Common practice, no source."""
_CURVE_TAPS: Final = 4096
"""Taps of a measured response at 48 kHz: lines 12 Hz apart (48000 / 4096). Common practice, no source."""
_CURVE_RATE_HZ: Final = 48000
"""Sample rate that `_CURVE_TAPS` is for; multiples of it take as many times more taps."""


class FilterProcessor(RowsProcessor):
    """A cascade of second-order sections."""

    def __init__(self, sos: Array, on: On, channels: int) -> None:
        super().__init__(on, channels)
        self.sos = sos
        self.state = np.zeros((self.acting, sos.shape[0], 2))

    def as_lane_block(self) -> LaneBlock:
        """Block as a lane runs it."""
        return LaneBlock(kind=chain_lanes.FILTER, sections=self.sos, settings=np.zeros((chain_lanes.SETTINGS, 1)))

    def act(self, signal: Array) -> Array:
        """(acting, frames) filtered in place."""
        filters.cascade(signal, self.sos, self.state)
        return signal


class CurveProcessor(RowsProcessor):
    """A measured response, by convolution."""

    def __init__(self, taps: Array, latency: int, on: On, channels: int) -> None:
        super().__init__(on, channels)
        self.latency = latency
        self._convolve = fir.Convolver(taps, self.acting)

    def act(self, signal: Array) -> Array:
        """(acting, frames) convolved."""
        return self._convolve(signal)


def filter_sos(
    block: HighPassBlock | LowPassBlock | BellBlock | LowShelfBlock | HighShelfBlock, sample_rate_hz: int
) -> Array:
    """(sections, 6) of a filter block; a corner above 0.45 of the rate is put there."""
    hz = min(block.frequency_hz, HIGHEST_CORNER * sample_rate_hz)
    rate = float(sample_rate_hz)
    match block:
        case HighPassBlock():
            return filters.high_pass(hz, block.slope_db_per_octave, rate, block.shape)
        case LowPassBlock():
            return filters.low_pass(hz, block.slope_db_per_octave, rate, block.shape)
        case BellBlock():
            return filters.bell(hz, block.gain_db, block.q, rate)
        case LowShelfBlock():
            return filters.low_shelf(hz, block.gain_db, block.q, rate)
        case HighShelfBlock():
            return filters.high_shelf(hz, block.gain_db, block.q, rate)


def curve_points(path: Path, *, what: str = "curve") -> Array:
    """(points, 2) frequencies in Hz and levels in dB of a file with a measured curve.

    Parameters
    ----------
    path : Path
        Lines of frequency in Hz, a comma, and dB; # begins a comment.
    what : str
        Name of the curve in messages.

    Raises
    ------
    HouseError
        A file that cannot be read, or that holds no curve.
    """
    import csv

    fix = "write lines of frequency in Hz, a comma, and magnitude in dB"
    points = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for line, row in enumerate(csv.reader(file), 1):
                if not row or row[0].lstrip().startswith("#"):
                    continue
                try:
                    points.append((float(row[0]), float(row[1])))
                except (ValueError, IndexError):
                    if points:
                        raise HouseError(
                            f"{path}, line {line}", f'"{",".join(row)}" is no point of a {what}', fix
                        ) from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise HouseError(
            str(path), f"the {what} cannot be read ({getattr(error, 'strerror', None) or error})", fix
        ) from None
    known = np.array(points)
    if len(points) < 2 or not np.isfinite(known).all() or (known[:, 0] <= 0).any() or (np.diff(known[:, 0]) <= 0).any():
        raise HouseError(str(path), f"a {what} needs two points or more, frequencies rising from above 0", fix)
    return known


def curve_taps(block: CurveBlock, sample_rate_hz: int, folder: Path | None) -> tuple[Array, int]:
    """(taps,) of a curve file's filter, and its latency in samples.

    Parameters
    ----------
    block : CurveBlock
        Names a file with lines of frequency in Hz and magnitude in dB; # begins a comment.
    sample_rate_hz : int
    folder : Path or None
        Folder of the house file.

    Raises
    ------
    HouseError
        A file that cannot be read, or that holds no curve.
    """
    from pathlib import Path

    known = curve_points((folder or Path()) / block.file)
    count = _CURVE_TAPS * max(1, round(sample_rate_hz / _CURVE_RATE_HZ))
    linear = block.phase == "linear"
    taps = fir.curve(known[:, 0], known[:, 1], sample_rate_hz=sample_rate_hz, minimum_phase=not linear, taps=count)
    return taps, count // 2 if linear else 0
