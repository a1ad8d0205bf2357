"""Calibration of a measurement microphone from the recorded tone of a sound calibrator."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.errors import MeasureError, UsageError
from deskhand.seat.levels import Sensitivity
from deskhand.seat.meter import is_cut
from deskhand.units import db_from_amplitude, db_from_power, number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array64 = NDArray[np.float64]

LEVELS_DB: Final = (94.0, 114.0)
"""Levels that sound calibrators make at 1 kHz (IEC 60942:2017, 5.3.2 asks for 94 dB or another that its maker states)."""
_LEVEL_ROOM_DB: Final = 0.5
"""How far a level may be from those: a calibrator's certificate, and the correction to a microphone's free field. Common practice, no source."""
TONE_HZ: Final = 1000.0
"""Frequency at which sound calibrators are made to work (IEC 60942:2017)."""
_FREQUENCY_ROOM: Final = 0.02
"""Deviation of the frequency of a class 2 calibrator (IEC 60942, from memory, confirmed in no second text)."""
_SHORTEST_S: Final = 5.0
"""Steady tone that is asked for. Common practice, no source."""
_WINDOW_S: Final = 0.25
"""Length of the windows whose level has to stay the same: 250 waves of the tone. Common practice, no source."""
_STEADY_DB: Final = 0.2
"""Range of level within a steady tone; a calibrator itself keeps 0.1 dB (IEC 60942, from memory, confirmed in no second text)."""
_DISTORTION_PCT: Final = 4.0
"""Harmonics of a class 2 calibrator's tone against it (IEC 60942, from memory, confirmed in no second text)."""
_NOISE_DB: Final = -26.0
"""Noise against the tone up to which it changes the level by less than 0.01 dB. Arithmetic."""
_CALIBRATOR_DB: Final = 0.4
"""Limit of a class 2 calibrator's level, either way (IEC 60942:2017, from memory, confirmed in no second text)."""
DRIFT_DB: Final = 0.5
"""Change between two calibrations from which on the readings between them are in doubt (ISO 9612:2009, 12.2)."""
_HARMONICS: Final = 5
"""Highest harmonic that is looked at: what a bent membrane or a full converter makes. Common practice, no source."""
CALIBRATION_VERSION: Final = 1
"""Version of what the history holds of a calibration: the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Calibration of one microphone behind one preamp at one gain."""

    offset_db: float
    """Sound pressure level in dB of a mean square of 1.0 of digital full scale."""
    level_db: float
    """Level of the calibrator."""
    tone_dbfs: float
    """Level of the recorded tone: a full-scale sine reads 0."""
    frequency_hz: float
    distortion_pct: float
    range_db: float
    """Range of its level while it is steady."""
    from_s: float
    to_s: float
    """Steady tone in the recording."""
    preamp_db: float | None = None
    """Gain that the preamp showed; None: nobody wrote it down."""
    pad_db: float = 0.0
    measured_at: str = ""
    microphone: str = ""
    seat: str = ""

    @property
    def standard_uncertainty_db(self) -> float:
        """Standard uncertainty: of the calibrator, as if of class 2, and of the tone's range; both rectangular."""
        return float(np.sqrt(_CALIBRATOR_DB**2 / 3.0 + (self.range_db / 2.0) ** 2 / 3.0))

    @property
    def uncertainty_db(self) -> float:
        """Expanded uncertainty, two-sided 95 %."""
        return 2.0 * self.standard_uncertainty_db

    def content(self) -> dict[str, Any]:
        """Values as the history keeps them."""
        names = (
            "offset_db",
            "level_db",
            "tone_dbfs",
            "frequency_hz",
            "distortion_pct",
            "range_db",
            "from_s",
            "to_s",
            "preamp_db",
            "pad_db",
        )
        return {name: getattr(self, name) for name in names} | {"uncertainty_db": self.uncertainty_db}  # fmt: skip


def calibration_of(content: Mapping[str, Any], *, measured_at: str, microphone: str, seat: str) -> Calibration:
    """Calibration from what the history holds.

    Raises
    ------
    ValueError
        A value is missing or is no number.
    """
    numbers: dict[str, Any] = {}
    for name in ("offset_db", "level_db", "tone_dbfs", "frequency_hz", "distortion_pct", "range_db", "from_s", "to_s"):
        value = content.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"a calibration holds {value!r} as its {name}")  # noqa: TRY004 - damaged data, not a caller's mistake
        numbers[name] = float(value)
    preamp_db, pad_db = content.get("preamp_db"), content.get("pad_db", 0.0)
    return Calibration(
        **numbers,
        preamp_db=None if preamp_db is None else float(preamp_db),
        pad_db=float(pad_db),
        measured_at=measured_at,
        microphone=microphone,
        seat=seat,
    )


