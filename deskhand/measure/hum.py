"""Mains hum: lines at the mains frequency and its multiples that never go away."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.grid import LOW_TRANSFORM
from deskhand.measure.steady_lines import steady_lines
from deskhand.units import db_from_power, dbfs_from_mean_square, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.figures import AnalysisGrid, TrackFigures

# The limits below are common practice, no source: set by tests on held notes and on real recordings.
_MULTIPLES: Final = 14  # multiples looked for: up to 700 Hz at 50 Hz (no source)
_OFF_HZ: Final = 0.5  # the mains may be this far from its nominal frequency (no source)
_STANDS_OUT_DB: Final = 12.0  # a line stands this far out of its surroundings (no source)
_STEADY_DB: Final = 2.5  # standard deviation over the windows within which a line is steady (no source)
_LEAST_WINDOWS: Final = 20  # windows, one a second, from which hum is read under playing (no source)
_LEAST_LINES: Final = 3  # lines that must stand out under playing: a held note has one on the mains (no source)
_BESIDE_BINS: Final = 18  # bins on either side, 6 Hz, in which nothing else may come near a line (no source)
_BESIDE_DB: Final = 6.0
"""A line stands this far above every other within 6 Hz: the sidebands of exact repetition do not. Common practice, no source."""
_AGREE_HZ: Final = 0.03
"""Distance of the mains from the frequency a line gives: this, and `_SHARP_HZ` over the line's multiple. No source."""
_SHARP_HZ: Final = 0.1
"""Error of a line's own frequency, about a quarter of a bin; divided by its multiple it is that of the mains. No source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum: its level, frequency and lines."""

    level_dbfs: float
    """Level of all lines together (AES17)."""
    frequency_hz: float
    """Frequency of the mains, as its lines give it."""
    lines_hz: tuple[float, ...]
    """Frequencies of the multiples that stand out."""


class _LineFinder:
    """Finder of steady lines in some power spectra, which looks at each bin once."""

    def __init__(self, spectra: NDArray[np.float64]) -> None:
        self._spectra = spectra
        self._seen: dict[int, tuple[float, float] | None] = {}

    def line(self, line_bin: int) -> tuple[float, float] | None:
        """Power and place, in bins, of a steady line that stands out at a bin; None when there is none."""
        if line_bin not in self._seen:
            self._seen[line_bin] = self._read(line_bin)
        return self._seen[line_bin]

    def _read(self, line_bin: int) -> tuple[float, float] | None:
        """Power and place, in bins, of a steady line that stands out at a bin; None when there is none."""
        if line_bin + _BESIDE_BINS >= self._spectra.shape[1]:
            return None
        neighbourhood = self._spectra[:, line_bin - 3 : line_bin + 4]
        # most bins fall at the first window
        if abs(int(neighbourhood[0].argmax()) - 3) > 1:
            return None
        top = neighbourhood.argmax(axis=1)
        if (np.abs(top - 3) > 1).any():
            return None
        beside = np.concatenate(
            [
                self._spectra[:, max(1, line_bin - _BESIDE_BINS + 1) : line_bin - 3],
                self._spectra[:, line_bin + 4 : line_bin + _BESIDE_BINS],
            ],
            axis=1,
        )
        if (neighbourhood.max(axis=1) < power_from_db(_BESIDE_DB) * beside.max(axis=1)).any():
            return None
        line = neighbourhood[:, 1:6].sum(axis=1)
        around = np.concatenate(
            [self._spectra[:, max(1, line_bin - 12) : line_bin - 3], self._spectra[:, line_bin + 4 : line_bin + 13]],
            axis=1,
        )
        background = np.median(around, axis=1)
        if db_from_power(float(np.min(line / np.maximum(5 * background, 1e-30)))) <= _STANDS_OUT_DB:
            return None
        if db_from_power(line).std() > _STEADY_DB:
            return None
        # a parabola through the logarithms of the three highest bins
        logs = np.log(np.maximum(neighbourhood, 1e-30))
        low, middle, high = (logs[np.arange(len(top)), top + side] for side in (-1, 0, 1))
        line_place = line_bin - 3 + top + 0.5 * (low - high) / (low - 2.0 * middle + high)
        return float(np.mean(line - 5 * background)), float(np.median(line_place))

    def on_multiples(self, mains_hz: float, bin_hz: float) -> tuple[list[int], float, float]:
        """Multiples of the mains that stand out steadily, their power together, and the mains as they give it."""
        multiples: list[int] = []
        frequencies_hz: list[float] = []
        total = 0.0
        for multiple in range(1, _MULTIPLES + 1):
            line = self.line(round(multiple * mains_hz / bin_hz))
            if line is None:
                continue
            hz = line[1] * bin_hz / multiple
            if abs(hz - mains_hz) <= _AGREE_HZ + _SHARP_HZ / multiple:
                multiples.append(multiple)
                frequencies_hz.append(hz)
                total += line[0]
        # the higher the multiple, the finer it tells
        return (
            multiples,
            total,
            float(np.average(frequencies_hz, weights=np.square(multiples))) if multiples else mains_hz,
        )


