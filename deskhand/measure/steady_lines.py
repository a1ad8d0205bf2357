"""Lines of the mains that keep their amplitude and phase for many seconds, found under playing that comes and goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.grid import CHUNK_HOPS, LOW_TRANSFORM
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.figures import AnalysisGrid
    from deskhand.measure.track_figures import SpectrumRun

    Array64 = NDArray[np.float64]

_MULTIPLES: Final = 8
"""Multiples looked at: up to 400 Hz at 50 Hz, 480 Hz at 60 Hz, where hum has its strongest lines. Common practice, no source."""
_OFF_HZ: Final = 0.2
"""The mains are this far from nominal at most: the widest standard frequency range of Regulation (EU) 2017/1485, annex III, table 1."""
_FIRST_MULTIPLES: Final = 2
"""One of so many first multiples is among the lines: a hum has the mains or twice it. Common practice, no source."""
_STEPS: Final = np.arange(-8, 9) / 64.0
"""Distances in Hz from half a bin at which a line is looked for: four to the resolution of a run of 14 s, past a quarter of a bin. Arithmetic."""
_MAINS_STEP_HZ: Final = 1.0 / 64.0 / _MULTIPLES
"""Step of the mains by which the highest multiple moves by one of those steps. Arithmetic."""
_TAPS: Final = np.arange(-2, 3)
"""Bins that the main lobe of a Hann window fills. Arithmetic."""
_MEAN_SQUARE: Final = 0.375
"""Mean square of a sine over the power that `_amplitudes` gives it: half the square, and 3/4 for the Hann window's power. Arithmetic."""
_BESIDE_BINS: Final = (3, 8)
"""First and last bin, 1.1 to 2.9 Hz, in which the playing beside a line is read: outside the main lobe. Arithmetic."""
_OWN_NOISE: Final = 0.03
"""Share of a line that counts as noise: windows without any playing do not outweigh all others (planted hum, `tests/support/stage`)."""
_ALIKE_WINDOWS: Final = 1.8
"""Windows of which one is new: those of 2.7 s each second share this much. Arithmetic: autocorrelation of the Hann window."""
_MOST_COHERENCE: Final = 1.0 - 1e-6
"""Coherence above this says no more. Arithmetic: rounding."""
_LEAST_EVIDENCE: Final = 2.0
"""Evidence of a line that counts; its mean is 1 at most where only chance plays (half to tune of `tests/support/stage`)."""
_MOST_EVIDENCE: Final = 12.0
"""A single line says no more than this, so that others have to agree. Common practice, no source."""
_EVIDENCE_TOGETHER: Final = 12.0
"""Evidence of all lines: none of 306 clean inputs that never rest gave more than 7.5 (half to tune of `tests/support/stage`)."""
_LEAST_LINES: Final = 2
"""Lines of one frequency: a held note may lie beside one of them. Common practice, no source."""
_RIVAL_HZ: Final = (1.1, 12.0)
"""Distances in which a machine's notes have lines, too: exact repetition, once in 0.08 to 0.9 s, sixteenths at 180 a minute. Arithmetic."""
_RIVAL_EVIDENCE: Final = 4.0
"""A rival that is steady by so much is no chance (half to tune of `tests/support/stage`)."""
_ABOVE_RIVALS_DB: Final = 6.0
"""A line stands this far above steady rivals (half to tune of `tests/support/stage`, and songs made on a grid, `tests/support/material.py`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyLines:
    """Lines on the multiples of one frequency."""

    frequency_hz: float
    multiples: tuple[int, ...]
    mean_square: float
    """Of all of them together."""


def _lobe(offset_bins: float) -> NDArray[np.complex128]:
    """Values of a sine of amplitude 1 in the bins of its main lobe, its frequency `offset_bins` above the middle one."""
    distance = _TAPS - offset_bins
    return np.asarray(
        (-1.0) ** _TAPS
        * np.exp(1j * np.pi * offset_bins)
        * 0.5
        * np.sinc(distance)
        / np.where(np.abs(distance) == 1.0, 1.0, 1.0 - distance**2)
        + np.where(np.abs(distance) == 1.0, 0.25 * (-1.0) ** _TAPS, 0.0)
    )


_LOBES: Final = tuple(_lobe(offset) / np.sum(np.abs(_lobe(offset)) ** 2) for offset in (0.0, 0.5))


class SteadyLineFinder:
    """Finder of lines that stay, in the low spectra of one track.

    In each run of windows the coherence of a line is read: the square of the weighted sum of its complex amplitudes, turned back
    by its phase, over what the sum would be if all were alike. Windows weigh by the inverse of the power beside the line, so that
    moments in which little is played near it count most. Notes come with a phase of their own each time and cancel.

    Parameters
    ----------
    runs : sequence of SpectrumRun
    grid : AnalysisGrid

    References
    ----------
    D. J. Thomson, Spectrum estimation and harmonic analysis, Proc. IEEE 70 (1982), section XIII: test for lines in noise.
    """

    def __init__(self, runs: Sequence[SpectrumRun], grid: AnalysisGrid) -> None:
        self._bin_hz = grid.low_rate_hz / LOW_TRANSFORM
        chunk_s = grid.hop_s * CHUNK_HOPS
        self._runs: list[tuple[Array64, NDArray[np.complex128], Array64]] = []
        for run in runs:
            spectra = run.spectra.astype(np.complex128)
            self._runs.append((run.chunks * chunk_s, spectra, _beside(np.abs(spectra) ** 2)))

    def evidence(self, places: NDArray[np.intp]) -> tuple[Array64, Array64]:
        """Evidence that a line stays, and its power: (places, steps) each, places in half bins and steps as `_STEPS` from there.

        Where only chance plays, the evidence of a run is no larger than what is distributed as exp(-x).
        """
        evidence = np.zeros((places.size, _STEPS.size))
        power, weights = np.zeros_like(evidence), np.zeros(places.size)
        turns = -2j * np.pi * places * (self._bin_hz / 2.0)
        for times_s, spectra, beside in self._runs:
            amplitudes = _amplitudes(spectra, places) * np.exp(np.outer(times_s, turns))
            powers = np.abs(amplitudes) ** 2
            noise = np.maximum(beside[:, places // 2], beside[:, -(-places // 2)])
            weight = 1.0 / (noise + _OWN_NOISE * powers + 1e-20)
            turned = np.exp(-2j * np.pi * np.outer(times_s - times_s[0], _STEPS))
            alike = np.abs((weight * amplitudes).T @ turned) ** 2
            total = weight.sum(axis=0)
            whole = (weight * powers).sum(axis=0) * total
            coherence = np.minimum(alike / np.maximum(whole, 1e-30)[:, None], _MOST_COHERENCE)
            windows = np.maximum(total**2 / (weight**2).sum(axis=0) / _ALIKE_WINDOWS, 1.0)
            evidence -= (windows[:, None] - 1.0) * np.log1p(-coherence)
            power += alike / total[:, None]
            weights += total
        # each run more gives 1 by chance
        return evidence - (len(self._runs) - 1), power / weights[:, None]

    def lines(self, mains_hz: float) -> SteadyLines | None:
        """Lines on the multiples of a frequency within 0.2 Hz of the mains; None where too little stays."""
        mains = mains_hz + np.arange(-_OFF_HZ, _OFF_HZ + _MAINS_STEP_HZ / 2, _MAINS_STEP_HZ)
        multiples = np.arange(1, _MULTIPLES + 1)
        lines_hz = mains[:, None] * multiples
        places = np.round(2.0 * lines_hz / self._bin_hz).astype(np.intp)
        steps = np.round((lines_hz - places * self._bin_hz / 2.0) / (_STEPS[1] - _STEPS[0])).astype(np.intp)
        steps = np.clip(steps + _STEPS.size // 2, 0, _STEPS.size - 1)
        looked_at, rows = np.unique(places, return_inverse=True)
        evidence, power = self.evidence(looked_at)
        rows = rows.reshape(places.shape)
        on_multiples = evidence[rows, steps]
        best = int(np.clip(on_multiples, 0.0, _MOST_EVIDENCE).sum(axis=1).argmax())
        strengths = np.clip(on_multiples[best], 0.0, _MOST_EVIDENCE)
        is_line = strengths >= _LEAST_EVIDENCE
        if not _is_enough(strengths, is_line):
            return None
        powers = power[rows[best], steps[best]]
        staying = np.array(
            [
                bool(counts) and self._stands_alone(int(place), float(line_power))
                for counts, place, line_power in zip(is_line, places[best], powers, strict=True)
            ]
        )
        # where a machine's notes explain more of the lines than the mains do, it is the machine
        if not _is_enough(strengths, staying) or strengths[staying].sum() < strengths[is_line & ~staying].sum():
            return None
        return SteadyLines(
            frequency_hz=float(mains[best]),
            multiples=tuple(int(multiple) for multiple in multiples[staying]),
            mean_square=float(powers[staying].sum()) * _MEAN_SQUARE,
        )

    def _stands_alone(self, place: int, power: float) -> bool:
        """True where no steady line as strong lies beside one: the sidebands of exact repetition do."""
        near, far = (round(2.0 * hz / self._bin_hz) for hz in _RIVAL_HZ)
        sides = np.concatenate([np.arange(place - far, place - near), np.arange(place + near, place + far)])
        evidence, powers = self.evidence(sides[sides >= 2 * _BESIDE_BINS[1]])
        rival = float(powers[evidence >= _RIVAL_EVIDENCE].max(initial=0.0))
        return rival == 0.0 or db_from_power(power / rival) >= _ABOVE_RIVALS_DB


def _is_enough(strengths: Array64, staying: NDArray[np.bool_]) -> bool:
    """True where the lines that stay are hum: two and more, the mains or twice it among them."""
    return bool(
        staying[:_FIRST_MULTIPLES].any()
        and staying.sum() >= _LEAST_LINES
        and strengths[staying].sum() >= _EVIDENCE_TOGETHER
    )


def _amplitudes(spectra: NDArray[np.complex128], places: NDArray[np.intp]) -> NDArray[np.complex128]:
    """(windows, places) complex amplitudes of sines at half bins: their main lobes fitted to the spectra."""
    amplitudes = np.zeros((len(spectra), places.size), np.complex128)
    for half, lobe in enumerate(_LOBES):
        here = np.flatnonzero(places % 2 == half)
        for tap, value in zip(_TAPS, lobe, strict=True):
            amplitudes[:, here] += np.conj(value) * spectra[:, places[here] // 2 + tap]
    return amplitudes


def _beside(power: Array64) -> Array64:
    """(windows, bins) mean power beside each bin, on the louder side."""
    first, last = _BESIDE_BINS
    sums = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=1)], axis=1)
    bins = np.arange(power.shape[1])

    def mean(begin: NDArray[np.intp], end: NDArray[np.intp]) -> Array64:
        inside = [np.clip(edge, 0, bins.size) for edge in (begin, end)]
        return np.asarray((sums[:, inside[1]] - sums[:, inside[0]]) / (last - first + 1))

    return np.maximum(mean(bins - last, bins - first + 1), mean(bins + first, bins + last + 1))


def steady_lines(runs: Sequence[SpectrumRun], grid: AnalysisGrid, *, mains_hz: float) -> SteadyLines | None:
    """Lines of the mains that keep amplitude and phase; None where nothing was kept or too little stays.

    Parameters
    ----------
    runs : sequence of SpectrumRun
    grid : AnalysisGrid
        Grid of the measurement.
    mains_hz : float
        50 or 60.
    """
    return SteadyLineFinder(runs, grid).lines(mains_hz) if runs else None