def calibrator_level_db(text: str) -> float:
    """Level of a calibrator as it is typed: "94 dB" or "114 dB", or what its certificate says near these.

    Raises
    ------
    UsageError
        It is none.
    """
    from deskhand.units import parse

    fix = 'write the level that stands on the calibrator, "94 dB" or "114 dB"'
    try:
        level_db = parse(text, "gain_db")
    except ValueError as error:
        raise UsageError(f'--level "{text}"', "is no level", fix) from error
    if min(abs(level_db - known) for known in LEVELS_DB) > _LEVEL_ROOM_DB:
        raise UsageError(f'--level "{text}"', "is no level of a calibrator at 1 kHz", fix)
    return level_db


def tone_level(signal: NDArray[np.float32], *, sample_rate_hz: int, level_db: float, where: str) -> Calibration:
    """Calibration from a stretch of one track that holds a calibrator's tone.

    Parameters
    ----------
    signal : (frames,) array
        Of digital full scale 1.0.
    sample_rate_hz : int
    level_db : float
        Level that the calibrator makes.
    where : str
        Recording and track, for messages.

    Raises
    ------
    MeasureError
        No steady tone, another frequency, too much distortion or noise, or a cut input: the reason, and what to do.
    """
    again = "fit the calibrator to the microphone, wait until it stands still, and record 10 s again"
    size = round(_WINDOW_S * sample_rate_hz)
    windows = signal[: signal.size // size * size].reshape(-1, size).astype(np.float64)
    with np.errstate(divide="ignore"):
        levels_db = db_from_power(np.var(windows, axis=1)) if windows.size else np.empty(0)
    start, end = _steadiest(levels_db)
    if (end - start) * _WINDOW_S < _SHORTEST_S:
        held = number((end - start) * _WINDOW_S)
        raise MeasureError(
            where,
            f"holds no tone that stays within {number(_STEADY_DB)} dB for {number(_SHORTEST_S, 0)} s (the longest stays for {held} s)",
            again,
        )
    tone = signal[start * size : end * size]
    if is_cut(tone):
        raise MeasureError(
            where, "the tone is cut at full scale", "turn the preamp down, write its gain down, and record it again"
        )
    fitted = _fitted_tone(tone.astype(np.float64), sample_rate_hz)
    _refuse(fitted, where, again)
    return Calibration(
        offset_db=level_db - float(db_from_power(fitted.amplitude**2 / 2.0)),
        level_db=level_db,
        tone_dbfs=float(db_from_amplitude(fitted.amplitude)),
        frequency_hz=fitted.frequency_hz,
        distortion_pct=fitted.distortion_pct,
        range_db=float(np.ptp(levels_db[start:end])),
        from_s=start * _WINDOW_S,
        to_s=end * _WINDOW_S,
    )


def _steadiest(levels_db: Array64) -> tuple[int, int]:
    """First and last window of the longest stretch whose levels stay within the range of a steady tone."""
    best, first = (0, 0), 0
    for last in range(levels_db.size):
        while not np.isfinite(levels_db[last]) or np.ptp(levels_db[first : last + 1]) > _STEADY_DB:
            first += 1
            if first > last:
                break
        if last + 1 - first > best[1] - best[0]:
            best = (first, last + 1)
    return best


@dataclass(frozen=True, slots=True)
class _FittedTone:
    """Sine in a recording, with what else is in it."""

    frequency_hz: float
    amplitude: float
    distortion_pct: float
    noise_db: float
    """Everything that is neither the tone nor a harmonic, against the tone."""


def _fitted_tone(signal: Array64, sample_rate_hz: int) -> _FittedTone:
    """Strongest tone of a stretch, by least squares at the frequency of its spectrum's highest line."""
    signal = signal - signal.mean()
    spectrum = np.abs(np.fft.rfft(signal * np.hanning(signal.size)))
    line = int(np.argmax(spectrum[1:-1])) + 1
    left, middle, right = np.log(np.maximum(spectrum[line - 1 : line + 2], 1e-300))
    bend = left - 2.0 * middle + right
    frequency_hz = (line + (0.5 * (left - right) / bend if bend else 0.0)) * sample_rate_hz / signal.size
    count = max(1, min(_HARMONICS, int(0.45 * sample_rate_hz / max(frequency_hz, 1.0))))
    time_s = np.arange(signal.size) / sample_rate_hz
    amplitudes, residue = [], signal
    for harmonic in range(1, count + 1):
        angle = 2.0 * np.pi * harmonic * frequency_hz * time_s
        waves = np.stack([np.cos(angle), np.sin(angle)])
        weights = np.linalg.lstsq(waves.T, residue, rcond=None)[0]
        residue = residue - weights @ waves
        amplitudes.append(float(np.hypot(*weights)))
    overtones = float(np.sqrt(np.sum(np.square(amplitudes[1:]))))
    noise = float(np.mean(residue**2)) / (amplitudes[0] ** 2 / 2.0) if amplitudes[0] else np.inf
    return _FittedTone(frequency_hz, amplitudes[0], 100.0 * overtones / amplitudes[0], float(db_from_power(noise)))


def _refuse(tone: _FittedTone, where: str, again: str) -> None:
    """Refuse what is no calibrator's tone."""
    if tone.noise_db > 0.0:
        raise MeasureError(where, "holds noise and no tone", again)
    if abs(tone.frequency_hz / TONE_HZ - 1.0) > _FREQUENCY_ROOM:
        raise MeasureError(
            where,
            f"the tone has {number(tone.frequency_hz)} Hz, a calibrator's has 1000 Hz",
            "see that this is the track, and the tone",
        )
    if tone.distortion_pct > _DISTORTION_PCT:
        raise MeasureError(
            where,
            f"the tone has {number(tone.distortion_pct)} % of harmonics, more than {number(_DISTORTION_PCT, 0)} %",
            f"put a new battery in the calibrator, see that nothing is overloaded, and {again}",
        )
    if tone.noise_db > _NOISE_DB:
        raise MeasureError(
            where, f"noise lies only {number(-tone.noise_db, 0)} dB below the tone", f"make it quiet around it; {again}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityChange:
    """Change of a microphone since its last calibration."""

    change_db: float
    """By how much more sensitive it is, the preamp's gain taken out."""
    since: str

    @property
    def is_large(self) -> bool:
        """True from 0.5 dB on."""
        return abs(self.change_db) > DRIFT_DB


def drift(new: Calibration, last: Calibration) -> SensitivityChange | None:
    """Change of sensitivity since the last calibration; None where the preamp's gain was not written down both times."""
    if (new.preamp_db is None) != (last.preamp_db is None):
        return None
    gain_db = _gain_db(new) - _gain_db(last)
    return SensitivityChange(change_db=(last.offset_db - new.offset_db) - gain_db, since=last.measured_at)


def _gain_db(calibration: Calibration) -> float:
    return (calibration.preamp_db or 0.0) - calibration.pad_db


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedCalibration:
    """Calibration as it holds for a recording, with what has to be said about it."""

    sensitivity: Sensitivity
    notes: tuple[str, ...] = field(default=())


def applied(
    calibration: Calibration | None,
    *,
    preamp_db: float | None,
    pad_db: float | None,
    own_noise_dba: float | None,
    date: str | None,
) -> AppliedCalibration:
    """Sensitivity at today's gain of the preamp.

    Parameters
    ----------
    calibration : Calibration or None
        The last one of this microphone; None: the readings are relative.
    preamp_db, pad_db : float or None
        What the house file says today.
    own_noise_dba : float or None
    date : str or None
        Of the recording, for what is said.
    """
    if calibration is None:
        note = "not calibrated: levels are relative, in dB re full scale; record a calibrator's tone, then: deskhand calibrate"
        return AppliedCalibration(sensitivity=Sensitivity(own_noise_dba=own_noise_dba), notes=(note,))
    turned_db, notes = 0.0, []
    day = calibration.measured_at[:10]
    if calibration.preamp_db is not None and preamp_db is not None:
        turned_db = (preamp_db - (pad_db or 0.0)) - _gain_db(calibration)
        if turned_db:
            notes.append(
                f"its preamp was turned by {number(turned_db)} dB since the calibration of {day}: taken into account"
            )
    else:
        notes.append(
            f'nobody wrote its preamp\'s gain down: levels hold if it stands as on {day}; write preamp = "... dB" into the house file'
        )
    if date is not None and date < day:
        notes.append(f"calibrated on {day}, after this recording")
    sensitivity = Sensitivity(
        offset_db=calibration.offset_db - turned_db,
        calibrated=True,
        own_noise_dba=own_noise_dba,
        calibration_u_db=calibration.standard_uncertainty_db,
    )
    return AppliedCalibration(sensitivity=sensitivity, notes=tuple(notes))
