"""Room at the seats from a recording of the sweeps: decays, clarity and speech transmission by octave, or the reason there is none.

Each number is told where two of the three loud sweeps agree on it within what people notice; else its reason stands in `not_measured`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.dsp.room_decay import NEEDED_DB, OCTAVES_HZ, reverberation_pm
from deskhand.dsp.speech_transmission import OCTAVES_HZ as SPEECH_OCTAVES_HZ
from deskhand.dsp.speech_transmission import STI_STEP, speech_transmission_index
from deskhand.seat.room_noise import NoiseReading, read_noise
from deskhand.seat.room_response import (
    SweepReading,
    early_likeness,
    expected_likeness,
    read_sweep,
    sweep_segment,
)
from deskhand.seat.sweep_plan import SHAPE, TAIL_S
from deskhand.seat.sweep_search import find_sweeps
from deskhand.units import finite, hertz, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.seat.sweep_search import SweepRun

    Array = NDArray[np.float64]

RemarkKind = Literal[
    "clipped", "unlike", "moved", "hum", "noise", "distortion", "compressed", "clock", "played-again",
]  # fmt: skip
NOTICED: Final = {"edt_s": 0.05, "t20_s": 0.05, "t30_s": 0.05, "c50_db": 1.0, "c80_db": 1.0, "d50": 0.05, "ts_s": 0.01}
"""Smallest change that is noticed: times of decay by share, the rest as it stands (ISO 3382-1:2009, Table A.1; C50 as C80)."""
RELATIVE: Final = frozenset({"edt_s", "t20_s", "t30_s"})
"""Numbers of which a share is noticed."""
_LEAST_LIKENESS: Final = 0.97
"""Likeness of two early sounds from which the microphone stood still, against what noise leaves; the study `validations/room_sweep.py`."""
_LEAST_BT: Final = 8.0
"""Bandwidth times early decay time from which an octave filter without phase takes less than 2 % (Jacobsen & Rindel 1987: 4 for filters run
backwards, 16 forwards)."""
_OCTAVE_SHARE: Final = 0.71
"""Width of an octave against its middle (IEC 61260-1:2014, formulas 4 and 5)."""
_MOST_OF_IT: Final = 0.5
"""Share of an octave's noise from which it is hum."""
_HUM_DB: Final = 10.0
"""Range that is needed on top where the noise is hum: a steady tone adds to the decay or takes from it, noise does both; the study
`validations/room_sweep.py`."""
_OVER_HUM_DB: Final = 20.0
"""Height above hum from which distortion is no hum: hum fills the whole window, a harmonic its beginning. The study
`validations/room_sweep.py`."""
_LEAST_CLEAR_BT: Final = 30.0
"""Bandwidth times early decay time from which a filter of that width blurs the limit of 50 or 80 ms by less than 1 dB: over one part in its bandwidth a
decay falls by 2 dB, half of it on either side. The study `validations/room_sweep.py`."""
_CLARITIES: Final = frozenset({"c50_db", "c80_db"})
"""Numbers with a sharp limit in time."""
_DISTORTION_DB: Final = -26.0
"""Distortion from which it is said: 5 %. Common practice, no source."""
_COMPRESSED_DB: Final = 1.0
"""Gain that the loud sweeps lose from which a limiter or an amplifier holds them back. Common practice, no source."""
_CLOCK_PPM: Final = 20.0
"""Difference of clocks from which it is said: two devices without a common clock. Common practice, no source."""
_LEAST_SWEEPS: Final = 2
"""Loud sweeps that must be alike: each checks the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomRemark:
    """Something about a measurement at a seat that a reader has to know."""

    kind: RemarkKind
    octaves_hz: tuple[float, ...] = ()
    at_s: tuple[float, ...] = ()
    """Starts of the sweeps concerned, in the recording."""
    value: float | None = None
    """Largest value: dB, percent or ppm, by the kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveRoom:
    """Room in one octave at one seat."""

    octave_hz: float
    edt_s: float | None = None
    t20_s: float | None = None
    t20_pm_s: float | None = None
    """Half the width of its 95 % interval as one place of the room (ISO 3382-2:2008, 7.1)."""
    t30_s: float | None = None
    t30_pm_s: float | None = None
    """Half the width of its 95 % interval as one place of the room."""
    c50_db: float | None = None
    c80_db: float | None = None
    d50: float | None = None
    ts_s: float | None = None
    range_db: float | None = None
    """Distance of the start of the decay above the noise."""
    distortion_db: float | None = None
    """Second and third harmonic against the fundamental; None where they lie in the noise."""
    compression_db: float | None = None
    """Gain that is lost from the middle sweep to the loud ones."""
    noise_dbfs: float | None = None
    """Noise of the track in front of the sweeps."""
    not_measured: dict[str, str] = field(default_factory=dict)
    """Number to the reason why there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatRoom:
    """Room at one seat."""

    seat: str
    track: str
    refused: str | None = None
    """Reason why nothing of it is told; None where something is."""
    octaves: tuple[OctaveRoom, ...] = ()
    transfer: tuple[tuple[float, ...], ...] | None = None
    """(7, 14) modulation that the room leaves of speech; None where an octave of speech is not told."""
    sti_room: float | None = None
    """Speech transmission index of the room alone: no noise, no level."""
    not_measured: dict[str, str] = field(default_factory=dict)
    """`sti_room` to the reason why there is none."""
    clock_ppm: float | None = None
    sweeps_s: tuple[float, ...] = ()
    """Starts of the loud sweeps that were used."""
    remarks: tuple[RoomRemark, ...] = ()


def _agreeing(values: Sequence[float], tolerance: float) -> float | None:
    """Mean of the two values that are nearest to each other and of those beside them; None where the two are further apart than noticed."""
    if len(values) < _LEAST_SWEEPS:
        return None
    first, second = min(itertools.combinations(values, 2), key=lambda pair: abs(pair[0] - pair[1]))
    if abs(first - second) > tolerance:
        return None
    middle = 0.5 * (first + second)
    return float(np.mean([value for value in values if abs(value - middle) <= tolerance]))


def _distortion_db(row: int, readings: Sequence[SweepReading], noise: NoiseReading) -> float | None:
    """Distortion of an octave; None where it lies in the noise, or may be hum in the octave of the second harmonic."""
    # noise can only add to it: the least of two or more is nearest
    levels_db = [value for reading in readings if np.isfinite(value := float(reading.distortion_db[row]))]
    if len(levels_db) < _LEAST_SWEEPS:
        return None
    second = min(row + 1, len(OCTAVES_HZ) - 1)
    range_db = float(np.median([reading.decays[second].range_db for reading in readings]))
    if noise.hum_share[second] > _MOST_OF_IT and min(levels_db) < _OVER_HUM_DB - range_db:
        return None
    return min(levels_db)


def _octave_room(
    row: int, readings: Sequence[SweepReading], middle: SweepReading | None, noise: NoiseReading
) -> OctaveRoom:
    """Numbers of one octave from the sweeps that are alike."""
    octave_hz = OCTAVES_HZ[row]
    decays = [reading.decays[row] for reading in readings]
    range_db = float(np.median([decay.range_db for decay in decays]))
    values: dict[str, float | None] = {}
    reasons: dict[str, str] = {}
    is_hum = noise.hum_share[row] > _MOST_OF_IT
    early_s = _agreeing([decay.edt_s for decay in decays if decay.edt_s is not None], np.inf) or 0.0
    filled = _OCTAVE_SHARE * octave_hz * early_s
    for name in NOTICED:
        values_told = [value for decay in decays if (value := getattr(decay, name)) is not None]
        tolerance = NOTICED[name] * (float(np.median(values_told)) if values_told and name in RELATIVE else 1.0)
        needed_db = NEEDED_DB.get(name, NEEDED_DB["energy"]) + (_HUM_DB if is_hum else 0.0)
        value = _agreeing(values_told, tolerance)
        if range_db < needed_db or len(values_told) < _LEAST_SWEEPS:
            height = "does not stand" if not range_db > 0.0 else f"stands only {number(range_db, 0)} dB"
            reasons[name] = (
                f"the sweep {height} above {'hum' if is_hum else 'the noise'}; {number(needed_db, 0)} dB are needed"
            )
        elif value is None:
            reasons[name] = "the sweeps differ by more than is noticed: something sounded during one of them"
        elif name in RELATIVE and filled < _LEAST_BT:
            reasons[name] = "the room is too dry for it: the sound dies away as fast as the octave's filter rings"
        elif name in _CLARITIES and filled < _LEAST_CLEAR_BT:
            reasons[name] = (
                "the room is too dry for it: what arrives before and after the limit runs together in so narrow an octave"
            )
        values[name] = None if name in reasons else value
    uncertainty = {
        f"{name[:3]}_pm_s": None
        if (value := values[name]) is None
        else value * reverberation_pm(value, octave_hz, wide=name == "t30_s")
        for name in ("t20_s", "t30_s")
    }
    compression = (
        np.nan if middle is None else middle.gain_db[row] - float(np.median([each.gain_db[row] for each in readings]))
    )
    return OctaveRoom(
        octave_hz=octave_hz,
        **values,
        **uncertainty,
        range_db=finite(range_db),
        distortion_db=_distortion_db(row, readings, noise),
        compression_db=finite(float(compression)),
        noise_dbfs=None if noise.octave_dbfs is None else finite(float(noise.octave_dbfs[row])),
        not_measured=reasons,
    )


def _alike(readings: Sequence[SweepReading]) -> list[SweepReading]:
    """Largest group of sweeps with the same early sound, the later one of two."""

    def is_like(first: SweepReading, second: SweepReading) -> bool:
        return early_likeness(first, second) > _LEAST_LIKENESS * expected_likeness(first, second)

    groups = [
        list(group)
        for size in range(len(readings), 0, -1)
        for group in itertools.combinations(readings, size)
        if all(is_like(first, second) for first, second in itertools.combinations(group, 2))
    ]
    return max(groups, key=lambda group: (len(group), group[-1].sweep.start_s), default=[])


def _remarks(octaves: Sequence[OctaveRoom], noise: NoiseReading, run: SweepRun) -> list[RoomRemark]:
    """Remarks on what the numbers themselves show."""

    def beyond(kind: RemarkKind, values: Sequence[float | None], limit: float) -> list[RoomRemark]:
        beyond_hz = [
            (value, octave.octave_hz)
            for value, octave in zip(values, octaves, strict=True)
            if value is not None and value > limit
        ]
        return (
            [RoomRemark(kind=kind, octaves_hz=tuple(hz for _, hz in beyond_hz), value=max(beyond_hz)[0])]
            if beyond_hz
            else []
        )

    hums = [
        share if octave.range_db is not None and octave.range_db < NEEDED_DB["t30_s"] + _HUM_DB else None
        for share, octave in zip(noise.hum_share, octaves, strict=True)
    ]
    remarks = beyond("hum", hums, _MOST_OF_IT)
    remarks += beyond("distortion", [octave.distortion_db for octave in octaves], _DISTORTION_DB)
    remarks += beyond("compressed", [octave.compression_db for octave in octaves], _COMPRESSED_DB)
    if abs(run.clock_ppm) > _CLOCK_PPM:
        remarks.append(RoomRemark(kind="clock", value=run.clock_ppm))
    if run.other_runs:
        remarks.append(RoomRemark(kind="played-again", value=float(run.other_runs)))
    return remarks


def _readings(samples: Array, run: SweepRun, sample_rate_hz: int) -> list[SweepReading]:
    """Readings of the loud sweeps and of the one before them."""
    rate_hz = sample_rate_hz * (1.0 + 1e-6 * run.clock_ppm)
    length_s = SHAPE.length_s + TAIL_S
    quieter = [sweep for sweep in run.sweeps if not sweep.planned.is_loud]
    return [
        read_sweep(
            sweep_segment(samples, sweep, sample_rate_hz=sample_rate_hz, end_s=sweep.start_s + length_s),
            sweep,
            sample_rate_hz=rate_hz,
        )
        # the quietest is for whoever sets the level
        for sweep in (*quieter[-1:], *(sweep for sweep in run.sweeps if sweep.planned.is_loud))
    ]


def _left_out(loud: Sequence[SweepReading], alike: Sequence[SweepReading]) -> list[RoomRemark]:
    """Remarks on loud sweeps that are not used."""
    clipped = tuple(round(reading.sweep.start_s, 1) for reading in loud if reading.is_clipped)
    unlike = tuple(
        round(reading.sweep.start_s, 1) for reading in loud if not reading.is_clipped and reading not in alike
    )
    remarks = [RoomRemark(kind="clipped", at_s=clipped)] if clipped else []
    return remarks + ([RoomRemark(kind="unlike", at_s=unlike)] if unlike else [])


def measure_seat(samples: Array, *, seat: str, track: str, sample_rate_hz: int, mains_hz: float = 50.0) -> SeatRoom:
    """Room at a seat from its track.

    Parameters
    ----------
    samples : (frames,) array
        Recording of the sweeps; silence in front of them tells the noise.
    seat, track : str
        Names for the result.
    sample_rate_hz : int
    mains_hz : float
        For telling hum from other noise.

    Returns
    -------
    SeatRoom
        `refused` says why nothing is told.
    """
    run = find_sweeps(samples, sample_rate_hz=sample_rate_hz)
    if run is None:
        reason = "no sweep is in it; play the file that --write-sweep writes, and record the seat meanwhile"
        return SeatRoom(seat=seat, track=track, refused=reason)
    noise = read_noise(samples, run, sample_rate_hz=sample_rate_hz, mains_hz=mains_hz)
    readings = _readings(samples, run, sample_rate_hz)
    loud = [reading for reading in readings if reading.sweep.planned.is_loud]
    clean = [reading for reading in loud if not reading.is_clipped]
    alike = _alike(clean)
    remarks = _left_out(loud, alike)
    if len(alike) < _LEAST_SWEEPS:
        return SeatRoom(
            seat=seat,
            track=track,
            refused=_refusal(loud, clean),
            clock_ppm=round(run.clock_ppm, 1),
            remarks=tuple(remarks),
        )
    middle = next(
        (reading for reading in readings if not reading.sweep.planned.is_loud and reading in _alike([reading, *alike])),
        None,
    )
    octaves = tuple(_octave_room(row, alike, middle, noise) for row in range(len(OCTAVES_HZ)))
    transfer, index, reasons = _speech(alike, octaves)
    return SeatRoom(
        seat=seat,
        track=track,
        octaves=octaves,
        transfer=transfer,
        sti_room=index,
        not_measured=reasons,
        clock_ppm=round(run.clock_ppm, 1),
        sweeps_s=tuple(round(reading.sweep.start_s, 2) for reading in alike),
        remarks=(*remarks, *_remarks(octaves, noise, run)),
    )


def _refusal(loud: Sequence[SweepReading], clean: Sequence[SweepReading]) -> str:
    """Reason why too few loud sweeps are left."""
    if len(loud) < _LEAST_SWEEPS:
        return f"{len(loud)} of the three loud sweeps are in it, two are needed; record the file to its end"
    if len(clean) < _LEAST_SWEEPS:
        return "the loud sweeps are clipped; turn the microphone's preamp down and record again"
    return "no two of the loud sweeps sound alike: the microphone was moved, or something else sounded; leave it where it is, and record again"


def _speech(
    alike: Sequence[SweepReading], octaves: Sequence[OctaveRoom]
) -> tuple[tuple[tuple[float, ...], ...] | None, float | None, dict[str, str]]:
    """Modulation transfers and index of the room alone, or the reason for none."""
    missing = [octave for octave in octaves if octave.octave_hz in SPEECH_OCTAVES_HZ and octave.ts_s is None]
    if missing:
        octave = missing[0]
        return None, None, {"sti_room": f"at {hertz(octave.octave_hz)} {octave.not_measured['ts_s']}"}
    indices = [speech_transmission_index(reading.transfer) for reading in alike]
    index = _agreeing(indices, STI_STEP)
    if index is None:
        return (
            None,
            None,
            {"sti_room": "the sweeps differ by more than is noticed: something sounded during one of them"},
        )
    near = [reading.transfer for reading, each in zip(alike, indices, strict=True) if abs(each - index) <= STI_STEP]
    mean = np.mean(near, axis=0)
    transfer = tuple(tuple(round(float(value), 4) for value in row) for row in mean)
    return transfer, speech_transmission_index(mean), {}
