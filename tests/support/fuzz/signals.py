"""Signals as targets: any sound, however odd, is measured, judged and compared, or refused in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from deskhand.house import parse_house
from deskhand.result import plain
from tests.support.fuzz.audio import Wrong

if TYPE_CHECKING:
    from random import Random

    from numpy.typing import NDArray

    from deskhand.recording.show import Tap

RATE_HZ: Final = 48000
KINDS: Final = (
    "silence",
    "noise",
    "sine",
    "square",
    "steps",
    "impulse",
    "clicks",
    "denormal",
    "full",
    "alternating",
    "sweep",
    "burst",
)
HOUSE: Final = """
[house]
name = "Tern Street Hall"
[[source]]
name = "keys"
role = "{0}"
tracks = ["a", "b"]
[[source]]
name = "lead voice"
role = "{1}"
tracks = ["c"]
[vocal]
source = "lead voice"
"""
ROLES: Final = (
    "keys",
    "guitar",
    "bass",
    "kick",
    "snare",
    "toms",
    "overheads",
    "percussion",
    "playback",
    "audience",
    "other",
    "speech",
    "lead vocal",
)
"""Roles with other ways of measuring."""


def piece(kind: str, frames: int, seed: int) -> NDArray[np.float64]:
    """(frames,) of one kind of sound."""
    rng = np.random.default_rng(seed)
    times_s = np.arange(frames) / RATE_HZ
    level = 10.0 ** rng.uniform(-5.0, 0.0)
    hz = float(np.exp(rng.uniform(np.log(10.0), np.log(23000.0))))
    match kind:
        case "silence":
            return np.zeros(frames)
        case "noise":
            return level * rng.standard_normal(frames).clip(-4.0, 4.0) / 4.0
        case "sine":
            return level * np.sin(2 * np.pi * hz * times_s)
        case "square":
            return level * np.sign(np.sin(2 * np.pi * hz * times_s) + 1e-9)
        case "steps":
            return np.round(level * np.sin(2 * np.pi * hz * times_s) * 2.0**7) / 2.0**7
        case "impulse":
            return np.eye(1, frames, int(rng.integers(frames)))[0] * level
        case "clicks":
            return np.where(np.arange(frames) % max(2, round(RATE_HZ / hz)) == 0, level, 0.0)
        case "denormal":
            return np.full(frames, 1e-42)
        case "full":
            return np.full(frames, float(rng.choice((1.0, -1.0, 0.999999, level))))
        case "alternating":
            return np.where(np.arange(frames) % 2 == 0, 1.0, -1.0)
        case "sweep":
            return level * np.sin(2 * np.pi * np.cumsum(np.geomspace(20.0, 20000.0, frames)) / RATE_HZ)
        case _:
            return level * rng.standard_normal(frames) * (np.sin(2 * np.pi * 2.0 * times_s) > 0) / 4.0


def sound(pieces: list[tuple[str, int, int]]) -> NDArray[np.float32]:
    """Pieces of (kind, frames, seed), one after the other."""
    return np.concatenate([piece(*described) for described in pieces]).astype(np.float32)


def drawn_pieces(random: Random, frames: int) -> list[tuple[str, int, int]]:
    """Pieces of so many frames together."""
    cuts = sorted(random.sample(range(1, frames), random.choice((0, 0, 1, 2, 5))))
    return [
        (random.choice(KINDS), end - begin, random.randrange(2**31))
        for begin, end in zip([0, *cuts], [*cuts, frames], strict=True)
    ]


class StretchSession:
    """Cases are descriptions of three tracks, heard as the line check hears them: measured, judged, and printable as JSON."""

    def __init__(self, _: Path, __: bool) -> None:
        pass

    def draw(self, random: Random) -> bytes:
        """Three tracks of 0.4 to 4 s, and two roles."""
        frames = random.choice((19200, 19201, 24000, 48000, 100000, 192000))
        tracks = [drawn_pieces(random, frames)]
        for _ in range(2):
            tracks.append(tracks[0] if random.random() < 0.2 else drawn_pieces(random, frames))
        return json.dumps({"tracks": tracks, "roles": [random.choice(ROLES), random.choice(ROLES)]}).encode()

    def take(self, case: bytes) -> None:
        """Measure and judge; the readings are numbers or nothing."""
        from deskhand.live.listen import listen

        data = json.loads(case)
        samples = np.array([sound(track) for track in data["tracks"]])
        house = parse_house(HOUSE.format(*data["roles"]), Path("house.toml"))
        taps: dict[str, Tap] = {source.name: "preamp" for source in house.source}
        heard = listen(
            house, house.source, samples, ["a", "b", "c"], RATE_HZ, start_s=0.0, taps=taps, players={}, level_dba=80.0
        )  # fmt: skip
        for stretch in heard.values():
            text = json.dumps(plain(stretch.reading.readings), allow_nan=False)
            if "inf" in text or "nan" in text.casefold().replace("resonan", "").replace("dominan", ""):
                raise Wrong(f"a reading is no number: {text[:200]}")


class PairSession:
    """Cases are descriptions of what is in front of a processor and behind it."""

    def __init__(self, folder: Path, _: bool) -> None:
        self._folder = folder

    def draw(self, random: Random) -> bytes:
        """Three to five seconds, and what is done to them."""
        frames = random.choice((144001, 160000, 240000))
        return json.dumps(
            {
                "before": drawn_pieces(random, frames),
                "other": drawn_pieces(random, frames),
                "gain": random.choice((1.0, -1.0, 0.0, 0.5, 4.0, 1e-4)),
                "add": random.choice((0.0, 0.0, 0.1, 1.0)),
                "shift": random.choice((0, 0, 1, 777, -48000, 72000)),
                "clip": random.choice((1.0, 1.0, 0.05)),
            }
        ).encode()

    def take(self, case: bytes) -> None:
        """Compare them; the result prints as JSON."""
        from deskhand.compare.run import compare

        data = json.loads(case)
        before = sound(data["before"])
        after = np.roll(before * data["gain"] + data["add"] * sound(data["other"]), data["shift"])
        for name, samples in (("before", before), ("after", after.clip(-data["clip"], data["clip"]))):
            soundfile.write(self._folder / f"{name}.wav", samples, RATE_HZ, subtype="FLOAT")
        compared = compare(self._folder / "before.wav", self._folder / "after.wav")
        json.dumps(plain(compared.result), allow_nan=False)
