"""Mains hum: lines at the mains frequency and its multiples that never go away."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import db_from_power, dbfs_from_mean_square, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.figures import AnalysisGrid, TrackFigures

_MULTIPLES: Final = 14
_OFF_HZ: Final = 0.5
"""How far the mains may be from its nominal frequency."""
_STANDS_OUT_DB: Final = 12.0
_STEADY_DB: Final = 2.5
_TRANSFORM: Final = 8192
_LEAST_WINDOWS: Final = 20
_LEAST_LINES: Final = 3
_BESIDE_BINS: Final = 18
_BESIDE_DB: Final = 6.0
"""A line stands this far above every other within 6 Hz: the sidebands of exact repetition do not."""
_AGREE_HZ: Final = 0.03
_SHARP_HZ: Final = 0.1
"""How far the mains may be from where a line says it is: the second over the line's multiple."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """What was found of the mains."""

    level_dbfs: float
    """All lines together (AES17)."""
    frequency_hz: float
    """Of the mains, as found."""
    lines_hz: tuple[float, ...]
    """The multiples that stand out."""


class _Lines:
    """Looks at one bin after another of some power spectra, each once."""

    def __init__(self, spectra: NDArray[np.float64]) -> None:
        self._spectra = spectra
        self._seen: dict[int, tuple[float, float] | None] = {}

    def line(self, at: int) -> tuple[float, float] | None:
        """Power and place, in bins, of a steady line that stands out at a bin; None when there is none."""
        if at not in self._seen:
            self._seen[at] = self._looked_at(at)
        return self._seen[at]

    def _looked_at(self, at: int) -> tuple[float, float] | None:
        if at + _BESIDE_BINS >= self._spectra.shape[1]:
            return None
        near = self._spectra[:, at - 3 : at + 4]
        top = near.argmax(axis=1)
        if (np.abs(top - 3) > 1).any():
            return None
        beside = np.concatenate(
            [
                self._spectra[:, max(1, at - _BESIDE_BINS + 1) : at - 3],
                self._spectra[:, at + 4 : at + _BESIDE_BINS],
            ],
            axis=1,
        )
        if (near.max(axis=1) < power_from_db(_BESIDE_DB) * beside.max(axis=1)).any():
            return None
        line = near[:, 1:6].sum(axis=1)
        around = np.concatenate(
            [self._spectra[:, max(1, at - 12) : at - 3], self._spectra[:, at + 4 : at + 13]], axis=1
        )
        background = np.median(around, axis=1)
        if db_from_power(float(np.min(line / np.maximum(5 * background, 1e-30)))) <= _STANDS_OUT_DB:
            return None
        if db_from_power(line).std() > _STEADY_DB:
            return None
        # a parabola through the logarithms of the three highest bins
        logs = np.log(np.maximum(near, 1e-30))
        low, middle, high = (logs[np.arange(len(top)), top + side] for side in (-1, 0, 1))
        place = at - 3 + top + 0.5 * (low - high) / (low - 2.0 * middle + high)
        return float(np.mean(line - 5 * background)), float(np.median(place))

    def of(self, mains_hz: float, bin_hz: float) -> tuple[list[int], float, float]:
        """Multiples of the mains that stand out steadily, their power together, and the mains as they say it."""
        found: list[int] = []
        said: list[float] = []
        total = 0.0
        for multiple in range(1, _MULTIPLES + 1):
            line = self.line(round(multiple * mains_hz / bin_hz))
            if line is None:
                continue
            hz = line[1] * bin_hz / multiple
            if abs(hz - mains_hz) <= _AGREE_HZ + _SHARP_HZ / multiple:
                found.append(multiple)
                said.append(hz)
                total += line[0]
        # the higher the multiple, the finer it tells
        return found, total, float(np.average(said, weights=np.square(found))) if found else mains_hz


def find_hum(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    """Hum in the quietest moments of a track, or else under its playing; None when no lines of the mains stand out.

    Parameters
    ----------
    track : TrackFigures
        Its `quiet` windows (2.7 s each) are looked at.
    grid : AnalysisGrid
        Of the measurement.
    mains_hz : float
        50 or 60.

    Returns
    -------
    Hum or None
        A line counts when it stands 12 dB above its surroundings in every quiet window and keeps its level within 2.5 dB:
        a note does neither. One line alone must be the mains itself or twice it, and stand 25 dB out.
        Under playing, the mean over all windows of power^-1/2 is looked at, in which moments that spare a frequency count
        most: three lines at least must stand out there, the mains or twice it among them.
    """
    quiet, playing = (look(track, grid, mains_hz=mains_hz) for look in (_in_pauses, _under_playing))
    # a soft moment that is no pause shows a line or two of many
    return playing if playing and (quiet is None or len(playing.lines_hz) > len(quiet.lines_hz)) else quiet


def _under_playing(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    if track.soft is None or track.windows < _LEAST_WINDOWS:
        return None
    spectra = (track.windows / track.soft[None, :]) ** 2
    found = _best(spectra, grid.low_rate_hz / _TRANSFORM, mains_hz)
    if found is None or len(found.lines_hz) < _LEAST_LINES or found.lines_hz[0] > 2.5 * mains_hz:
        return None
    return found


def _best(spectra: NDArray[np.float64], bin_hz: float, mains_hz: float) -> Hum | None:
    """The mains frequency within half a hertz on whose multiples most lines lie; None when there are none."""
    best: tuple[int, float, float, list[int]] = (0, 0.0, 0.0, [])
    seen = _Lines(spectra)
    for offset in np.arange(-_OFF_HZ, _OFF_HZ + 0.01, 0.05):
        lines, power, hz = seen.of(mains_hz + offset, bin_hz)
        if (len(lines), power) > best[:2]:
            best = (len(lines), power, hz, lines)
    count, power, frequency_hz, lines = best
    if not count:
        return None
    return Hum(
        level_dbfs=float(dbfs_from_mean_square(np.array(power))),
        frequency_hz=float(frequency_hz),
        lines_hz=tuple(float(frequency_hz * line) for line in lines),
    )


def _in_pauses(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    # windows that overlap by two thirds say the same thing: at least two must lie apart
    if len(track.quiet) < 2 or np.ptp([moment for _, moment, _ in track.quiet]) < 3.0:
        return None
    spectra = np.array([spectrum for _, _, spectrum in track.quiet], dtype=np.float64)
    bin_hz = grid.low_rate_hz / _TRANSFORM
    found = _best(spectra, bin_hz, mains_hz)
    if found is None:
        return None
    lowest = round(found.lines_hz[0] / found.frequency_hz)
    # held notes have harmonics too, but not on the lowest multiples of the mains
    if lowest > 4 or (len(found.lines_hz) == 1 and not _one_line_is_enough(spectra, bin_hz, found.lines_hz[0], lowest)):
        return None
    return found


def _one_line_is_enough(spectra: NDArray[np.float64], bin_hz: float, frequency_hz: float, multiple: int) -> bool:
    at = round(frequency_hz / bin_hz)
    around = np.concatenate([spectra[:, max(1, at - 12) : at - 3], spectra[:, at + 4 : at + 13]], axis=1)
    stands_out = np.min(spectra[:, at - 2 : at + 3].sum(axis=1) / np.maximum(5 * np.median(around, axis=1), 1e-30))
    # a note beside the mains peaks beside it
    in_place = bool(np.all(spectra[:, at - 2 : at + 3].argmax(axis=1) == 2))
    return multiple <= 2 and in_place and db_from_power(float(stands_out)) > 25.0
