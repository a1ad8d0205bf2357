"""Feed to seat in made rooms: how true delay and response are, and which changes of a loudspeaker are found against 3 kept weeks.

Rooms are boxes by image sources (pyroomacoustics, which this needs beside the project: pip install pyroomacoustics), two loudspeakers, one
microphone; the music is played by the demo's bands, mixed to two sides anew each evening; an audience talks 10 to 30 dB below it. Rooms and
bands of the two halves have other seeds. The truth is the room's response before any noise is added.

python -m validations.feed_to_seat [--half verify] [--rooms N] [--music FOLDER]        # FOLDER keeps the made music
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import soundfile
from scipy import signal

from deskhand.demo.season import ShowPlan, make_show
from deskhand.seat.arrivals import speed_of_sound_m_s
from deskhand.seat.feed import OCTAVES_HZ, PARTS, early_power, feed_response, feed_spectra, segment_frames

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from deskhand.seat.feed import FeedResponse

    Array = NDArray[np.float64]

RATE_HZ: Final = 48000
MUSIC_S: Final = 65.0
BANDS: Final = 8
ROOMS: Final = {"tune": 10, "verify": 25}
SEEDS: Final = {"tune": 25_000, "verify": 52_000}
KEPT: Final = 3
CLEAN: Final = 8
PANS: Final = {
    "kick": 0.0, "snare": 0.05, "oh l": -0.8, "oh r": 0.8, "bass": 0.0, "gtr a l": -0.9, "gtr a r": 0.4, "gtr b l": -0.4, "gtr b r": 0.9,
    "agtr": 0.3, "pno l": -0.7, "pno r": 0.7, "lead vox": 0.0, "bv 1": -0.3, "bv 2": 0.3, "spk lectern": 0.0, "spk hand": 0.0, "pb l": -1.0,
    "pb r": 1.0,
}  # fmt: skip
LOUDER: Final = ("kick", "snare", "lead vox")
ABSORPTION_HZ: Final = (125, 250, 500, 1000, 2000, 4000, 8000)
SEATED: Final = (0.12, 0.21, 0.33, 0.42, 0.45, 0.45, 0.42)
"""What a full audience adds to the floor's absorption."""
RESPONSE_DELAY: Final = 40
"""Samples by which the image-source library delays every response: half its fractional delay filter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Room with its loudspeakers and its seat."""

    size_m: tuple[float, float, float]
    walls: float
    ceiling: float
    floor: float
    rising: float
    """How much more is taken at 8 kHz than at 125 Hz."""
    left_m: tuple[float, float, float]
    right_m: tuple[float, float, float]
    seat_m: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """Conditions of one evening."""

    moved_m: tuple[float, float] = (0.0, 0.0)
    audience: float = 0.0
    humidity_pct: float = 50.0
    temperature_c: float = 20.0
    gain_db: float = 0.0
    """Of the microphone's preamp."""
    side: int = 0
    """Side of the planted change."""
    lost: bool = False
    above_db: float = 0.0
    """Level above 2 kHz of that side."""
    late_ms: float = 0.0


@dataclass(slots=True)
class Measured:
    """One evening as it was measured, beside its truth."""

    kind: str
    evening: Evening
    response: FeedResponse | None
    below_db: float
    """Audience noise below the music at the seat."""
    truth_ms: tuple[float, ...] = ()
    truth_db: tuple[tuple[float, ...], ...] = ()


@dataclass(slots=True)
class House:
    """One room with its kept weeks and its evenings."""

    seed: int
    room: Room
    kept: list[Measured] = field(default_factory=list)
    evenings: list[Measured] = field(default_factory=list)


def drawn_room(rng: np.random.Generator) -> Room:
    """Draw a hall for 50 to 500 people."""
    width, length, height = rng.uniform(10, 24), rng.uniform(14, 36), rng.uniform(4, 9)
    apart, up, front = rng.uniform(0.25, 0.4) * width, rng.uniform(2.5, min(height - 0.5, 5.0)), rng.uniform(1.0, 2.5)
    return Room(
        size_m=(width, length, height),
        walls=rng.uniform(0.06, 0.25),
        ceiling=rng.uniform(0.1, 0.4),
        floor=rng.uniform(0.05, 0.2),
        rising=rng.uniform(1.0, 2.0),
        left_m=(width / 2 - apart, front, up),
        right_m=(width / 2 + apart, front, up),
        seat_m=(rng.uniform(0.35, 0.65) * width, rng.uniform(0.45, 0.8) * length, 1.3),
    )


