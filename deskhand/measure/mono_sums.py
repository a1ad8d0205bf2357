"""Mono sums of two tracks as they are, with one flipped, and with the earlier one delayed, by octave: polarity told from delay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.spectrum import OCTAVES_HZ
from deskhand.measure.stereo import DELAY_CERTAINTY, DELAY_LEAST_S, alignment
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.figures import AnalysisGrid, PairFigures

    Array64 = NDArray[np.float64]

STEP_S: Final = 0.0001
"""Step in which a delay is offered: 3.4 cm of air. Common practice, no source."""
_REACH_S: Final = 0.006
"""Two pick-ups of one instrument are hardly further apart than two metres. Common practice, no source."""
_WIDE_BAND_DB: Final = 0.5
"""By so much less a delay that all frequencies share may sum: a louder lag may be a period of the note. Common practice, no source."""
_LEAST_SHARE: Final = 1e-6
"""Share of the power below which an octave is left out: float32 spectra are good to about that."""
_ONE_SIGNAL: Final = 0.9
"""Mean coherence from 1 to 4 kHz, weighed by energy, from which two tracks may be one signal. With the certainty of one delay it parts
unlike pick-ups from one signal with noise of its own on each side: validations/polarity.py, tune half (of 60 inverted pairs of one
signal the lowest 5 % lie at 0.95; of 60 unlike pairs three quarters below 0.74, and none has a certainty above 0.30)."""
_HEARD_HZ: Final = (1000.0, 4000.0)
"""Range of that coherence: a wave of 1 kHz is as long as a microphone is away, one of 4 kHz is in every instrument. Common practice,
no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveSum:
    """Levels of the mono sums in one octave against the mean of the two tracks there, in dB; -inf where nothing is left."""

    share_db: float
    """Power of the octave against that of the whole band."""
    plain_db: float
    flipped_db: float
    delayed_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MonoSums:
    """Levels of the mono sums of two tracks against the mean of the two, in dB: 0 where they are the same, -3.01 for strangers."""

    delay_s: float
    """By how much the second comes later, in the steps of a desk: the delay of the first that lines them up, of the second where it is
    negative; 0 where none makes the sum louder."""
    plain_db: float
    flipped_db: float
    delayed_db: float
    octaves: dict[str, OctaveSum]
    """By nominal mid-band frequency in Hz."""
    unlike: bool
    """True where the two are pick-ups of different kinds: what they share has no one delay, and is little at high frequencies."""

    @property
    def gained_by_delay_db(self) -> float:
        """By how much the delayed sum is louder than the plain one."""
        return self.delayed_db - self.plain_db

    @property
    def delay_serves(self) -> bool:
        """True where one comes late enough to be heard, and the delay does more for the sum than a flip."""
        return (
            abs(self.delay_s) >= DELAY_LEAST_S
            and self.delayed_db >= self.flipped_db
            and self.delayed_db > self.plain_db
        )


def mono_sums(pair: PairFigures, grid: AnalysisGrid) -> MonoSums:
    """Mono sums of two tracks from their cross and auto spectra, over the whole take: loud moments count most.

    With X the cross spectrum and P the sum of both auto spectra, the sum holds (1 + 2 Re X / P) / 2 of the mean of the two; flipped
    1 - ..., delayed by t with X exp(-i 2 pi f t).

    Parameters
    ----------
    pair : PairFigures
        Cross and auto spectra, each (bins,).
    grid : AnalysisGrid

    References
    ----------
    Bendat & Piersol, Random Data, 4th ed., 5.2 (spectra of a sum of two records).
    """
    frequency_hz = grid.bins_hz
    power = pair.left + pair.right
    delay_s = _lining_up(pair, grid, frequency_hz)
    shared = 2.0 * pair.cross.real
    shared_delayed = 2.0 * (pair.cross * np.exp(-2j * np.pi * frequency_hz * delay_s)).real
    whole = float(power.sum())
    octaves: dict[str, OctaveSum] = {}
    for octave, nominal_hz in enumerate(OCTAVES_HZ[1:], -4):
        # exact mid-band frequency, base ten (IEC 61260-1:2014, formula 2)
        centre_hz = 1000.0 * 10.0 ** (0.3 * octave)
        inside = (frequency_hz >= centre_hz * 10.0**-0.15) & (frequency_hz < centre_hz * 10.0**0.15)
        inside_power = float(power[inside].sum())
        if inside_power <= _LEAST_SHARE * whole:
            continue
        octaves[f"{nominal_hz:g}"] = OctaveSum(
            share_db=round(db_from_power(inside_power / whole), 1),
            plain_db=_sum_db(float(shared[inside].sum()), inside_power),
            flipped_db=_sum_db(-float(shared[inside].sum()), inside_power),
            delayed_db=_sum_db(float(shared_delayed[inside].sum()), inside_power),
        )
    return MonoSums(
        delay_s=delay_s,
        plain_db=_sum_db(float(shared.sum()), whole),
        flipped_db=_sum_db(-float(shared.sum()), whole),
        delayed_db=_sum_db(float(shared_delayed.sum()), whole),
        octaves=octaves,
        unlike=alignment(pair, grid).certainty <= DELAY_CERTAINTY and _coherence(pair, frequency_hz) < _ONE_SIGNAL,
    )


def _sum_db(shared: float, power: float) -> float:
    """Level of a sum from what the two share and their power."""
    share = 0.5 * (1.0 + shared / power) if power > 0 else 0.0
    return round(db_from_power(share), 2) if share > _LEAST_SHARE else float("-inf")


def _coherence(pair: PairFigures, frequency_hz: Array64) -> float:
    """Mean coherence where instruments are heard, each frequency weighed by its energy; 0 where nothing is."""
    inside = (frequency_hz >= _HEARD_HZ[0]) & (frequency_hz < _HEARD_HZ[1])
    size = float(np.sqrt(pair.left[inside] * pair.right[inside]).sum())
    return float(np.abs(pair.cross[inside]).sum()) / size if size > 0 else 0.0


def _lining_up(pair: PairFigures, grid: AnalysisGrid, frequency_hz: Array64) -> float:
    """Delay of the first that makes the sum loudest, in steps of a desk; the one that all frequencies share where it does as well."""
    steps = round(_REACH_S / STEP_S)
    delays_s = np.arange(-steps, steps + 1) * STEP_S
    # the cross spectrum of one-sided bins at each delay: the plain correlation, finer than samples
    sums = np.array(
        [float((pair.cross * np.exp(-2j * np.pi * frequency_hz * delay_s)).real.sum()) for delay_s in delays_s]
    )
    best = int(np.argmax(sums))
    if sums[best] <= sums[steps]:
        return 0.0
    shared = alignment(pair, grid)
    near = int(np.argmin(np.abs(delays_s - shared.delay_s)))
    power = float((pair.left + pair.right).sum())
    if shared.delayed and not shared.turned and abs(shared.delay_s) <= _REACH_S:
        apart_db = _sum_db(2.0 * float(sums[best]), power) - _sum_db(2.0 * float(sums[near]), power)
        if apart_db <= _WIDE_BAND_DB:
            best = near
    return round(float(delays_s[best]), 6)
