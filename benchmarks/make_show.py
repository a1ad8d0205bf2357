"""Write a big recording for timing: many 24-bit tracks of music-like sound that never repeats, and its house.

Every track has a bank of sixteen struck notes of its own; they are played at random times, strengths and
pitches of the bank, with rests, over a noise floor of its own. Tracks share nothing but the two sides of a
pair, which share half their notes. It streams: a second of one source is in memory, and its banks.

    python benchmarks/make_show.py FOLDER --tracks 48 --minutes 10
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
import soundfile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Sound: TypeAlias = NDArray[np.float32]

RATE_HZ: Final = 48000
NOTES: Final = 16
LEVEL_DBFS: Final = -18.0
NOISE_DBFS: Final = -72.0

# One pair and two single tracks in turn, so that any first few tracks stand for the whole.
UNITS: Final = (
    ("guitar", "guitar", True), ("lead voice", "lead vocal", False), ("bass", "bass", False),
    ("piano", "keys", True), ("kick", "kick", False), ("backing voice", "backing vocal", False),
    ("overheads", "overheads", True), ("snare", "snare", False), ("acoustic", "acoustic guitar", False),
)  # fmt: skip
CHAIN: Final = (
    ("high-pass", 'frequency = "80 Hz"', 'slope = "18 dB/oct"'),
    ("bell", 'frequency = "300 Hz"', 'gain = "-2 dB"'),
    ("bell", 'frequency = "3 kHz"', 'gain = "1.5 dB"'),
    ("compressor", 'threshold = "-20 dBFS"', "ratio = 2"),
    ("high-shelf", 'frequency = "8 kHz"', 'gain = "1 dB"'),
)
LOWEST_HZ: Final = {
    "bass": 41.2,
    "kick": 55.0,
    "lead vocal": 146.8,
    "backing vocal": 185.0,
    "overheads": 392.0,
}


@dataclass(frozen=True, slots=True)
class Unit:
    """One source: a single track or a pair."""

    name: str
    role: str
    tracks: tuple[str, ...]


def units(tracks: int) -> list[Unit]:
    """List sources until this many tracks are filled; a pair that has no room for two becomes single."""
    made: list[Unit] = []
    filled = 0
    while filled < tracks:
        name, role, pair = UNITS[len(made) % len(UNITS)]
        letter = chr(ord("a") + len(made) // len(UNITS))
        label = f"{name} {letter}"
        sides = (f"{label} L", f"{label} R") if pair and filled + 2 <= tracks else (label,)
        made.append(Unit(label, role, sides))
        filled += len(sides)
    return made


def note_bank(role: str, rng: np.random.Generator) -> Sound:
    """Make (notes, frames) notes of a role: harmonics, the higher the shorter, and a noisy attack."""
    frames = int(rng.uniform(1.0, 2.0) * RATE_HZ)
    time_s = np.arange(frames, dtype=np.float32) / RATE_HZ
    lowest_hz = LOWEST_HZ.get(role, 82.0)
    bank = np.zeros((NOTES, frames), np.float32)
    edge = RATE_HZ // 500
    fade = np.linspace(0, 1, edge, dtype=np.float32)
    for index in range(NOTES):
        pitch_hz = lowest_hz * 2 ** (rng.integers(0, 24) / 12)
        decay_s = rng.uniform(0.15, 0.8)
        note = 0.5 * rng.standard_normal(frames).astype(np.float32) * np.exp(-time_s / np.float32(0.01))
        for harmonic in range(1, 13):
            if harmonic * pitch_hz > 0.4 * RATE_HZ:
                break
            phase = np.float32(rng.uniform(0, 2 * np.pi))
            tone = np.sin(np.float32(2 * np.pi * pitch_hz * harmonic) * time_s + phase)
            note += tone * np.exp(-time_s * np.float32(harmonic**0.5 / decay_s)) / np.float32(harmonic)
        note[:edge] *= fade
        note[-edge:] *= fade[::-1]
        bank[index] = note
    # loudest 300 ms of a note at the nominal level (AES17: a sine of amplitude 1 is 0 dBFS)
    head = bank[:, : int(0.3 * RATE_HZ)]
    target = 10 ** (LEVEL_DBFS / 20) / np.sqrt(2)
    return bank * np.float32(target / np.sqrt(np.mean(head**2)))


class Player:
    """Plays a bank for ever, a block at a time."""

    def __init__(self, bank: Sound, rng: np.random.Generator) -> None:
        """Start at the beginning."""
        self.bank = bank
        self.rng = rng
        self.tail: Sound = np.zeros(0, np.float32)
        self.next_frame = 0
        self.busy = rng.uniform(0.5, 0.9)

    def block(self, frames: int) -> Sound:
        """Give the next frames: notes start at random, ring on into the next block, and rest now and then."""
        out = np.zeros(frames + self.bank.shape[1], np.float32)
        out[: self.tail.size] += self.tail
        at = self.next_frame
        while at < frames:
            strength = np.float32(10 ** (self.rng.normal(0, 2) / 20))
            out[at : at + self.bank.shape[1]] += strength * self.bank[self.rng.integers(NOTES)]
            rest_s = self.rng.uniform(1, 4) if self.rng.random() > self.busy**0.25 else 0.0
            at += int((self.rng.uniform(0.15, 0.6) + rest_s) * RATE_HZ)
        self.next_frame = at - frames
        self.tail = out[frames:]
        return out[:frames]


def write_unit(unit: Unit, folder: Path, first_number: int, minutes: float, seed: int) -> None:
    """Write the tracks of one source, one file each."""
    rng = np.random.default_rng(seed)
    own = [Player(note_bank(unit.role, rng), np.random.default_rng([seed, side])) for side in range(len(unit.tracks))]
    shared = Player(note_bank(unit.role, rng), np.random.default_rng([seed, 99]))
    noise = rng.standard_normal(7 * RATE_HZ + 1).astype(np.float32) * np.float32(10 ** (NOISE_DBFS / 20))
    files = [
        soundfile.SoundFile(
            folder / f"{first_number + side:02d} {track}.wav", "w", RATE_HZ, 1, subtype="PCM_24", format="WAV"
        )
        for side, track in enumerate(unit.tracks)
    ]
    left = round(minutes * 60 * RATE_HZ)
    while left:
        frames = min(left, RATE_HZ)
        both = shared.block(frames) if len(files) > 1 else None
        for player, file in zip(own, files, strict=True):
            sound = player.block(frames)
            if both is not None:
                sound = np.float32(0.7) * (sound + both)
            start = rng.integers(noise.size - frames)
            sound = sound + noise[start : start + frames]
            file.write(np.clip(sound, -0.98, 0.98))
        left -= frames
    for file in files:
        file.close()


def house_toml(made: list[Unit], *, chains: bool = False) -> str:
    """Describe the sources as a house file; with faders and a chain of five blocks each when asked."""
    lines = ["[house]", 'name = "Tern Street Hall"', f'nominal = "{LEVEL_DBFS:.0f} dBFS"', 'mains = "50 Hz"']
    for unit in made:
        tracks = ", ".join(f'"{track}"' for track in unit.tracks)
        lines += ["", "[[source]]", f'name = "{unit.name}"', f'role = "{unit.role}"', f"tracks = [{tracks}]"]
        if chains:
            lines.append('fader = "-6 dB"')
            for block, *settings in CHAIN:
                lines += ["[[source.chain]]", f'block = "{block}"', *settings]
    return "\n".join(lines) + "\n"


def make_show(folder: Path, *, tracks: int, minutes: float, seed: int = 1) -> Path:
    """Write the recording, `take/`, and `house.toml` beside it; give the folder of the take."""
    take = folder / "take"
    take.mkdir(parents=True, exist_ok=True)
    made = units(tracks)
    number = 1
    for index, unit in enumerate(made):
        write_unit(unit, take, number, minutes, seed * 1000 + index)
        number += len(unit.tracks)
    (folder / "house-chains.toml").write_text(house_toml(made, chains=True), encoding="utf-8")
    (folder / "house.toml").write_text(house_toml(made), encoding="utf-8")
    return take


def main() -> None:
    """Read the options and write the show."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--tracks", type=int, default=48)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    make_show(options.folder, tracks=options.tracks, minutes=options.minutes, seed=options.seed)


if __name__ == "__main__":
    main()
