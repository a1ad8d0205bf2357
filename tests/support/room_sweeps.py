"""Invented rooms, recordings of the sweeps in them with something wrong, and the same numbers read from the bare response by scipy.

A room is noise that decays by octaves behind a direct sound and a few reflections. Another place in it is as much alike as two places of a
diffuse field are: sin(kd)/(kd) (Cook et al. 1955).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np
import scipy.signal as ss

from deskhand.dsp.room_decay import OCTAVES_HZ, onset_frame, reverberation_pm
from deskhand.dsp.speech_transmission import modulation_transfer, speech_transmission_index
from deskhand.result import plain
from deskhand.seat.room import OctaveRoom, SeatRoom, measure_seat
from deskhand.seat.room_change import room_change
from deskhand.seat.room_response import response_decays
from deskhand.seat.sweep_plan import PLAN, SHAPE, SILENCE_S, sweep_signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.seat.room_change import RoomComparison

RATE_HZ: Final = 48000
_SPEED_M_S: Final = 343.4
"""Speed of sound at 20 degrees (speed_of_sound.csv)."""
Trouble = Literal["clean", "noise", "hum", "applause", "knock", "clipped", "drift", "moved", "limiter", "several"]
TROUBLES: Final[tuple[Trouble, ...]] = get_args(Trouble)
TOLERANCES: Final = {"t20_s": 0.05, "c80_db": 1.0, "sti_room": 0.03}
"""What nobody notices (ISO 3382-1:2009, Table A.1; Bradley, Reich & Norcross 1999)."""


def octave_filter(signal: np.ndarray, octave_hz: float) -> np.ndarray:
    """Signal through scipy's Butterworth band-pass of the octave, backwards in time: its ring lies in front of the sound."""
    exact_hz = 1000.0 * 10.0 ** (0.3 * round(np.log2(octave_hz / 1000.0)))
    edges_hz = exact_hz * 10.0**-0.15, min(exact_hz * 10.0**0.15, 0.49 * RATE_HZ)
    return np.asarray(ss.sosfilt(ss.butter(3, edges_hz, "bandpass", fs=RATE_HZ, output="sos"), signal[::-1])[::-1])