def responses(room: Room, evening: Evening) -> tuple[list[Array], tuple[float, ...]]:
    """Impulse responses of both sides, and the delays of their direct sound in s."""
    try:
        import pyroomacoustics as pra
    except ImportError:
        raise SystemExit("this study needs pyroomacoustics: pip install pyroomacoustics") from None

    def material(base: float, extra: tuple[float, ...] = (0.0,) * 7) -> Any:
        absorbed = np.clip(base * np.linspace(1.0, room.rising, 7) + np.array(extra), 0.02, 0.95)
        return pra.Material(energy_absorption={"coeffs": list(absorbed), "center_freqs": list(ABSORPTION_HZ)})

    walls = {name: material(room.walls) for name in ("east", "west", "north", "south")}
    floor = material(room.floor, tuple(evening.audience * share for share in SEATED))
    box = pra.ShoeBox(
        room.size_m,
        fs=RATE_HZ,
        materials={**walls, "ceiling": material(room.ceiling), "floor": floor},
        max_order=14,
        air_absorption=True,
        temperature=evening.temperature_c,
        humidity=evening.humidity_pct,
    )
    seat_m = np.array(room.seat_m) + np.array([*evening.moved_m, 0.0])
    for loudspeaker_m in (room.left_m, room.right_m):
        box.add_source(loudspeaker_m)
    box.add_microphone(seat_m[:, None])
    box.compute_rir()
    taps = [np.asarray(box.rir[0][side], np.float64)[RESPONSE_DELAY:] for side in (0, 1)]
    delays_s = [float(np.linalg.norm(seat_m - np.array(place))) / box.c for place in (room.left_m, room.right_m)]
    gain = 10.0 ** (evening.gain_db / 20.0)
    side = evening.side
    if evening.lost:
        taps[side] = taps[side] * 0.0
    if evening.above_db:
        low, high = (signal.butter(2, 2000.0, kind, fs=RATE_HZ, output="sos") for kind in ("low", "high"))
        # a crossover of fourth order, whose bands add up to all there was
        bass = signal.sosfilt(low, signal.sosfilt(low, taps[side]))
        taps[side] = bass + 10.0 ** (evening.above_db / 20.0) * signal.sosfilt(high, signal.sosfilt(high, taps[side]))
    if evening.late_ms:
        taps[side] = np.concatenate([np.zeros(round(evening.late_ms * RATE_HZ / 1000.0)), taps[side]])
        delays_s[side] += evening.late_ms / 1000.0
    return [gain * row for row in taps], tuple(delays_s)


def music(folder: Path, seed: int) -> Array:
    """(tracks, frames) of one made band in the order of `PANS`, written once."""
    show = folder / f"band-{seed}"
    if not (show / "truth.json").exists():
        make_show(show, ShowPlan(name=show.name, date="2026-04-12", seed=seed, length_s=MUSIC_S, problems=False))
    files = {file.stem[3:]: file for file in show.glob("*.wav")}
    return np.array([soundfile.read(files[name], dtype="float32")[0] for name in PANS])


def main_mix(tracks: Array, rng: np.random.Generator) -> Array:
    """(2, frames) mix of an evening: every fader anew, wide or narrow."""
    width = rng.uniform(0.3, 1.0)
    gains = 10.0 ** (rng.uniform(-4.0, 4.0, len(PANS)) / 20.0)
    gains *= [2.0 if name in LOUDER else 1.0 for name in PANS]
    angles = (np.array(list(PANS.values())) * width + 1.0) * np.pi / 4.0
    mix = np.array([gains * np.cos(angles), gains * np.sin(angles)], np.float32) @ tracks
    return np.asarray(0.1 * mix / np.sqrt(np.mean(mix**2)))


