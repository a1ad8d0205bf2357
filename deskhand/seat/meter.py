"""Sound level meter of one microphone: energies, maxima and peaks of each second, in one pass and in stretches of any length."""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import fir
from deskhand.dsp.biquad import response
from deskhand.dsp.filters import cascade
from deskhand.dsp.fir import Convolver
from deskhand.dsp.weighting import FAST_S, SLOW_S, time_weighted, weighting_db, weighting_sos
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]

_GOAL_TAPS: Final = 128
"""Taps that bring the weightings to their goal: smooth from 400 Hz on at 48 kHz, where they need it. Common practice, no source."""
_GOAL_FROM_HZ, _GOAL_TO_HZ = 100.0, 20000.0
"""Range in which the sections are brought to their goal: below they are there, above IEC 61672-1:2013, Table 3 ends."""
FAST_READS_A_SECOND: Final = 8
"""Readings of the fast level a second, for percentiles: one each time constant F (IEC 61672-1:2013, 5.8.1)."""
_COLUMNS: Final = 7
"""Numbers of each second beside those readings: what `LevelCourse` holds. Arithmetic."""
_FULL_SCALE: Final = 0.9999
"""Sample from which on a converter is full: one step of 16 bits below full scale, and a little. Common practice, no source."""
_FLAT: Final = 0.25
"""Sample from which on several equal ones that follow one another are a cut wave, also behind a trim. Common practice, no source."""
_FLAT_RUN: Final = 4
"""Equal samples that chance does not make at such a level. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelCourse:
    """Levels of one microphone, second by second; squares of digital full scale 1.0."""

    a_square: Array64
    """(seconds,) A-weighted mean square."""
    c_square: Array64
    """(seconds,) C-weighted mean square."""
    z_square: Array64
    """(seconds,) mean square without weighting and without direct voltage."""
    fast_square: Array64
    """(seconds,) highest A-weighted square with time weighting F."""
    slow_square: Array64
    """(seconds,) highest A-weighted square with time weighting S."""
    c_peak: Array64
    """(seconds,) highest C-weighted magnitude."""
    overloaded: NDArray[np.bool_]
    """(seconds,) True where the converter was full, or a wave was cut flat."""
    fast_reads: Array32
    """(seconds * 8,) A-weighted squares with time weighting F, eight a second."""

    @property
    def seconds(self) -> int:
        """Whole seconds that were measured."""
        return int(self.a_square.size)

    def part(self, start: int, end: int) -> LevelCourse:
        """Course of the seconds from `start` to before `end`."""
        reads = FAST_READS_A_SECOND
        return LevelCourse(
            a_square=self.a_square[start:end],
            c_square=self.c_square[start:end],
            z_square=self.z_square[start:end],
            fast_square=self.fast_square[start:end],
            slow_square=self.slow_square[start:end],
            c_peak=self.c_peak[start:end],
            overloaded=self.overloaded[start:end],
            fast_reads=self.fast_reads[start * reads : end * reads],
        )


class LevelMeter:
    """Level meter that is fed samples and keeps a few numbers a second.

    Parameters
    ----------
    sample_rate_hz : int
        From 32 kHz on.
    correction : (taps,) array, optional
        Filter that takes the microphone's own response away.

    References
    ----------
    IEC 61672-1:2013, 5.5 (frequency weightings), 5.8 (time weightings), 5.13 (C-weighted peak).
    """

    def __init__(self, *, sample_rate_hz: int, correction: Array64 | None = None) -> None:
        self._rate_hz = sample_rate_hz
        self._c = weighting_sos("C", sample_rate_hz=sample_rate_hz)
        a_sections = weighting_sos("A", sample_rate_hz=sample_rate_hz)
        # both begin alike: what A has more is one section, and another gain
        more = a_sections[2].copy()
        more[:3] *= a_sections[1, 0] / self._c[1, 0]
        self._a_more = more[None, :]
        self._c_state = np.zeros((1, 2, 2))
        self._a_state = np.zeros((1, 1, 2))
        self._fast_state, self._slow_state = np.zeros(1), np.zeros(1)
        taps = goal_taps(self._c, sample_rate_hz)
        self._correct = Convolver(taps if correction is None else np.convolve(taps, correction), 1)
        self._steady: float | None = None
        self._waiting = np.empty(0, np.float32)
        # 88 bytes a second, in one piece each: an evening is a megabyte
        self._rows, self._reads = array("d"), array("f")

    @property
    def seconds(self) -> int:
        """Whole seconds so far."""
        return len(self._rows) // _COLUMNS

    def take(self, samples: Array32) -> None:
        """Measure the next (frames,) samples."""
        waiting = np.concatenate([self._waiting, samples]) if self._waiting.size else samples
        first = 0
        while waiting.size - first >= self._rate_hz:
            self._second(waiting[first : first + self._rate_hz])
            first += self._rate_hz
        self._waiting = waiting[first:].copy()

    def _second(self, samples: Array32) -> None:
        """Measure one second."""
        signal = samples.astype(np.float64)
        if self._steady is None:
            # a direct voltage from the first sample on would look like a bang to the filters
            self._steady = float(signal.mean())
        signal -= self._steady
        signal = self._correct(signal[None, :])[0]
        z_square = float(np.mean(signal * signal) - np.mean(signal) ** 2)
        weighted = np.ascontiguousarray(signal[None, :])
        cascade(weighted, self._c, self._c_state)
        c_square, c_peak = float(np.mean(weighted * weighted)), float(np.abs(weighted).max())
        cascade(weighted, self._a_more, self._a_state)
        a_weighted = weighted[0]
        rate_hz = float(self._rate_hz)
        fast = time_weighted(a_weighted, time_s=FAST_S, sample_rate_hz=rate_hz, state=self._fast_state)
        slow = time_weighted(a_weighted, time_s=SLOW_S, sample_rate_hz=rate_hz, state=self._slow_state)
        reads = np.arange(1, FAST_READS_A_SECOND + 1) * fast.size // FAST_READS_A_SECOND - 1
        self._reads.extend(fast[reads].tolist())
        a_square = float(np.mean(a_weighted * a_weighted))
        maxima = float(fast.max()), float(slow.max()), c_peak
        self._rows.extend((a_square, c_square, max(z_square, 0.0), *maxima, float(is_cut(samples))))

    def course(self) -> LevelCourse:
        """Levels so far, of whole seconds."""
        table = np.array(self._rows, np.float64).reshape(-1, _COLUMNS)
        reads = np.array(self._reads, np.float32)
        return LevelCourse(
            a_square=table[:, 0],
            c_square=table[:, 1],
            z_square=table[:, 2],
            fast_square=table[:, 3],
            slow_square=table[:, 4],
            c_peak=table[:, 5],
            overloaded=table[:, 6] > 0,
            fast_reads=reads,
        )


def goal_taps(c_sections: Array64, sample_rate_hz: int) -> Array64:
    """Taps that bring the sections of the weightings from their quarter of a decibel at 5 kHz to the design goal.

    A and C share the double pole that the sample rate bends, so that one filter serves both.

    Parameters
    ----------
    c_sections : (2, 6) array
        Of the C weighting.
    sample_rate_hz : int
    """
    hz = np.geomspace(_GOAL_FROM_HZ, min(_GOAL_TO_HZ, 0.45 * sample_rate_hz), _GOAL_TAPS)
    sections_db = db_from_amplitude(np.abs(response(c_sections, hz, sample_rate_hz=sample_rate_hz)))
    need_db = weighting_db("C", hz) - sections_db
    return fir.curve(hz, need_db, sample_rate_hz=sample_rate_hz, minimum_phase=True, taps=_GOAL_TAPS)


def is_cut(samples: Array32) -> bool:
    """True where the converter is full, or several equal samples at a high level follow one another."""
    magnitude = np.abs(samples)
    if float(magnitude.max()) >= _FULL_SCALE:
        return True
    if float(magnitude.max()) < _FLAT:
        return False
    equal = (samples[1:] == samples[:-1]) & (magnitude[1:] >= _FLAT)
    steps = _FLAT_RUN - 1
    runs = np.convolve(equal.astype(np.int32), np.ones(steps, np.int32), "valid")
    return bool((runs == steps).any())