def find_hum(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    """Hum in the quietest moments of a track, or else under its playing; None when no lines of the mains stand out.

    Parameters
    ----------
    track : TrackFigures
        Figures of the track, whose `quiet` windows (2.7 s each) are looked at.
    grid : AnalysisGrid
        Grid of the measurement.
    mains_hz : float
        50 or 60.

    Returns
    -------
    Hum or None
        A line counts when it stands 12 dB above its surroundings in every quiet window and keeps its level within 2.5 dB:
        a note does neither. One line alone must be the mains itself or twice it, and stand 25 dB out.
        Under playing, the mean over all windows of power^-1/2 is looked at, in which moments that spare a frequency count
        most: three lines at least must stand out there, the mains or twice it among them. Beside it, lines are looked for
        that keep their phase for 15 s, which no player does: two at least, the mains or twice it among them.
    """
    looks = (look(track, grid, mains_hz=mains_hz) for look in (_in_pauses, _under_playing, _staying))
    # a soft moment that is no pause shows a line or two of many; of those with as many lines the first
    return max((hum for hum in looks if hum is not None), key=lambda hum: len(hum.lines_hz), default=None)


def find_hum_of_either_mains(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    """Hum at the house's mains, or at the other frequency when more of its lines are there; parameters as for `find_hum`."""
    house_hum = find_hum(track, grid, mains_hz=mains_hz)
    foreign_hum = find_hum(track, grid, mains_hz=110.0 - mains_hz)
    if foreign_hum is None or (house_hum is not None and len(house_hum.lines_hz) >= len(foreign_hum.lines_hz)):
        return house_hum
    return foreign_hum if len(foreign_hum.lines_hz) > 1 else house_hum


def _under_playing(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    """Hum in the mean over all windows in which moments that spare a frequency count most."""
    if track.soft is None or track.windows < _LEAST_WINDOWS:
        return None
    spectra = (track.windows / track.soft[None, :]) ** 2
    hum = _best(spectra, grid.low_rate_hz / LOW_TRANSFORM, mains_hz)
    if hum is None or len(hum.lines_hz) < _LEAST_LINES or hum.lines_hz[0] > 2.5 * mains_hz:
        return None
    return hum


def _staying(track: TrackFigures, grid: AnalysisGrid, *, mains_hz: float) -> Hum | None:
    """Hum whose lines keep amplitude and phase, whatever is played."""
    lines = steady_lines(track.runs, grid, mains_hz=mains_hz)
    if lines is None:
        return None
    return Hum(
        level_dbfs=float(dbfs_from_mean_square(np.array(lines.mean_square))),
        frequency_hz=lines.frequency_hz,
        lines_hz=tuple(multiple * lines.frequency_hz for multiple in lines.multiples),
    )


def _best(spectra: NDArray[np.float64], bin_hz: float, mains_hz: float) -> Hum | None:
    """Hum at the frequency, within half a hertz of the mains, on whose multiples most lines lie; None when there are none."""
    best: tuple[int, float, float, list[int]] = (0, 0.0, 0.0, [])
    line_finder = _LineFinder(spectra)
    for offset in np.arange(-_OFF_HZ, _OFF_HZ + 0.01, 0.05):
        lines, power, hz = line_finder.on_multiples(mains_hz + offset, bin_hz)
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
    """Hum in the quietest windows of a track."""
    # windows that overlap by two thirds say the same thing: at least two must lie apart
    if len(track.quiet) < 2 or np.ptp([moment for _, moment, _ in track.quiet]) < 3.0:
        return None
    spectra = np.array([spectrum for _, _, spectrum in track.quiet], dtype=np.float64)
    bin_hz = grid.low_rate_hz / LOW_TRANSFORM
    hum = _best(spectra, bin_hz, mains_hz)
    if hum is None:
        return None
    lowest = round(hum.lines_hz[0] / hum.frequency_hz)
    # held notes have harmonics too, but not on the lowest multiples of the mains
    if lowest > 4 or (len(hum.lines_hz) == 1 and not _one_line_is_enough(spectra, bin_hz, hum.lines_hz[0], lowest)):
        return None
    return hum


def _one_line_is_enough(spectra: NDArray[np.float64], bin_hz: float, frequency_hz: float, multiple: int) -> bool:
    """True where a line alone is hum: the mains or twice it, 25 dB out and peaking where it belongs."""
    line_bin = round(frequency_hz / bin_hz)
    around = np.concatenate(
        [spectra[:, max(1, line_bin - 12) : line_bin - 3], spectra[:, line_bin + 4 : line_bin + 13]], axis=1
    )
    prominence = np.min(
        spectra[:, line_bin - 2 : line_bin + 3].sum(axis=1) / np.maximum(5 * np.median(around, axis=1), 1e-30)
    )
    # a note beside the mains peaks beside it
    in_place = bool(np.all(spectra[:, line_bin - 2 : line_bin + 3].argmax(axis=1) == 2))
    return multiple <= 2 and in_place and db_from_power(float(prominence)) > 25.0
