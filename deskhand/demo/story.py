"""One evening at Tern Street Hall after six good weeks: a fault, a voice that is covered, an input unlike this house, and the moves done."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.demo import faults, sounds
from deskhand.demo.season import EARLIER_LENGTH_S, _tracks, _write
from deskhand.demo.venue import house_text

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from deskhand.demo.faults import Tracks

BAND: Final = {
    "guitar a": "Ines", "guitar b": "Odile", "lead voice": "Marit", "piano": "Selma", "kick": "Casimir",
    "snare": "Casimir", "overheads": "Casimir",
}  # fmt: skip
"""Players of all weeks of the story: the house's own band, so that what is new this week is not the people. Invented."""
WEEKS: Final = ("2026-01-18", "2026-01-25", "2026-02-01", "2026-02-08", "2026-02-15", "2026-02-22")
"""Six kept weeks: one more than a house needs to know what is normal. Invented."""
EVENING: Final = "2026-03-01"
_SONGS: Final = (300, 301, 302, 303, 305, 308)
"""Seeds of the weeks' songs, added to a thousand for each season: weeks in which nothing is near clipping. Invented."""
_EVENING_SONG: Final = 307
"""Seed of the evening's song, added like those of the weeks. Invented."""
_DEAD_S: Final = 17.0
"""Moment at which the piano's right cable comes loose, in the song. Invented."""
_GUITAR_DB: Final = 7.0
"""Gain of this week's guitar above what it has: an amplifier turned up. Invented."""
_ACOUSTIC_DB: Final = -8.0
"""Gain of this week's acoustic guitar, whose battery is going. Invented."""
_ACOUSTIC_TOP_HZ: Final = 1500
"""Corner above which its pickup is duller, 6 dB an octave. Invented."""


def _write_show(folder: Path, tracks: Tracks, date: str, name: str, planted: list[dict[str, object]]) -> None:
    """Write tracks as a show of the story, with `show.toml` and `truth.json`."""
    folder.mkdir(parents=True, exist_ok=True)
    _write(folder, tracks)
    lines = ["# Invented: nobody of these names played anything.", f'name = "{name}"', f"date = {date}"]
    lines += ['phase = "rehearsal"', "", "[players]", *(f'"{source}" = "{player}"' for source, player in BAND.items())]
    (folder / "show.toml").write_text("\n".join(lines) + "\n", "utf-8")
    (folder / "truth.json").write_text(json.dumps({"invented": True, "planted": planted}, indent=2) + "\n", "utf-8")


def make_weeks(folder: Path, *, seed: int = 1, progress: Callable[[float], None] | None = None) -> list[Path]:
    """Write the house file and the six good weeks, and return their folders, the earliest first."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(house_text(), "utf-8")
    shows = [folder / f"show-{date}" for date in WEEKS]
    for count, (show, date, song) in enumerate(zip(shows, WEEKS, _SONGS, strict=True)):
        tracks = _tracks(np.random.default_rng(1000 * seed + song), EARLIER_LENGTH_S, dict(BAND))
        _write_show(show, tracks, date, "Sunday evening", [])
        if progress is not None:
            progress((count + 1) / len(shows))
    return shows


def _evening(seed: int) -> Tracks:
    """Tracks of the evening: the guitar and the acoustic guitar at this week's levels, nothing broken."""
    tracks = _tracks(np.random.default_rng(1000 * seed + _EVENING_SONG), EARLIER_LENGTH_S, dict(BAND))
    faults.gain(tracks, ["gtr a l", "gtr a r"], _GUITAR_DB)
    faults.gain(tracks, ["agtr"], _ACOUSTIC_DB)
    return tracks


def make_evening(folder: Path, *, seed: int = 1) -> Path:
    """Write this week's soundcheck: one fault, one voice that is covered, one input unlike this house.

    Returns
    -------
    Its folder.
    """
    tracks = _evening(seed)
    tracks["agtr"] = ss.sosfilt(sounds.butterworth(1, _ACOUSTIC_TOP_HZ, "lowpass"), tracks["agtr"])
    faults.dies(tracks, "pno r", _DEAD_S, np.random.default_rng(seed))
    planted: list[dict[str, object]] = [
        {"source": "piano", "kind": "one-sided", "at_s": [_DEAD_S], "what": "right side dies"},
        {"source": "guitar a", "kind": "level-high", "at_s": [], "what": f"{_GUITAR_DB:g} dB too high"},
        {"source": "acoustic", "kind": "level-low", "at_s": [], "what": f"{-_ACOUSTIC_DB:g} dB too low, and dull"},
    ]
    show = folder / f"show-{EVENING}"
    _write_show(show, tracks, EVENING, "Sunday evening", planted)
    return show


def make_second(folder: Path, *, seed: int = 1) -> Path:
    """Write the second recording of the same evening: the piano's cable exchanged, the acoustic guitar with another battery.

    Both guitars come in as loud as before: their trims lie after the point at which the desk records.

    Returns
    -------
    Its folder.
    """
    show = folder / f"show-{EVENING}-second"
    _write_show(show, _evening(seed), EVENING, "Sunday evening, second soundcheck", [])
    return show