def audience_noise(rng: np.random.Generator, frames: int) -> Array:
    """Many people talking, and the air handling, with a mean square of 1."""
    talk = signal.sosfilt(
        signal.butter(1, [200.0, 2500.0], "band", fs=RATE_HZ, output="sos"), rng.standard_normal(frames)
    )
    knots = np.arange(frames // 4800 + 2)
    talk *= np.interp(np.arange(frames), knots * 4800.0, 10.0 ** (rng.normal(0.0, 3.0, knots.size) / 20.0))
    noise = talk / talk.std() + 0.02 * rng.standard_normal(frames)
    return np.asarray(noise / noise.std())


def measured(house_room: Room, evening: Evening, kind: str, tracks: Array, rng: np.random.Generator) -> Measured:
    """Play an evening, and measure it."""
    taps, delays_s = responses(house_room, evening)
    mix = main_mix(tracks, rng)
    below_db = rng.uniform(10.0, 30.0)
    seat = np.sum(
        [signal.oaconvolve(mix[side], taps[side].astype(np.float32))[: mix.shape[1]] for side in (0, 1)], axis=0
    )
    seat += audience_noise(rng, seat.size) * seat.std() * 10.0 ** (-below_db / 20.0)
    cuts = np.linspace(0, seat.size, PARTS + 1).astype(int)
    parts = [
        feed_spectra(mix[:, first:last], seat[first:last], sample_rate_hz=RATE_HZ)
        for first, last in zip(cuts[:-1], cuts[1:], strict=True)
    ]
    response = feed_response(parts, sample_rate_hz=RATE_HZ)
    frames = segment_frames(RATE_HZ)
    truth_db = []
    for side in (0, 1):
        row = np.pad(taps[side], (0, frames))[:frames]
        power = early_power(row, delays_s[side], sample_rate_hz=RATE_HZ)
        truth_db.append(tuple(float(value) for value in 10.0 * np.log10(power + 1e-30)))
    truth_ms = tuple(1000.0 * delay_s for delay_s in delays_s)
    return Measured(
        kind=kind, evening=evening, response=response, below_db=below_db, truth_ms=truth_ms, truth_db=tuple(truth_db)
    )


def _usual(rng: np.random.Generator) -> dict[str, Any]:
    """Conditions that every evening draws anew."""
    return {
        "audience": rng.uniform(0.0, 1.0),
        "humidity_pct": rng.uniform(30.0, 70.0),
        "temperature_c": rng.uniform(17.0, 24.0),
        "gain_db": rng.uniform(-6.0, 6.0),
    }


def _moved(rng: np.random.Generator, by_m: float) -> tuple[float, float]:
    angle = rng.uniform(0.0, 2.0 * np.pi)
    return (float(by_m * np.cos(angle)), float(by_m * np.sin(angle)))


def evenings_of(rng: np.random.Generator) -> Iterator[tuple[str, Evening]]:
    """Kept weeks, clean evenings with everything moved that may move, and evenings with one change each."""
    for _ in range(KEPT):
        yield "kept", Evening(moved_m=_moved(rng, rng.uniform(0.0, 0.25)), **_usual(rng))
    for _ in range(CLEAN):
        yield "clean", Evening(moved_m=_moved(rng, 0.5), **_usual(rng))
    for kind, change in (
        ("side lost", {"lost": True}),
        ("driver -6 dB", {"above_db": -6.0}),
        ("driver -12 dB", {"above_db": -12.0}),
        ("driver -30 dB", {"above_db": -30.0}),
        ("late 5 ms", {"late_ms": 5.0}),
    ):
        yield (
            kind,
            Evening(moved_m=_moved(rng, rng.uniform(0.0, 0.5)), side=int(rng.integers(2)), **change, **_usual(rng)),
        )


def house(seed: int, folder: Path, bands: list[int]) -> House:
    """Measure all evenings of one room, where one of two bands plays."""
    rng = np.random.default_rng(seed)
    playing = [music(folder, band) for band in rng.choice(bands, 2, replace=False)]
    made = House(seed=seed, room=drawn_room(rng))
    for kind, evening in evenings_of(rng):
        row = measured(made.room, evening, kind, playing[int(rng.integers(2))], rng)
        (made.kept if kind == "kept" else made.evenings).append(row)
    return made