def made_parts(
    rng: np.random.Generator,
    *,
    length_s: float = 3.5,
    longer: float = 1.0,
    elsewhere: np.random.Generator | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Direct sound with a few reflections, and the tail, of an invented room.

    It rings for 0.5 to 2.2 s in the middle, longer below, shorter above; `longer` times that. `elsewhere` draws the tail of another place
    of the same room.
    """
    middle_s = float(np.exp(rng.uniform(np.log(0.5), np.log(2.2))))
    tilt = float(rng.uniform(0.0, 0.12))
    frames = round(length_s * RATE_HZ)
    time_s = np.arange(frames) / RATE_HZ
    tail = np.zeros(frames)
    noise = rng.standard_normal(frames)
    if elsewhere is not None:
        noise = elsewhere.standard_normal(frames)
    for octave_hz in (*OCTAVES_HZ, 16000.0):
        t_s = longer * middle_s * (octave_hz / 700.0) ** -tilt
        tail += octave_filter(noise, octave_hz) * 10.0 ** (-3.0 * time_s / t_s)
    tail *= 10.0 ** (rng.uniform(-12.0, 3.0) / 20.0) / np.sqrt(np.sum(tail**2))
    early = np.zeros(frames)
    early[0] = 1.0
    for _ in range(6):
        early[round(rng.uniform(0.004, 0.06) * RATE_HZ)] += rng.uniform(0.1, 0.4) * rng.choice([-1.0, 1.0])
    ahead = np.zeros(round(0.03 * RATE_HZ))
    return np.concatenate([ahead, early]), np.concatenate([ahead, tail])


def made_response(rng: np.random.Generator, *, length_s: float = 3.5) -> np.ndarray:
    """Response of an invented room."""
    return np.sum(made_parts(rng, length_s=length_s), axis=0)


def another_place(response: np.ndarray, other: np.ndarray, distance_m: float) -> np.ndarray:
    """Response at a distance from the first: as much alike as places of a diffuse field are, the rest as the other room has it."""
    size = 2 * response.size
    frequency_hz = np.arange(size // 2 + 1) * RATE_HZ / size
    alike = np.sinc(2.0 * frequency_hz * distance_m / _SPEED_M_S)
    spectrum = alike * np.fft.rfft(response, size) + np.sqrt(1.0 - alike**2) * np.fft.rfft(other, size)
    return np.asarray(np.fft.irfft(spectrum, size)[: response.size])


def reference(response: np.ndarray) -> dict[str, dict[float, float]]:
    """T20 and C80 by octave, from a response without noise: Schroeder's integral and a straight line; cut at 80 ms first, then filtered.

    Cutting before filtering keeps the filter's delay out of C80 (ISO 3382-1:2009, A.2.3 and 5.3.2).
    """
    start = int(np.argmax(np.abs(response) > 0.1 * np.abs(response).max()))
    values: dict[str, dict[float, float]] = {"t20_s": {}, "c80_db": {}}
    for octave_hz in OCTAVES_HZ:
        power = octave_filter(np.concatenate([np.zeros(RATE_HZ // 4), response]), octave_hz) ** 2
        power = power[: power.size - RATE_HZ // 4]
        begin = start + RATE_HZ // 4
        curve = np.cumsum(power[::-1])[::-1]
        level_db = 10.0 * np.log10(curve[begin:] / curve[0])
        first, last = int(np.argmax(level_db < -5.0)), int(np.argmax(level_db < -25.0))
        slope = np.polyfit(np.arange(first, last) / RATE_HZ, level_db[first:last], 1)[0]
        limit = start + round(0.08 * RATE_HZ)
        silence = np.zeros(RATE_HZ // 4)
        early, late = (
            float(np.sum(octave_filter(np.concatenate([silence, part, silence]), octave_hz) ** 2))
            for part in (response[:limit], response[limit:])
        )
        values["t20_s"][octave_hz] = -60.0 / slope
        values["c80_db"][octave_hz] = 10.0 * np.log10(early / late)
    return values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepCase:
    """A recording of the sweeps, and the responses that may be in it."""

    trouble: Trouble
    samples: np.ndarray
    responses: tuple[np.ndarray, ...]
    """Two where the microphone was moved: either is right."""
    degree: str
    """How strong the trouble is, in words."""


def _claps(rng: np.random.Generator, frames: int, level: float) -> np.ndarray:
    """Applause: many short bursts at random, each a few ms of noise."""
    impulses = (rng.random(frames) < 60.0 / RATE_HZ) * rng.uniform(0.3, 1.0, frames) * rng.choice([-1.0, 1.0], frames)
    decay = rng.standard_normal(round(0.02 * RATE_HZ)) * np.exp(-np.arange(round(0.02 * RATE_HZ)) / (0.004 * RATE_HZ))
    claps = ss.oaconvolve(impulses, decay)[:frames]
    return np.asarray(level * claps / max(float(np.sqrt(np.mean(claps**2))), 1e-12))


def _drifted(signal: np.ndarray, ppm: float) -> np.ndarray:
    """Signal as a clock that is fast by some parts in a million samples it."""
    times = np.arange(signal.size) / (1.0 + 1e-6 * ppm)
    # four times the rate, then straight lines: -80 dB at 8 kHz
    fine = ss.resample_poly(signal, 8, 1)
    return np.asarray(np.interp(times * 8.0, np.arange(fine.size), fine))


def _played(response: np.ndarray, source: np.ndarray) -> np.ndarray:
    return np.asarray(ss.oaconvolve(source, response)[: source.size])


def sweep_case(trouble: Trouble, rng: np.random.Generator) -> SweepCase:
    """A recording with a trouble of random degree; `several` has two or three at once."""
    source, response = sweep_signal(), made_response(rng)
    responses: tuple[np.ndarray, ...] = (response,)
    wrongs: Sequence[Trouble] = (trouble,)
    if trouble == "several":
        wrongs = tuple(
            rng.choice(["noise", "hum", "applause", "knock", "drift", "moved"], size=rng.integers(2, 4), replace=False)
        )
    degrees = []
    if "limiter" in wrongs:
        top_db = float(rng.uniform(3.0, 12.0))
        knee = 10.0 ** (-20.0 / 20.0) * 10.0 ** ((6.0 - top_db) / 20.0)
        # at four times the rate: a loudspeaker's harmonics do not fold back
        source = ss.resample_poly(knee * np.tanh(ss.resample_poly(source, 4, 1) / knee), 1, 4)
        degrees.append(f"bent {top_db:.0f} dB")
    samples = _played(response, source)
    level = float(np.sqrt(np.mean(samples[-RATE_HZ * 10 :] ** 2)))
    if "moved" in wrongs:
        distance_m = float(np.exp(rng.uniform(np.log(0.05), np.log(1.0))))
        moment_s = float(rng.uniform(SILENCE_S + PLAN[1].start_s, SILENCE_S + PLAN[-1].start_s + SHAPE.length_s))
        second = another_place(response, made_response(rng), distance_m)
        after = _played(second, source)
        frame = round(moment_s * RATE_HZ)
        samples = np.concatenate([samples[:frame], after[frame:]])
        responses = (response, second)
        degrees.append(f"{distance_m:.2f} m at {moment_s:.0f} s")
    if "drift" in wrongs:
        ppm = float(rng.choice([-50.0, 50.0]))
        samples = _drifted(samples, ppm)
        degrees.append(f"{ppm:.0f} ppm")
    ratio_db = float(rng.uniform(15.0, 40.0)) if "noise" in wrongs else float(rng.uniform(50.0, 65.0))
    pink = np.fft.irfft(
        np.fft.rfft(rng.standard_normal(samples.size)) / np.sqrt(np.maximum(np.arange(samples.size // 2 + 1), 20.0)),
        samples.size,
    )
    samples = samples + pink / np.sqrt(np.mean(pink**2)) * level * 10.0 ** (-ratio_db / 20.0)
    if "noise" in wrongs:
        degrees.append(f"noise {ratio_db:.0f} dB down")
    if "hum" in wrongs:
        ratio_db = float(rng.uniform(5.0, 45.0))
        time_s = np.arange(samples.size) / RATE_HZ
        hum = sum(np.sin(2.0 * np.pi * 50.0 * k * time_s + rng.uniform(0.0, 6.0)) / k for k in range(1, 9))
        samples = samples + hum / np.sqrt(np.mean(hum**2)) * level * 10.0 ** (-ratio_db / 20.0)
        degrees.append(f"hum {ratio_db:.0f} dB down")
    if "applause" in wrongs:
        ratio_db, begin_s = float(rng.uniform(0.0, 30.0)), float(rng.uniform(5.0, 60.0))
        length = min(round(rng.uniform(2.0, 25.0) * RATE_HZ), samples.size - round(begin_s * RATE_HZ))
        samples = samples.copy()
        samples[round(begin_s * RATE_HZ) :][:length] += _claps(rng, length, level * 10.0 ** (-ratio_db / 20.0))
        degrees.append(f"applause {ratio_db:.0f} dB down from {begin_s:.0f} s for {length / RATE_HZ:.0f} s")
    if "knock" in wrongs:
        samples = samples.copy()
        for _ in range(int(rng.integers(1, 8))):
            begin = round(rng.uniform(SILENCE_S, 60.0) * RATE_HZ)
            frames = round(0.4 * RATE_HZ)
            burst = rng.standard_normal(frames) * np.exp(-np.arange(frames) / (rng.uniform(0.01, 0.1) * RATE_HZ))
            samples[begin : begin + frames] += level * 10.0 ** (rng.uniform(-20.0, 10.0) / 20.0) * burst
        degrees.append("knocks")
    if "clipped" in wrongs:
        share = float(rng.uniform(0.4, 0.97))
        top = share * float(np.abs(samples).max())
        samples = np.clip(samples, -top, top)
        degrees.append(f"at {share:.2f} of the peak")
    bits = 0.4 / float(np.abs(samples).max())
    samples = np.round(samples * bits * 2**23) / 2**23
    return SweepCase(trouble=trouble, samples=samples, responses=responses, degree=", ".join(degrees))


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepVerdict:
    """Outcome of one case: how many numbers are right, refused, or wrong."""

    trouble: Trouble
    right: int
    refused: int
    wrong: int
    worst_t20: float
    """Largest error of a T20 that was told, as a share."""
    worst_c80_db: float
    whole_refused: str | None
    remarks: tuple[str, ...]
    clock_ppm: float | None
    wrong_ones: tuple[str, ...]


def judged(case: SweepCase) -> SweepVerdict:
    """Measure a case and set it beside its truth: T20 and C80 in each octave."""
    seat = measure_seat(case.samples, seat="seat", track="seat", sample_rate_hz=RATE_HZ)
    truths = [reference(response) for response in case.responses]
    best = min((_against(seat, truth) for truth in truths), key=lambda counts: (len(counts[1]), counts[2] + counts[3]))
    right, wrong_ones, worst_t20, worst_c80_db = best
    numbers = 2 * len(OCTAVES_HZ)
    return SweepVerdict(
        trouble=case.trouble,
        right=right,
        wrong=len(wrong_ones),
        refused=numbers - right - len(wrong_ones),
        worst_t20=worst_t20,
        worst_c80_db=worst_c80_db,
        whole_refused=seat.refused,
        remarks=tuple(remark.kind for remark in seat.remarks),
        clock_ppm=seat.clock_ppm,
        wrong_ones=tuple(wrong_ones),
    )


def _against(seat: SeatRoom, truth: dict[str, dict[float, float]]) -> tuple[int, list[str], float, float]:
    """Right numbers, the wrong ones in words, and the worst errors of T20 (share) and C80 (dB)."""
    right, wrong, worst = 0, [], {"t20_s": 0.0, "c80_db": 0.0}
    for octave in seat.octaves:
        for name in ("t20_s", "c80_db"):
            value, true = getattr(octave, name), truth[name][octave.octave_hz]
            if value is None:
                continue
            error = abs(value - true) / (true if name == "t20_s" else 1.0)
            worst[name] = max(worst[name], error)
            if error <= tolerance(name, octave):
                right += 1
            else:
                wrong.append(f"{name} {octave.octave_hz:g} Hz {value:.2f} for {true:.2f}")
    return right, wrong, worst["t20_s"], worst["c80_db"]


def tolerance(name: str, octave: OctaveRoom) -> float:
    """What nobody notices, and on top what two octave filters may read differently: at 63 Hz as much again."""
    return TOLERANCES[name] * (2.0 if octave.octave_hz < 100.0 else 1.0)


def room_of_response(response: np.ndarray) -> SeatRoom:
    """Seat whose room is read from a bare response: as a clean recording of the sweeps would tell it."""
    decays, cleaned = response_decays(response, onset_frame(response), sample_rate_hz=RATE_HZ)
    octaves = tuple(
        OctaveRoom(
            octave_hz=octave_hz,
            t20_s=decay.t20_s,
            t20_pm_s=None
            if decay.t20_s is None
            else decay.t20_s * reverberation_pm(decay.t20_s, octave_hz, wide=False),
            c80_db=decay.c80_db,
        )
        for octave_hz, decay in zip(OCTAVES_HZ, decays, strict=True)
    )
    index = speech_transmission_index(modulation_transfer(np.array(cleaned[1:]), sample_rate_hz=RATE_HZ))
    return SeatRoom(seat="seat", track="seat", octaves=octaves, sti_room=index)


def put_up_again(number: int, *, distance_m: float, longer: float = 1.0) -> RoomComparison:
    """Comparison of a room with itself a season later: the microphone stands a little apart, and the room rings longer."""
    first = made_response(np.random.default_rng([91, number]))
    early, tail = made_parts(np.random.default_rng([91, number]), longer=longer)
    _, apart = made_parts(
        np.random.default_rng([91, number]), longer=longer, elsewhere=np.random.default_rng([92, number])
    )
    seat = room_of_response(early + another_place(tail, apart, distance_m))
    return room_change(seat, plain(room_of_response(first)), measured_at="2026-03-01")
