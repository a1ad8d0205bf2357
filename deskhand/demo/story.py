"""Story of Tern Street Hall: six good weeks, an evening with three things wrong, and the same evening after the moves were made."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import scipy.signal as ss

from deskhand.demo import faults, sounds
from deskhand.demo.faults import PlantedFault
from deskhand.demo.season import ShowPlan, make_show
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.demo.faults import Tracks

_BAND: Final = {
    "guitar a": "Ines", "guitar b": "Odile", "lead voice": "Marit", "piano": "Selma", "kick": "Casimir",
    "snare": "Casimir", "overheads": "Casimir",
}  # fmt: skip
"""Players of all weeks: the house's own band, so that what is new this week is not the people. Invented."""
_WEEKS: Final = (
    ("2026-01-18", 300), ("2026-01-25", 301), ("2026-02-01", 302), ("2026-02-08", 303), ("2026-02-15", 305), ("2026-02-22", 308),
)  # fmt: skip
"""Six kept weeks, one more than a house needs to know what is normal, and the seeds of their songs, in which nothing is near clipping.
Invented."""
EVENING: Final = "2026-03-01"
"""Date of this week. Invented."""
_EVENING_SONG, _SECOND_SONG = 311, 309
"""Seeds of the songs of the soundcheck and of the second recording. Invented."""
_DEAD_S: Final = 19.0
"""Moment at which the piano's right cable comes loose, in the song. Invented."""
_VOICE_DB: Final = -9.0
"""Gain of the lead voice's radio microphone against what it is every week: somebody turned its transmitter down. Invented."""
_DULL_DB: Final = -9.0
"""Change of the acoustic guitar's top: its tone control is turned down. Invented."""
_DULL_HZ: Final = 2000
"""Corner of that. Invented."""


def _plan(name: str, date: str, song: int, seed: int, title: str = "Sunday evening") -> ShowPlan:
    """Plan of a show of the story; each season has songs of its own."""
    return ShowPlan(name=name, date=date, seed=1000 * seed + song, players=_BAND, title=title)


def good_weeks(seed: int) -> list[ShowPlan]:
    """Plans of the six good weeks, the earliest first."""
    return [_plan(f"show-{date}", date, song, seed) for date, song in _WEEKS]


def _dull(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sound with less above the corner: a shelf, 6 dB an octave."""
    low = ss.sosfilt(sounds.butterworth(1, _DULL_HZ, "lowpass"), sound)
    return low + amplitude_from_db(_DULL_DB) * (sound - low)


def _wrong(tracks: Tracks, rng: np.random.Generator) -> list[PlantedFault]:
    """Plant what is wrong this week: one fault, one voice that is covered, one input unlike this house."""
    faults.gain(tracks, ["lead vox"], _VOICE_DB)
    tracks["agtr"] = _dull(tracks["agtr"])
    faults.dies(tracks, "pno r", _DEAD_S, rng)
    return [
        PlantedFault(source="piano", kind="one-sided", at_s=(_DEAD_S,), description="right side dies"),
        PlantedFault(
            source="lead voice", kind="level-low", description=f"{-_VOICE_DB:g} dB too low: covered by the band"
        ),
        PlantedFault(source="acoustic", kind="tone", description="tone control turned down"),
    ]


def _mended(tracks: Tracks, _: np.random.Generator) -> list[PlantedFault]:
    """Leave the voice as it comes in: its trim lies behind the point at which the desk records."""
    faults.gain(tracks, ["lead vox"], _VOICE_DB)
    return []


def make_evening(folder: Path, *, seed: int = 1) -> Path:
    """Write this week's soundcheck below a folder, and return its own."""
    show = folder / f"show-{EVENING}"
    make_show(show, _plan(show.name, EVENING, _EVENING_SONG, seed), _wrong)
    return show


def make_second(folder: Path, *, seed: int = 1) -> Path:
    """Write the second recording of that evening, another song, and return its folder: cable exchanged, tone control up, trim turned."""
    show = folder / f"show-{EVENING}-second"
    plan = _plan(show.name, EVENING, _SECOND_SONG, seed, "Sunday evening, second soundcheck")
    make_show(show, plan, _mended)
    return show
