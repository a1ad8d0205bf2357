"""Reverberation and echoes: what an impulse response holds behind its direct sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.optimize
import scipy.signal as ss

from deskhand.compare.impulse import SHORT_S, impulse_response, level_left_db
from deskhand.compare.interval import Interval
from deskhand.compare.result import Echo, OctaveDecay, Reverb
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.impulse import ImpulseResponse

    Array = NDArray[np.float64]

_RATE_HZ: Final = 14000.0
"""Rate down to which a room is listened to: the octaves from 125 Hz to 4 kHz pass (those of ISO 3382-1)."""
TOP_HZ: Final = 0.43 * _RATE_HZ
"""Frequency up to which late sound is taken out, and so up to which a tone is told beside it: the pass band at that rate."""
_LENGTH_S: Final = 3.0
"""Longest response that is looked for: large halls. Common practice, no source."""
_SHARE_OF_RECORDING: Final = 0.15
"""Share of the recording that the response may be long, or it explains anything. Common practice, no source."""
_DIRECT_S: Final = 0.006
"""Direct sound of a processor with a room behind it: reflections come later than that. Common practice, no source."""
_LOWEST_HZ: Final = 250.0
"""Frequency above which it is asked whether something comes late: filters ring for long below. Common practice, no source."""
_LATE_S: Final = 0.03
"""Time after which no filter above `_LOWEST_HZ` rings any more: a bell of Q 4 has lost 50 dB by then."""
_LEAST_LATE_DB: Final = -32.0
"""Late sound against the direct that is told. Common practice, no source."""
_OVER_FLOOR_DB: Final = 6.0
"""Late sound stands that far above what the end of the response holds, which is chance. Common practice, no source."""
_ECHO_SHARE: Final = 0.7
"""Share of the late sound that lies in few places, where it is echoes and no reverberation. The study `validations/compare_cases.py`."""
_MOST_ECHOES: Final = 8
"""Places that are looked for. Common practice, no source."""
_ECHO_S: Final = 0.0015
"""Half of what belongs to one echo: filters smear it. Common practice, no source."""
_WEAKEST_ECHO: Final = 0.02
"""Energy against the strongest below which no echo is told: -17 dB. Common practice, no source."""
_BLOCK_S: Final = 0.01
"""Blocks in which the decay is read. Common practice, no source."""
_LEAST_RANGE_DB: Final = 12.0
"""Range above the chance floor from which a decay is told; T10 needs 15 dB (ISO 3382-1), less the 3 dB that the fit of the floor saves."""
_OCTAVES_HZ: Final = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
"""Octaves of ISO 3382-1."""
_NORMAL_95: Final = 1.96
"""Half of the interval that holds 95 % of a normal distribution, in standard deviations (tables of the normal distribution)."""
_DB_IN_DECAY: Final = 60.0
"""Fall that a decay time is told for (ISO 3382-1)."""
_LEAST_SURE: Final = 0.12
"""Share of a decay that stays unsure beside chance, and in dB of the wet level ten times that. The study `validations/compare_cases.py`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LateSound:
    """Late sound of a processor, and what is left of AFTER once it is known."""

    reverb: Reverb | None
    echoes: tuple[Echo, ...]
    late: Array
    """(channels, frames) of the late sound, to be taken out of AFTER."""
    residual_db: float
    tone_db: float
    """Decibels that a response leaves less than a gain once the late sound is out, below `TOP_HZ`."""


