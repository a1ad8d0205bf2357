"""Search for the sweeps of the file in the track of a seat: which of them, when, and by how much the clocks differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand.dsp.sweep import SweepShape, inverse_spectrum
from deskhand.seat.sweep_plan import PLAN, SHAPE, PlannedSweep

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_SEARCH_RATE_HZ: Final = 8000
"""Rate at which is searched, about: the part of the sweep below lies well under half of it. Common practice, no source."""
_SEARCH_HZ: Final = (200.0, 3200.0)
"""Part of the sweep that is searched for: loudspeakers play it and hum is below it. Common practice, no source."""
_LEAST_PEAK: Final = 15.0
"""Peak of the response against the median around it from which it is a sweep: noise of an hour reaches 9, decaying rooms stand at 100 or
more; the study `validations/room_sweep.py`."""
_AROUND_S: Final = 4.0
"""Time on either side that this median is taken over: half a sweep. Common practice, no source."""
_APART_S: Final = 6.0
"""Two sweeps of the file begin at least twice as far apart; harmonics come less than 3 s before their sweep."""
_MOST_SWEEPS: Final = 40
"""Sweeps that are looked for at most: the file played eight times."""
_A_PLAYING: Final = 3
"""Sweeps that lie as planned from which they are a playing of the file: two knocks may lie so by chance. Common practice, no source."""
_SLACK_S: Final = 0.03
"""Time by which a sweep may lie off the plan: a clock 500 ppm off moves one by 26 ms over the whole file."""
_MOST_PPM: Final = 500.0
"""A clock further off is no clock; crystals keep within 100 ppm. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSweep:
    """A sweep of the file in a recording."""

    planned: PlannedSweep
    start_s: float
    """Moment at which it begins to arrive at the seat, from the start of the recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRun:
    """Sweeps of one playing of the file."""

    sweeps: tuple[FoundSweep, ...]
    clock_ppm: float
    """Parts in a million by which the recording's clock is fast against the player's."""
    arrival_spread_s: float
    """Largest distance of an arrival from where a steady clock would have it."""
    other_runs: int
    """Further playings of the file in the recording."""


def _envelope(samples: Array, sample_rate_hz: int) -> tuple[Array, float]:
    """(frames,) magnitude of the response to the part that is searched for, at a lower rate, and that rate."""
    factor = max(1, sample_rate_hz // _SEARCH_RATE_HZ)
    rate_hz = sample_rate_hz / factor
    # takes some tenths of a second to load, which every check would pay
    from scipy.signal import resample_poly

    low = resample_poly(samples, 1, factor)
    low_hz, high_hz = _SEARCH_HZ
    part = SweepShape(
        low_hz=low_hz,
        high_hz=high_hz,
        length_s=SHAPE.e_fold_s * np.log(high_hz / low_hz),
        fade_in_s=0.05,
        fade_out_s=0.05,
    )
    transform = scipy.fft.next_fast_len(low.size + round(part.length_s * rate_hz), real=True)
    spectrum = scipy.fft.rfft(low, transform) * inverse_spectrum(part, sample_rate_hz=rate_hz, transform=transform)
    analytic = scipy.fft.ifft(np.concatenate([2.0 * spectrum, np.zeros(transform - spectrum.size)]))
    # the part begins later than its sweep: time 0 is the start of the sweep
    lead = round(SHAPE.passes_s(low_hz) * rate_hz)
    magnitude = np.abs(analytic[: low.size])
    return np.concatenate([magnitude[lead:], np.zeros(min(lead, magnitude.size))]), rate_hz


def _peaks_s(magnitude: Array, rate_hz: float) -> list[float]:
    """Moments of the peaks that stand out as only a sweep's do, in order of time."""
    remaining = magnitude.copy()
    around, apart = round(_AROUND_S * rate_hz), round(_APART_S * rate_hz)
    peaks = []
    for _ in range(_MOST_SWEEPS):
        peak = int(np.argmax(remaining))
        floor = float(np.median(magnitude[max(0, peak - around) : peak + around]))
        if not remaining[peak] > _LEAST_PEAK * max(floor, 1e-12):
            break
        below, top, above = (
            float(magnitude[min(max(frame, 0), magnitude.size - 1)]) for frame in (peak - 1, peak, peak + 1)
        )
        bend = below - 2.0 * top + above
        vertex = peak + (0.5 * (below - above) / bend if bend < 0.0 else 0.0)
        peaks.append(vertex / rate_hz)
        remaining[max(0, peak - apart) : peak + apart] = 0.0
    return sorted(peaks)


def _matched(peaks_s: list[float], offset_s: float) -> list[FoundSweep]:
    """Sweeps of the plan that lie where it has them when its first one begins at an offset."""
    sweeps = []
    for planned in PLAN:
        near = [peak_s for peak_s in peaks_s if abs(peak_s - offset_s - planned.start_s) < _SLACK_S]
        if near:
            nearest_s = min(near, key=lambda peak_s: abs(peak_s - offset_s - planned.start_s))
            sweeps.append(FoundSweep(planned=planned, start_s=nearest_s))
    return sweeps


def _clock(sweeps: list[FoundSweep]) -> tuple[float, float]:
    """Clock in ppm and the largest distance of an arrival from it, in s; the median of all slopes (Theil 1950, Sen 1968)."""
    planned_s = np.array([sweep.planned.start_s for sweep in sweeps])
    start_s = np.array([sweep.start_s for sweep in sweeps])
    first, second = np.triu_indices(planned_s.size, 1)
    ppm = 1e6 * (float(np.median((start_s[second] - start_s[first]) / (planned_s[second] - planned_s[first]))) - 1.0)
    ppm = ppm if abs(ppm) <= _MOST_PPM else 0.0
    off_s = start_s - planned_s * (1.0 + 1e-6 * ppm)
    return ppm, float(np.abs(off_s - np.median(off_s)).max())


def find_sweeps(samples: Array, *, sample_rate_hz: int) -> SweepRun | None:
    """Sweeps of the playing of which most are in a track, the last such; None where fewer than two are.

    Parameters
    ----------
    samples : (frames,) array
        Track of a seat.
    sample_rate_hz : int
    """
    magnitude, rate_hz = _envelope(samples, sample_rate_hz)
    peaks_s = _peaks_s(magnitude, rate_hz)
    runs = [_matched(peaks_s, peak_s - planned.start_s) for peak_s in peaks_s for planned in PLAN]
    best = max(runs, key=lambda run: (len(run), run[-1].start_s if run else 0.0), default=[])
    if len(best) < 2:
        return None
    ppm, spread_s = _clock(best)
    further_runs = {
        tuple(sweep.start_s for sweep in run)
        for run in runs
        if len(run) >= _A_PLAYING and not {sweep.start_s for sweep in run} & {sweep.start_s for sweep in best}
    }
    return SweepRun(sweeps=tuple(best), clock_ppm=ppm, arrival_spread_s=spread_s, other_runs=len(further_runs))
