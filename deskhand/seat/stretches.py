"""Songs and speeches of an evening, from the levels of the band's and the talkers' inputs and the songs that the show's note names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.house import Source

StretchKind = Literal["song", "speech"]
_BELOW_LOUD_DB: Final = 22.0
"""Distance below its loud seconds down to which a band plays, or somebody speaks: more is bleed. Common practice, no source."""
_LOUD_PCT: Final = 90.0
"""Share of the seconds below the loud ones. Common practice, no source."""
_QUIETEST_DBFS: Final = -60.0
"""Level below which nothing plays, whatever the rest does. Common practice, no source."""
_SONG_S, _SONG_GAP_S = 30, 4
"""Shortest song, and the longest rest in one: a stop before the last chorus. Common practice, no source."""
_SPEECH_S, _SPEECH_GAP_S = 8, 8
"""Shortest speech, and the longest pause in one. Common practice, no source."""
_NAMED_EARLY_S: Final = 15.0
"""How much before the first note a song may be written down to begin: a count-in, a word. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowStretch:
    """Song or speech, in seconds from where the recording was begun to be read."""

    kind: StretchKind
    name: str
    start: int
    end: int


def band_and_speech(sources: Sequence[Source]) -> tuple[list[str], list[str]]:
    """Names of the sources that make a song, and of those that make a speech."""
    from deskhand.house import ROLES

    roles = {source.name: ROLES[source.role] for source in sources if source.used}
    band = [
        name
        for name, role in roles.items()
        if not (role.is_voice or role.hears_room or role.metronome or role.to_stage or role.unclear)
    ]
    return band, [name for name, role in roles.items() if role.speaks]


def _active(squares: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(seconds,) True where a group of inputs plays."""
    levels_db = db_from_power(squares)
    audible = levels_db[levels_db > _QUIETEST_DBFS]
    if not audible.size:
        return np.zeros(squares.size, np.bool_)
    floor_db = max(_QUIETEST_DBFS, float(np.percentile(audible, _LOUD_PCT)) - _BELOW_LOUD_DB)
    return np.asarray(levels_db > floor_db)


def _runs(active: NDArray[np.bool_], *, gap_s: int, shortest_s: int) -> list[tuple[int, int]]:
    """Stretches of seconds, those with short gaps between them joined, short ones left out."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], active, [False]]).astype(np.int8)))
    runs: list[tuple[int, int]] = []
    for start, end in edges.reshape(-1, 2):
        if runs and start - runs[-1][1] <= gap_s:
            runs[-1] = (runs[-1][0], int(end))
        else:
            runs.append((int(start), int(end)))
    return [(start, end) for start, end in runs if end - start >= shortest_s]


def stretches(
    band_square: NDArray[np.float64],
    speech_square: NDArray[np.float64],
    *,
    songs: Sequence[tuple[str, float]] = (),
    shift_s: float = 0.0,
) -> list[ShowStretch]:
    """Songs and speeches in the order of time.

    Parameters
    ----------
    band_square, speech_square : (seconds,) arrays
        Summed mean squares of the inputs that make a song, and of those that make a speech; zeros where there are none.
    songs : sequence of (name, begin)
        Songs that the show's note names, and where each begins in the recording, in seconds, in the order of time.
    shift_s : float
        Where in the recording the first second lies.
    """
    seconds = band_square.size
    named = [(name, round(begin_s - shift_s)) for name, begin_s in songs]
    runs = _runs(_active(band_square), gap_s=_SONG_GAP_S, shortest_s=_SONG_S)
    if not runs and named:
        bounds = [max(0, begin) for _, begin in named] + [seconds]
        played = [
            ShowStretch(kind="song", name=name, start=bounds[n], end=bounds[n + 1]) for n, (name, _) in enumerate(named)
        ]
        played = [song for song in played if song.end > song.start]
    else:
        played = _named_songs(runs, named)
    talking = _active(speech_square)
    for song in played:
        talking[song.start : song.end] = False
    spoken = [
        ShowStretch(kind="speech", name="", start=start, end=end)
        for start, end in _runs(talking, gap_s=_SPEECH_GAP_S, shortest_s=_SPEECH_S)
    ]
    return sorted([*played, *spoken], key=lambda stretch: stretch.start)


def _named_songs(runs: Sequence[tuple[int, int]], named: Sequence[tuple[str, int]]) -> list[ShowStretch]:
    """Songs of the runs of the band, parted and called as the note says."""
    songs = []
    for start, end in runs:
        inside = [(name, begin) for name, begin in named if start - _NAMED_EARLY_S <= begin < end]
        if not inside:
            songs.append(ShowStretch(kind="song", name="", start=start, end=end))
            continue
        begins = [start, *(max(start, begin) for _, begin in inside[1:]), end]
        songs += [
            ShowStretch(kind="song", name=name, start=begins[n], end=begins[n + 1])
            for n, (name, _) in enumerate(inside)
        ]
    return [song for song in songs if song.end > song.start]