def find_space(before: Array, after: Array, rate_hz: int) -> LateSound | None:
    """Late sound between two recordings; None where there is none.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    """
    down = max(1, int(rate_hz / _RATE_HZ))
    slow_before, slow_after = (ss.resample_poly(signal, 1, down, axis=1) for signal in (before, after))
    rate = rate_hz / down
    length_s = min(_LENGTH_S, _SHARE_OF_RECORDING * before.shape[1] / rate_hz)
    response = impulse_response(slow_before, slow_after, round(rate), length_s)
    direct_end = response.direct + round(_DIRECT_S * rate)
    passed = ss.sosfiltfilt(ss.butter(2, _LOWEST_HZ, "highpass", fs=rate, output="sos"), response.taps, axis=1)
    energy = np.sum(passed**2, axis=0)
    if not _stands_out(energy, response.direct, rate):
        return None
    fade = np.clip((np.arange(energy.size) - direct_end) / max(1, round(0.001 * rate)), 0.0, 1.0)
    slow_late = ss.oaconvolve(slow_before, response.taps * fade, axes=1)
    slow_late = slow_late[:, response.direct : response.direct + slow_before.shape[1]]
    late = ss.resample_poly(slow_late, down, 1, axis=1)[:, : before.shape[1]]
    direct = response.predicted - slow_late
    echoes = _echoes(energy, response.direct, direct_end, rate)
    reverb = None
    if not echoes:
        wet_db = float(db_from_power(np.sum(slow_late**2) / max(float(np.sum(direct**2)), 1e-30)))
        reverb = _reverb(response, wet_db, direct_end, rate)
    return LateSound(
        reverb=reverb,
        echoes=tuple(echoes),
        late=late,
        residual_db=response.residual_db,
        tone_db=_tone_db(slow_before, slow_after - slow_late, round(rate)),
    )


def _tone_db(before: Array, after: Array, rate_hz: int) -> float:
    """Decibels that a response leaves less than a gain for all frequencies."""
    gain = float(np.sum(before * after) / max(float(np.sum(before**2)), 1e-30))
    return level_left_db(after, gain * before) - impulse_response(before, after, rate_hz, SHORT_S).residual_db


