"""A made year of one house: short shows by the demo's band, three sources that drift, and what else happens in 52 weeks.

The truth is arithmetic: gains, a shelf and noise that are added to the sound, and dates of a calendar.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.demo import sounds
from deskhand.demo.band import Band, pick_song
from deskhand.demo.season import _level_dbfs
from deskhand.demo.sounds import RATE_HZ
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.measure.passages import tone_of
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.demo.band import Part

    Array = NDArray[np.float64]

WEEKS: Final = 52
FIRST: Final = date(2025, 1, 5)
"""A Sunday."""
LENGTH_S: Final = 26.0
SPEECH_S: Final = 7.0
FLOOR_DBFS: Final = -88.0
BLEED_DB: Final = -34.0
"""Level of the band in an open microphone, against the microphone's own."""
SHELF_HZ: Final = 2000.0
_HIGHS: Final = ss.butter(1, SHELF_HZ, "highpass", fs=RATE_HZ, output="sos")
SPREAD_DB: Final = 0.8
"""Levels lie within this of nominal in a week."""
RENAMED_SOURCE: Final = 22
"""Week from which the bass is called by its box."""
NEW_CHAIN: Final = 26
"""Week from which the piano's equaliser is another."""
RENAMED_HOUSE: Final = 30
NEW_TAP: Final = 36
"""Week from which the second voice is recorded after its gain."""
DATE_IN_THE_FOLDER: Final = 9
"""Week without a note, whose folder has the date in its name."""
NO_DATE: Final = 28
"""Week without a note and without a date anywhere."""
OVER_MIDNIGHT: Final = 40
"""Week whose files were written before and after midnight, in a folder without a date."""
TRACKS: Final = {
    "bass": ("bass",), "guitar": ("gtr l", "gtr r"), "acoustic": ("agtr",), "piano": ("pno l", "pno r"), "lead voice": ("vox",),
    "voice 2": ("bv",), "handheld": ("hand",),
}  # fmt: skip
NOMINAL_DBFS: Final = {
    "bass": -18.0,
    "guitar": -20.0,
    "acoustic": -22.0,
    "piano": -20.0,
    "lead voice": -22.0,
    "voice 2": -22.0,
    "handheld": -22.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedDrift:
    """Change of a source that goes on from week to week."""

    source: str
    """Name in the first week."""
    number: str
    """Number that it shows in: level, tone or noise."""
    after: int
    """Last week without it."""
    a_week_db: float
    until: int
    """Week after which it stays where it is."""

    def at_db(self, week: int) -> float:
        """Change against the first weeks in a week."""
        return self.a_week_db * float(np.clip(week - self.after, 0, self.until - self.after))

    def seen_db(self, week: int, first_octaves_db: Array | None = None, octave: int = -1) -> float:
        """Change against the first weeks in a week; of a tone at an octave, as the ear weighs what the shelf leaves of the first weeks' third-octaves."""
        change_db = self.at_db(week)
        if first_octaves_db is None:
            return change_db
        shelf = np.array([shelf_db(change_db, band_hz) for band_hz in NOMINAL_HZ])
        off = tone_of(first_octaves_db + shelf) - tone_of(first_octaves_db)
        return float((off - np.median(off))[octave])

    def leaves(self, first_octaves_db: Array | None = None, octave: int = -1) -> int | None:
        """First week in which what is seen is further than 2 dB from the first weeks; None where it never is."""
        weeks = range(1, WEEKS + 1)
        return next((week for week in weeks if abs(self.seen_db(week, first_octaves_db, octave)) > 2.0), None)

    def pace_db(self, first_octaves_db: Array | None = None, octave: int = -1) -> float:
        """Change a week, the mean over its way."""
        return self.seen_db(self.until, first_octaves_db, octave) / (self.until - self.after)


DRIFTS: Final = (
    PlantedDrift(source="guitar", number="level", after=13, a_week_db=0.4, until=27),
    PlantedDrift(source="acoustic", number="tone", after=16, a_week_db=-0.5, until=36),
    PlantedDrift(source="bass", number="noise", after=11, a_week_db=1.0, until=31),
)
"""An amplifier that is turned up a little each week, strings that nobody changes, a cable whose screen goes."""


def shelf_db(gain_db: float, frequency_hz: float) -> float:
    """Response of the shelf at a frequency: its high-pass is added to what is there."""
    _, highs = ss.sosfreqz(_HIGHS, [frequency_hz], fs=RATE_HZ)
    return float(20.0 * np.log10(np.abs(1.0 + (amplitude_from_db(gain_db) - 1.0) * highs[0])))


def evening(week: int) -> date:
    """Date of a week's show."""
    return FIRST + timedelta(weeks=week - 1)


def source_today(source: str, week: int) -> str:
    """Name of a source in a week."""
    return "bass DI" if source == "bass" and week >= RENAMED_SOURCE else source


def house_text(week: int, *, trims_db: dict[str, float] | None = None, sources: Collection[str] = tuple(TRACKS)) -> str:
    """House file as it stands in a week, with the trims that somebody has set by then, of all sources or some of them."""
    lines = ["# Invented.", "[house]"]
    lines += (
        ['name = "Tern Street"', 'was = ["Tern Street Hall"]']
        if week >= RENAMED_HOUSE
        else ['name = "Tern Street Hall"']
    )
    roles = {
        "bass": "bass", "guitar": "guitar", "acoustic": "acoustic guitar", "piano": "keys", "lead voice": "lead vocal",
        "voice 2": "backing vocal", "handheld": "speech",
    }  # fmt: skip
    faders_db = {
        "bass": -20,
        "guitar": -20,
        "acoustic": -18,
        "piano": -20,
        "lead voice": 0,
        "voice 2": -12,
        "handheld": -2,
    }
    for channel, (source, tracks) in enumerate(TRACKS.items(), 1):
        if source not in sources:
            continue
        names = ", ".join(f'"{track}"' for track in tracks)
        lines += ["[[source]]", f'name = "{source_today(source, week)}"']
        if source_today(source, week) != source:
            lines.append(f'was = ["{source}"]')
        lines += [
            f'role = "{roles[source]}"',
            f"tracks = [{names}]",
            f'channel = "{channel}"',
            f'nominal = "{NOMINAL_DBFS[source]:g} dBFS"',
        ]
        lines.append(f'fader = "{faders_db[source]} dB"')
        if source == "voice 2" and week >= NEW_TAP:
            lines.append('tap = "after-gain"')
        trim_db = (trims_db or {}).get(source)
        if trim_db:
            lines += ["[[source.chain]]", 'block = "trim"', f'gain = "{trim_db:g} dB"']
        if source == "piano":
            lines += [
                "[[source.chain]]",
                'block = "bell"',
                'frequency = "400 Hz"',
                f'gain = "{-4.0 if week >= NEW_CHAIN else -1.5} dB"',
            ]
        elif source in ("lead voice", "voice 2", "handheld"):
            lines += ["[[source.chain]]", 'block = "high-pass"', 'frequency = "100 Hz"']
    vocal = ["[vocal]", 'source = "lead voice"'] if "lead voice" in sources else []
    return "\n".join([*lines, *vocal, ""])


def shelved(sound: Array, gain_db: float) -> Array:
    """Sound whose highs, above about 2 kHz, are changed by a gain (first order)."""
    highs = ss.sosfilt(_HIGHS, sound)
    return np.asarray(sound + (amplitude_from_db(gain_db) - 1.0) * highs)


def tracks_of(
    week: int, *, seed: int, noise_db: float = 0.0, sources: Collection[str] = tuple(TRACKS)
) -> dict[str, Array]:
    """Track to its samples in a week: another song, key and tempo in each, the drifts, and more noise where it is asked for."""
    rng = np.random.default_rng([seed, week])
    band = Band(rng, pick_song(rng, start_s=SPEECH_S + 1.0, length_s=LENGTH_S - SPEECH_S - 3.0), LENGTH_S)
    parts: dict[str, Callable[[], Part]] = {
        "bass": band.bass,
        "guitar": lambda: band.guitar(
            arpeggio=False, drive=4.0 * float(rng.uniform(0.9, 1.1)), tail_s=0.3, spread=0.36
        ),
        "acoustic": band.acoustic,
        "piano": band.keys,
        "lead voice": lambda: band.vocal(octave=12, size=float(rng.uniform(1.1, 1.14)), offset=2, starts_bar=0),
        "voice 2": lambda: band.vocal(octave=0, size=0.97, offset=4, starts_bar=0),
        "handheld": lambda: band.speech(
            start_s=1.0, length_s=SPEECH_S - 3.0, hz=float(rng.uniform(110, 125)), size=1.0
        ),
    }
    levelled = {}
    for source, play in parts.items():
        if source not in sources:
            continue
        part = play()
        goal_dbfs = NOMINAL_DBFS[source] + float(rng.uniform(-SPREAD_DB, SPREAD_DB))
        levelled[source] = part.sound * amplitude_from_db(goal_dbfs - _level_dbfs(part, part.sound))
    stage = sum(levelled[source].mean(axis=0) for source in ("bass", "guitar", "acoustic") if source in levelled)
    for source in {"lead voice", "voice 2", "handheld"} & levelled.keys():
        levelled[source] = levelled[source] + stage * amplitude_from_db(BLEED_DB)
    changes_db = {drift.source: (drift.number, drift.at_db(week)) for drift in DRIFTS}
    tracks = {}
    for source, rows in levelled.items():
        number, change_db = changes_db.get(source, ("", 0.0))
        floor_dbfs = FLOOR_DBFS + noise_db + (change_db if number == "noise" else 0.0)
        for track, row in zip(TRACKS[source], rows, strict=True):
            if number == "tone":
                row = shelved(row, change_db)
            if number == "level":
                row = row * amplitude_from_db(change_db)
            hiss = sounds.pink(rng, row.size) * 0.5 + rng.standard_normal(row.size) * 0.85
            tracks[track] = np.clip(row + hiss * amplitude_from_db(floor_dbfs), -1.0, 1.0)
    return tracks


def write_week(
    folder: Path, week: int, *, seed: int, noise_db: float = 0.0, sources: Collection[str] = tuple(TRACKS)
) -> Path:
    """Write a week's recording below the house's folder, as whoever records it would leave it; its folder."""
    day = evening(week)
    note = "\n".join([f"date = {day}", 'phase = "rehearsal"', ""])
    names = {DATE_IN_THE_FOLDER: f"show-{day}", NO_DATE: "USB-REC", OVER_MIDNIGHT: "USB-REC-2"}
    show = folder / names.get(week, f"week-{week:02d}")
    show.mkdir(parents=True)
    if week not in names:
        (show / "show.toml").write_text(note, "utf-8")
    for number, (track, samples) in enumerate(
        tracks_of(week, seed=seed, noise_db=noise_db, sources=sources).items(), 1
    ):
        pieces = [(f"{number:02d} {track}", samples)]
        if week == OVER_MIDNIGHT:
            # a recorder that begins a new file at midnight
            half = samples.size // 2
            tomorrow = day + timedelta(days=1)
            pieces = [
                (f"{number:02d} {track} {day} part 1", samples[:half]),
                (f"{number:02d} {track} {tomorrow} part 2", samples[half:]),
            ]
        for name, piece in pieces:
            soundfile.write(show / f"{name}.wav", piece, RATE_HZ, subtype="PCM_24")
    return show


def keep_at(folder: Path, take: int, week: int) -> None:
    """Put a take's time of keeping into the evening it was kept on: the study runs in minutes."""
    moment = datetime.combine(evening(week), time(22, 30), UTC).isoformat(timespec="seconds")
    with sqlite3.connect(folder / "history.sqlite") as history:
        history.execute("UPDATE take SET kept_at = ? WHERE id = ?", (moment, take))
    history.close()
