"""Decay of a room from its impulse response: reverberation, clarity, definition, centre time (ISO 3382-1), noise taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

OCTAVES_HZ: Final = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Octaves that a room is read in (ISO 3382-1:2009, 8.1: 125 Hz to 4 kHz, wider where it matters)."""
ONSET_DB: Final = -20.0
"""Level against the strongest sample at which a response begins (ISO 3382-1:2009, 5.3.2)."""
_SIXTY_DB: Final = 6.0 * np.log(10.0)
"""Time constants of power in a fall of 60 dB: 13.8."""
_RANGES_DB: Final = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
"""Stretch of the decay that a line is laid through (ISO 3382-1:2009, 3.4 and 4.1)."""
NEEDED_DB: Final = {"edt_s": 20.0, "t20_s": 35.0, "t30_s": 45.0, "energy": 25.0}
"""Distance from the start of the decay to the noise: 10 dB below the end of the line (ISO 3382-1:2009, 5.3.3); for the ratios of energies
25 dB (Hak, Wenmaekers & van Luxemburg 2012, Acta Acustica united with Acustica 98, 907)."""
_FIRST_STEP_S: Final = 0.03
"""Steps in which the squared response is smoothed first: 10 to 50 ms (Lundeby et al. 1995)."""
_STEPS_A_10_DB: Final = 5
"""Steps for each 10 dB of decay: 3 to 10 (Lundeby et al. 1995)."""
_TAIL_SHARE: Final = 0.1
"""Share of the response at its end from which the noise is read (Lundeby et al. 1995)."""
_ABOVE_NOISE_DB: Final = 7.0
"""Distance from the noise at which the late decay ends, and behind the crossing at which noise begins: 5 to 10 dB (Lundeby et al. 1995)."""
_LATE_RANGE_DB: Final = 20.0
"""Fall that the late decay is read from: 10 to 20 dB (Lundeby et al. 1995)."""
_ROUNDS: Final = 5
"""Rounds after which the crossing stands (Lundeby et al. 1995)."""
_LEAST_POINTS: Final = 3
"""Points that a line is laid through at least: one more than it needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayEnd:
    """End of what is decay in a squared response, and the noise behind it."""

    noise_power: float
    """Mean square of the noise."""
    end_s: float
    """Time at which the decay meets the noise."""
    late_s: float
    """Reverberation time of the decay's last part."""
    range_db: float
    """Distance of the noise below the start of the decay; -inf where there is no decay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomDecay:
    """Decay of one octave. None: too little above the noise to be told (`range_db` says how much)."""

    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    c50_db: float | None
    c80_db: float | None
    d50: float | None
    """Share of the energy that arrives within 50 ms, 0 to 1."""
    ts_s: float | None
    range_db: float
    curvature_pct: float | None
    """By how much T30 is longer than T20: above 10 % the decay is no straight line (ISO 3382-2:2008, B.3)."""


def onset_frame(response: Array) -> int:
    """Frame at which a response begins: 20 dB below its strongest sample; earlier noise does not count."""
    power = response**2
    top = int(np.argmax(power))
    above = power[: top + 1] >= power[top] * 10.0 ** (0.1 * ONSET_DB)
    return int(np.argmax(above))


def _means(power: Array, frames: int) -> Array:
    """(steps,) means of steps of some frames."""
    count = power.size // frames
    return np.asarray(power[: count * frames].reshape(count, frames).mean(axis=1))


def _middles_s(means: Array, frames: int, rate_hz: float) -> Array:
    """(steps,) times of the middles of steps."""
    return np.asarray((np.arange(means.size) + 0.5) * frames / rate_hz, np.float64)


def _line(time_s: Array, level_db: Array) -> tuple[float, float] | None:
    """Slope in dB/s and level at 0 s of the straight line through points; None without enough of them, or where it rises."""
    if time_s.size < _LEAST_POINTS:
        return None
    slope, level = np.polyfit(time_s, level_db, 1)
    return (float(slope), float(level)) if slope < 0.0 else None


def _noise_from(power: Array, first: int) -> float:
    """Mean square from a frame on, of a tenth of the response at least."""
    return float(power[min(first, round((1.0 - _TAIL_SHARE) * power.size)) :].mean())


def decay_end(power: Array, *, sample_rate_hz: float) -> DecayEnd:
    """Noise of a squared response, and where its decay meets it.

    Parameters
    ----------
    power : (frames,) array
        Squared response in one octave, from its start on.

    References
    ----------
    Lundeby, Vigran, Bietz & Vorländer, "Uncertainties of measurements in room acoustics", Acustica 81 (1995) 344.
    """
    step = max(1, round(_FIRST_STEP_S * sample_rate_hz))
    means = _means(power, step)
    noise = _noise_from(power, power.size)
    nothing = DecayEnd(noise_power=noise, end_s=0.0, late_s=0.0, range_db=-np.inf)
    if means.size < 2 * _LEAST_POINTS or not means.max() > 0.0:
        return nothing
    if not noise > 0.0:  # a computed response: no noise at all
        noise = float(power.max()) * 1e-20
    level_db = db_from_power(np.maximum(means, 1e-300))
    top = int(np.argmax(level_db))
    time_s = _middles_s(means, step, sample_rate_hz)
    low = np.flatnonzero(level_db[top:] < db_from_power(noise) + _ABOVE_NOISE_DB)
    last = top + int(low[0]) if low.size else means.size
    line = _line(time_s[top:last], level_db[top:last])
    if line is None:
        return nothing
    for _ in range(_ROUNDS):
        crossing_s = (float(db_from_power(noise)) - line[1]) / line[0]
        step = max(1, round(-10.0 / line[0] / _STEPS_A_10_DB * sample_rate_hz))
        means = _means(power, step)
        if means.size < 2 * _LEAST_POINTS:
            break
        level_db = db_from_power(np.maximum(means, 1e-300))
        time_s = _middles_s(means, step, sample_rate_hz)
        noise = max(_noise_from(power, round((crossing_s - _ABOVE_NOISE_DB / line[0]) * sample_rate_hz)), 1e-300)
        high_db = float(db_from_power(noise)) + _ABOVE_NOISE_DB
        inside = (time_s < crossing_s) & (level_db > high_db) & (level_db < high_db + _LATE_RANGE_DB)
        late = _line(time_s[inside], level_db[inside])
        if late is None:
            break
        line = late
    crossing_s = float(np.clip((float(db_from_power(noise)) - line[1]) / line[0], 0.0, power.size / sample_rate_hz))
    early = _means(power, max(1, round(_FIRST_STEP_S * sample_rate_hz)))[:_LEAST_POINTS]
    start_db = float(db_from_power(early.max()))
    return DecayEnd(
        noise_power=noise,
        end_s=crossing_s,
        late_s=-60.0 / line[0],
        range_db=start_db - float(db_from_power(noise)),
    )


def decay_curve(power: Array, end: DecayEnd, *, sample_rate_hz: float) -> Array:
    """(frames,) energy from each frame to the end of the decay, noise taken off, what lies behind the end put in.

    References
    ----------
    Schroeder, J. Acoust. Soc. Am. 37 (1965) 409; ISO 3382-1:2009, 5.3.3 (the term for what is cut off); Guski & Vorländer, Acta Acustica
    united with Acustica 100 (2014) 320 (noise subtracted, cut, compensated: the least error of five ways).
    """
    last = min(power.size, max(1, round(end.end_s * sample_rate_hz)))
    decaying = power[:last] - end.noise_power
    behind = end.noise_power * end.late_s / _SIXTY_DB * sample_rate_hz
    return np.asarray(np.cumsum(decaying[::-1])[::-1] + behind)


def _reverberation_s(curve_db: Array, name: str, rate_hz: float) -> float | None:
    """Reverberation time from the stretch of a decay curve that belongs to a name; None where the curve ends above it."""
    high_db, low_db = _RANGES_DB[name]
    below = np.flatnonzero(curve_db < low_db)
    if not below.size:
        return None
    first = 0 if high_db == 0.0 else int(np.argmax(curve_db < high_db))
    last = int(below[0])
    if last - first < _LEAST_POINTS:
        return None
    line = _line(np.arange(first, last) / rate_hz, curve_db[first:last])
    return None if line is None else -60.0 / line[0]


def room_decay(power: Array, *, sample_rate_hz: float, early: float = 0.0) -> RoomDecay:
    """Reverberation times, clarity, definition and centre time of one octave.

    Parameters
    ----------
    power : (frames,) array
        Squared response through the octave's filter, from its start on; a mean square of 1.0 is full scale.
    sample_rate_hz : float
    early : float
        Sum of the squared samples in front of the start: what the filter rang ahead of it. It counts as arriving at the start.

    References
    ----------
    ISO 3382-1:2009, 3.4, 4.1, 5.3.3 and Annex A (A.2.3 to A.2.5, A.3.2, A.3.3).
    """
    end = decay_end(power, sample_rate_hz=sample_rate_hz)
    none = dict.fromkeys(("edt_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "ts_s"))
    if end.range_db < NEEDED_DB["edt_s"]:
        return RoomDecay(**none, range_db=end.range_db, curvature_pct=None)
    curve = decay_curve(power, end, sample_rate_hz=sample_rate_hz)
    curve = np.maximum(curve, 1e-12 * curve[0])
    total = float(curve[0]) + early
    level_db = db_from_power(curve / total)
    values: dict[str, float | None] = dict(none)
    for name in _RANGES_DB:
        if end.range_db >= NEEDED_DB[name]:
            values[name] = _reverberation_s(level_db, name, sample_rate_hz)
    if end.range_db >= NEEDED_DB["energy"]:
        for name, limit_s in (("c50_db", 0.05), ("c80_db", 0.08)):
            late = float(curve[min(round(limit_s * sample_rate_hz), curve.size - 1)])
            values[name] = float(db_from_power((total - late) / late))
        values["d50"] = 1.0 - float(curve[min(round(0.05 * sample_rate_hz), curve.size - 1)]) / total
        # the sum of the curve is the first moment of the energy; what was put in behind the end counts as if at the end: 0.3 % at most
        moment = float(curve[1:].sum()) / sample_rate_hz
        values["ts_s"] = moment / total
    t20_s, t30_s = values["t20_s"], values["t30_s"]
    curvature = None if t20_s is None or t30_s is None else 100.0 * (t30_s / t20_s - 1.0)
    return RoomDecay(**values, range_db=end.range_db, curvature_pct=curvature)


def reverberation_pm(t_s: float, middle_hz: float, *, wide: bool) -> float:
    """Half the width of the 95 % interval of a reverberation time at one place, as a share of it.

    Parameters
    ----------
    t_s : float
    middle_hz : float
        Middle of the octave.
    wide : bool
        True for T30, False for T20.

    References
    ----------
    ISO 3382-2:2008, 7.1: standard deviations for T20 and T30; an integrated impulse response counts as 10 decays.
    """
    bandwidth_hz = 0.71 * middle_hz
    factor, term = (0.55, 1.52) if wide else (0.88, 1.90)
    return float(1.96 * factor * np.sqrt((1.0 + term / 10.0) / (bandwidth_hz * t_s)))