def _stands_out(energy: Array, direct: int, rate: float) -> bool:
    """True where what comes late is more than the chance that the end of the response holds."""
    near = float(np.sum(energy[direct - round(0.002 * rate) : direct + round(_DIRECT_S * rate)]))
    late = energy[direct + round(_DIRECT_S * rate) :]
    later = energy[direct + round(_LATE_S * rate) :]
    floor = float(np.mean(later[-later.size // 6 :]))
    over = float(np.sum(np.maximum(late - floor, 0.0)))
    block = max(1, round(_BLOCK_S * rate))
    blocks = later[: later.size // block * block].reshape(-1, block).mean(axis=1)
    peak = float(later.max(initial=0.0))
    stands = float(blocks.max(initial=0.0)) > floor * power_from_db(_OVER_FLOOR_DB) or peak > 100.0 * floor
    return bool(stands and float(db_from_power(max(over, 1e-30) / max(near, 1e-30))) > _LEAST_LATE_DB)


def _echoes(energy: Array, direct: int, direct_end: int, rate: float) -> list[Echo]:
    """Echoes, earliest first; none where the late sound is spread like a room's."""
    side = max(1, round(_ECHO_S * rate))
    near = float(np.sum(energy[direct - side : direct + side + 1]))
    left = energy[direct_end:].copy()
    floor = float(np.mean(left[-left.size // 6 :]))
    total = float(np.sum(np.maximum(left - floor, 0.0)))
    centres: list[tuple[int, float]] = []
    explained = 0.0
    for _ in range(_MOST_ECHOES):
        peak = int(np.argmax(left))
        first, last = max(0, peak - side), peak + side + 1
        share = float(np.sum(left[first:last])) - floor * (last - first)
        if centres and share < _WEAKEST_ECHO * centres[0][1]:
            break
        explained += share
        centres.append((peak, share))
        left[first:last] = 0.0
    if explained < _ECHO_SHARE * total:
        return []
    return [
        Echo(
            time_ms=round(1000.0 * (direct_end - direct + peak) / rate, 2),
            level_db=round(float(db_from_power(share / max(near, 1e-30))), 2),
        )
        for peak, share in sorted(centres)
    ]


def _reverb(response: ImpulseResponse, wet_db: float, direct_end: int, rate: float) -> Reverb:
    """Decay by octave, pre-delay and level of a reverberation."""
    octaves = []
    for hz in _OCTAVES_HZ:
        edges = (hz / 2.0**0.5, min(hz * 2.0**0.5, 0.47 * rate))
        band = ss.sosfiltfilt(ss.butter(3, edges, "bandpass", fs=rate, output="sos"), response.taps, axis=1)
        fit = _decay_s(np.sum(band**2, axis=0)[direct_end:], rate)
        if fit is None:
            continue
        decay_s, range_db = fit
        # ISO 3382-2, 7.1: standard deviation of T20 with one position and an integrated response (n = 10)
        share = 0.88 * float(np.sqrt((1.0 + 1.90 / 10.0) / (0.71 * hz * response.taps.shape[0] * decay_s)))
        share = _NORMAL_95 * share * max(1.0, 20.0 / range_db) + _LEAST_SURE
        octaves.append(
            OctaveDecay(
                frequency_hz=hz, decay_s=round(decay_s, 3),
                interval_s=Interval(low=round(decay_s * (1.0 - share), 3), high=round(decay_s * (1.0 + share), 3)),
            )
        )  # fmt: skip
    middle = [octave for octave in octaves if octave.frequency_hz in (500.0, 1000.0)] or octaves
    decay = float(np.mean([octave.decay_s for octave in middle])) if middle else None
    spread = None
    if decay is not None:
        half = float(np.mean([octave.interval_s.high - octave.decay_s for octave in middle])) / float(
            np.sqrt(len(middle))
        )
        half = max(half, _LEAST_SURE * decay)
        spread = Interval(low=round(decay - half, 3), high=round(decay + half, 3))
    return Reverb(
        decay_s=None if decay is None else round(decay, 3),
        decay_interval_s=spread,
        octaves=tuple(octaves),
        pre_delay_ms=_pre_delay_ms(response, direct_end, rate),
        wet_db=round(wet_db, 2),
        wet_interval_db=Interval(low=round(wet_db - 10.0 * _LEAST_SURE, 2), high=round(wet_db + 10.0 * _LEAST_SURE, 2)),
        note="" if octaves else "it dies away too soon, or lies too low, for its decay to be told",
    )


def _decay_s(energy: Array, rate: float) -> tuple[float, float] | None:
    """(time to fall by 60 dB, range above the floor in dB) of an exponential decay over a floor; None where none stands out.

    Likelihood of block energies of noise, which are spread like their mean: no end has to be chosen by hand.
    """
    block = max(1, round(_BLOCK_S * rate))
    count = energy.size // block
    blocks = energy[: count * block].reshape(count, block).mean(axis=1)
    start = int(np.argmax(blocks))
    blocks = np.maximum(blocks[start:], 1e-30)
    if blocks.size < 6:
        return None
    time_s = np.arange(blocks.size) * block / rate
    floor = float(np.mean(blocks[-max(2, blocks.size // 6) :]))

    def cost(values: Array) -> float:
        top, rate_of_fall, bottom = values
        mean = np.exp(top - np.exp(rate_of_fall) * time_s) + np.exp(bottom)
        return float(np.sum(np.log(mean) + blocks / mean))

    best = min(
        (
            scipy.optimize.minimize(
                cost, [np.log(blocks[0]), np.log(6.0 * np.log(10.0) / decay_s), np.log(floor)], method="Nelder-Mead",
                options={"maxfev": 400, "xatol": 1e-3, "fatol": 1e-3},
            )
            for decay_s in (0.4, 1.5)
        ),
        key=lambda tried: float(tried.fun),
    )  # fmt: skip
    top, rate_of_fall, bottom = map(float, best.x)
    range_db = float(10.0 / np.log(10.0) * (top - bottom))
    if range_db < _LEAST_RANGE_DB:
        return None
    return float(_DB_IN_DECAY / 10.0 * np.log(10.0) / np.exp(rate_of_fall)), range_db


def _pre_delay_ms(response: ImpulseResponse, direct_end: int, rate: float) -> float:
    """Time after the direct sound at which the late sound sets in."""
    passed = ss.sosfiltfilt(ss.butter(2, _LOWEST_HZ, "highpass", fs=rate, output="sos"), response.taps, axis=1)
    energy = np.convolve(np.sum(passed**2, axis=0), np.ones(max(1, round(0.002 * rate))), "same")[direct_end:]
    loud = float(np.percentile(energy[: round(0.25 * rate)], 90))
    onset = int(np.argmax(energy > 0.25 * loud))
    return round(1000.0 * (direct_end - response.direct + onset) / rate + 1.0, 1)
