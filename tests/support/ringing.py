"""Loops through their limit, talk into loops that are near it, and music that is no loop: what is told of each.

The programme is what the caller hands over (recordings that are no part of the project); rooms are made (`feedback.made_path`), or image sources by
pyroomacoustics where it is installed.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.signal as ss

from deskhand.dsp.loop_gain import gain_margin
from deskhand.house import parse_house
from deskhand.live.talk import TalkSpectrum
from deskhand.live.tones import RingingTone, ToneWatch
from tests.support.feedback import FINE, RATE_HZ, Loop, made_path

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from deskhand.house import HouseFile

    Array = NDArray[np.float64]

HOP: Final = RATE_HZ // 10
BEFORE_DB: Final = 10.0
"""Gain below the limit at which a ramp begins."""
AFTER_DB: Final = 8.0
"""Gain over the limit at which it ends."""
DOMINANT_DB: Final = 6.0
"""A microphone dominates whose share of the loop is so much larger than the next one's."""
STANDS_OUT_DB: Final = 10.0
"""A tone stands out that is so much louder than what is played has there."""
FIRST_TAPS: Final = 128
"""Samples of a path that are silent, so that loops can be run in blocks: 2.7 ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopRow:
    """Loop raised through its limit, and what was told of it."""

    programme: str
    room: str
    ramp_db_s: float
    delay_ms: float
    microphones: int
    limit_hz: float
    told: bool
    early: int
    """Tones told more than 3 dB below the limit, where nothing rings yet."""
    over_db: float | None = None
    """Gain over the limit when it was told."""
    after_s: float | None = None
    """Time since the tone stood out; negative where it was told before."""
    level_dbfs: float | None = None
    cents: float | None = None
    """From the nearest frequency at which the loop was over its limit then."""
    growth_db_s: float | None = None
    dominates: bool = False
    named: tuple[str, ...] = ()
    right: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginRow:
    """Talk into a loop below its limit, and the margin that was read."""

    margin_db: float
    """Known; infinite without a loop."""
    read_db: float
    talk_s: float
    octaves_off: float
    """Between the frequency that was read and the one that rings first."""


def stage_house(sends_db: Sequence[float]) -> HouseFile:
    """Open microphones, each with its send to one wedge."""
    text = '[house]\nname = "Tern Street Hall"\n'
    for number, level_db in enumerate(sends_db, 1):
        text += f'[[source]]\nname = "vocal {number}"\nrole = "lead vocal"\ntracks = [{number}]\n'
        text += f'[[source.send]]\nmix = "wedge"\nlevel = "{level_db:.2f} dB"\n'
    return parse_house(text, Path("house.toml"))


def room_path(rng: np.random.Generator, *, delay_s: float, direct: float) -> Array | None:
    """Response of a shoebox room with a wedge on the floor and a microphone before it, by image sources; None without pyroomacoustics."""
    if importlib.util.find_spec("pyroomacoustics") is None:
        return None
    import pyroomacoustics as pra

    size = rng.uniform((6.0, 5.0, 2.8), (16.0, 12.0, 6.0))
    absorption, order = pra.inverse_sabine(rng.uniform(0.35, 1.1), size)
    room = pra.ShoeBox(size, fs=RATE_HZ, materials=pra.Material(min(absorption, 0.9)), max_order=min(order, 20))
    wedge = rng.uniform(0.25, 0.6, 3) * size * (1, 1, 0) + (0, 0, 0.3)
    room.add_source(wedge)
    room.add_microphone(wedge + np.array([rng.uniform(-0.4, 0.4), rng.uniform(1.0, 1.8), 1.2]))
    room.compute_rir()
    response = np.asarray(room.rir[0][0][: round(0.5 * RATE_HZ)], np.float64)
    first = int(np.argmax(np.abs(response)))
    # the desk's delay lies before it, and a directional microphone takes some of the room's sound off
    path = np.concatenate([np.zeros(max(0, round(delay_s * RATE_HZ) - first)), response])
    path = path / np.max(np.abs(response))
    start = max(first, round(delay_s * RATE_HZ)) + 48
    path[start:] *= 10 ** (-rng.uniform(3, 8) / 20)
    for _ in range(5):
        peak = ss.iirpeak(np.exp(rng.uniform(np.log(150), np.log(9000))), rng.uniform(0.7, 4.0), fs=RATE_HZ)
        path = path + rng.uniform(-0.5, 1.0) * ss.lfilter(*peak, path)
    path = ss.sosfilt(ss.butter(2, (120.0, 12000.0), "bandpass", fs=RATE_HZ, output="sos"), path)
    return np.asarray(direct * path)


def made_loop(rng: np.random.Generator, microphones: int, *, image_sources: bool) -> tuple[Loop, Array, float, str]:
    """Loop of one to three microphones into a wedge, their sends in dB, the delay in s, and the kind of room."""
    delay_s = float(rng.uniform(0.003, 0.030))
    sends_db = -rng.uniform(0.0, 12.0, microphones)
    sends_db[0] = -rng.uniform(0.0, 4.0)
    paths, room = [], "made"
    for number in range(microphones):
        direct = 10.0 ** ((-20.0 - (rng.uniform(3.0, 12.0) if number else 0.0)) / 20)
        late_s = delay_s + (rng.uniform(0.0, 0.006) if number else 0.0)
        path = room_path(rng, delay_s=late_s, direct=direct) if image_sources else None
        if path is not None:
            room = "image sources"
        else:
            path = made_path(
                rng, delay_s=late_s, direct=direct, t60_s=rng.uniform(0.3, 1.0), below_db=rng.uniform(0, 8)
            )
        paths.append(path)
    longest = max(path.size for path in paths)
    order = rng.permutation(microphones)  # whichever is nearest the wedge
    padded = np.array([np.pad(paths[number], (0, longest - paths[number].size)) for number in order])
    padded[:, :FIRST_TAPS] = 0.0
    return Loop(paths=padded, sends=10.0 ** (sends_db[order] / 20)), sends_db[order], delay_s, room


def programme(rng: np.random.Generator, pool: Sequence[Array], frames: int) -> Array:
    """Recordings of a pool one after the other with short pauses, about -22 dBFS while they sound."""
    pieces: list[Array] = []
    count = 0
    while count < frames:
        sound = pool[int(rng.integers(len(pool)))]
        loud = sound[np.abs(sound) > 0.05 * np.max(np.abs(sound))]
        level = 10.0 ** (-rng.uniform(20.0, 25.0) / 20) / np.sqrt(np.mean(loud**2))
        pieces += [np.zeros(round(rng.uniform(0.1, 0.8) * RATE_HZ)), np.clip(sound * level, -0.9, 0.9)]
        count += pieces[-1].size + pieces[-2].size
    return np.concatenate(pieces)[:frames]


def told_tones(house: HouseFile, heard: NDArray[np.float32]) -> list[RingingTone]:
    """All tones told of (microphones, frames), a tenth of a second at a time, as it goes live."""
    watch = ToneWatch(inputs=[(source, (row,)) for row, source in enumerate(house.source)], sample_rate_hz=RATE_HZ)
    return [
        tone
        for hop in range(heard.shape[1] // HOP)
        for tone in watch.take(heard[:, hop * HOP : (hop + 1) * HOP], (hop + 1) / 10)
    ]


def ramp_row(
    seed: Sequence[int], name: str, pool: Sequence[Array], ramp_db_s: float, *, image_sources: bool
) -> LoopRow:
    """Raise one loop through its limit, with a programme in its microphones, and judge what was told."""
    rng = np.random.default_rng(list(seed))
    loop, sends_db, delay_s, room = made_loop(rng, int(rng.integers(1, 4)), image_sources=image_sources)
    limit_db, limit_hz = loop.limit()
    frames = round((BEFORE_DB + AFTER_DB) / ramp_db_s * RATE_HZ)
    limit_s = BEFORE_DB / ramp_db_s
    played = np.array([
        programme(rng, pool, frames) * (rng.random() < 0.5 if row else 1.0) + 1e-4 * rng.standard_normal(frames)
        for row in range(len(sends_db))
    ])  # fmt: skip
    gain_db = limit_db - BEFORE_DB + ramp_db_s * np.arange(frames) / RATE_HZ
    heard = loop.heard_in_blocks(played, gain_db)
    tones = [tone for tone in told_tones(stage_house(sends_db.tolist()), heard) if not tone.grows_still]
    early_s = limit_s - 3.0 / ramp_db_s
    facts: dict[str, Any] = {
        "programme": name, "room": room, "ramp_db_s": ramp_db_s, "delay_ms": 1000 * delay_s, "microphones": len(sends_db),
        "limit_hz": limit_hz, "early": sum(tone.told_s <= early_s for tone in tones),
    }  # fmt: skip
    first = next((tone for tone in tones if tone.told_s > early_s), None)
    if first is None:
        return LoopRow(told=False, **facts)
    over_db = (first.told_s - limit_s) * ramp_db_s
    frequencies_hz, limits_db = loop.critical()
    ringing_hz = frequencies_hz[limits_db < limit_db + max(over_db, 0.0) + 0.5]
    nearest_hz = float(ringing_hz[np.argmin(np.abs(np.log2(ringing_hz / first.frequency_hz)))])
    place = round(nearest_hz * FINE / RATE_HZ)
    shares_db = 20 * np.log10(np.abs(np.fft.rfft(loop.paths, FINE, axis=1)[:, place]) * loop.sends + 1e-12)
    order = np.argsort(-shares_db)
    return LoopRow(
        told=True, over_db=over_db, level_dbfs=first.level_dbfs, cents=1200 * float(np.log2(first.frequency_hz / nearest_hz)),
        after_s=first.told_s - _stands_out_s(heard[order[0]], played[order[0]], nearest_hz), growth_db_s=first.growth_db_s,
        dominates=len(order) == 1 or bool(shares_db[order[0]] - shares_db[order[1]] >= DOMINANT_DB),
        named=first.microphones, right=f"vocal {order[0] + 1}", **facts,
    )  # fmt: skip


def _levels_db(sound: NDArray[np.floating], hz: float) -> Array:
    """Level around a frequency in each window of 0.17 s, one every 100 ms."""
    window = np.hanning(8192)
    wave = window * np.exp(-2j * np.pi * hz * np.arange(8192) / RATE_HZ)
    starts = range(0, sound.size - 8192, HOP)
    return np.array([20 * np.log10(np.abs(np.dot(sound[start : start + 8192], wave)) + 1e-9) for start in starts])


def _stands_out_s(heard: NDArray[np.floating], played: Array, hz: float) -> float:
    """Time from which the tone is 10 dB louder than what is played has there, for half a second on end."""
    above = _levels_db(heard, hz) - _levels_db(played, hz) >= STANDS_OUT_DB
    runs = np.flatnonzero(np.convolve(above, np.ones(5), "valid") == 5)
    return float((runs[0] if runs.size else above.size) * 0.1 + 8192 / RATE_HZ)


def margin_row(seed: Sequence[int], pool: Sequence[Array], margin_db: float, talk_s: float) -> MarginRow:
    """Read the margin of one loop from talk into its microphone."""
    rng = np.random.default_rng(list(seed))
    loop, _, _, _ = made_loop(rng, 1, image_sources=False)
    limit_db, limit_hz = loop.limit()
    frames = round(talk_s * RATE_HZ)
    played = (programme(rng, pool, frames) + 1e-4 * rng.standard_normal(frames))[None]
    below_db = margin_db if np.isfinite(margin_db) else 100.0
    talk = TalkSpectrum(sample_rate_hz=RATE_HZ)
    talk.take(loop.heard_in_blocks(played, np.full(frames, limit_db - below_db))[0])
    read_db, hz = gain_margin(talk.mean_log_powers(), RATE_HZ)
    return MarginRow(
        margin_db=margin_db, read_db=read_db, talk_s=talk.talk_s, octaves_off=abs(float(np.log2(hz / limit_hz)))
    )


def held_notes(length_s: float = 8.0) -> Iterator[tuple[str, Array]]:
    """Held and swelling notes by arithmetic: name and sound."""
    rng = np.random.default_rng(77)
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    spectra = {
        "flute": [1.0, 0.2, 0.1, 0.03], "organ, principal": [1.0, 0.6, 0.4, 0.25, 0.15], "organ, stopped": [1.0, 0.02, 0.3, 0.01, 0.08],
        "electric piano": [1.0, 0.15, 0.05], "saw pad": [1 / n for n in range(1, 12)], "square lead": [1.0, 0.0, 1 / 3, 0.0, 0.2],
        "voice": [1.0, 0.7, 0.5, 0.2, 0.1, 0.15, 0.1], "glass": [1.0, 0.08, 0.04], "e-bow": [1.0, 0.5, 0.25, 0.1], "whistle": [1.0, 0.02],
        "pure sine": [1.0],
    }  # fmt: skip
    moves = {"still": (0.0, 0.0), "sways": (0.0025, 0.8), "vibrato": (0.006, 5.4)}
    swells_db_s = {"held": 0.0, "swells 5 dB/s": 5.0, "swells 15 dB/s": 15.0}
    for name, amounts in spectra.items():
        for move, (depth, rate_hz) in moves.items():
            for swell, db_s in swells_db_s.items():
                for pitch_hz in (196.0, 440.0, 987.8, 1760.0):
                    bend = 1 + depth * np.sin(2 * np.pi * rate_hz * time_s + rng.uniform(0, 6))
                    phase = 2 * np.pi * np.cumsum(pitch_hz * bend) / RATE_HZ
                    sound = sum(amount * np.sin(n * phase) for n, amount in enumerate(amounts, 1))
                    level_db = np.minimum(-50.0 + db_s * time_s, -14.0) if db_s else np.full(time_s.size, -20.0)
                    fade = np.minimum(1.0, time_s / 0.04) * np.minimum(1.0, (length_s - time_s) / 0.1)
                    yield (
                        f"{name}, {move}, {swell}",
                        fade * 10 ** (level_db / 20) * sound + 2e-5 * rng.standard_normal(time_s.size),
                    )
