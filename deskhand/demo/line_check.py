"""A line check at Tern Street Hall: one player after the other, a few seconds each, in patch order, with its truth.

Invented and synthesised, like everything of that venue. To practise with: `deskhand live --replay FOLDER`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.demo import faults
from deskhand.demo.season import _bleed, _tracks, _with_noise, _write, pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import SOURCES
from deskhand.house.roles import ROLES
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Tracks = dict[str, NDArray[np.float64]]

BEFORE_S: Final = 5.0
"""Silence before the first player. Common practice, no source."""
PLAYED_S: Final = 7.0
"""Time that each player has. Common practice, no source."""
PAUSE_S: Final = 2.5
"""Pause between two players. Common practice, no source."""
LEFT_OUT: Final = ("audience",)
"""Sources that nobody plays."""
_SOURCE_S: Final = 40.0
"""Length of the show from which each player's part is taken: it has two speeches and a song. Common practice, no source."""
_HEARS: Final = {"lead voice": -34, "voice 2": -33, "voice 3": -32, "lectern": -38, "handheld": -38, "overheads": -22, "snare": -28, "kick": -30}  # fmt: skip
"""Level in dB at which an open microphone hears what another source plays, against that. Common practice, no source."""

_PLAYING: Final = 0.1
"""Share of its loudest half second from which a source plays. Common practice, no source."""


@dataclass(slots=True, kw_only=True)
class LineCheck:
    """Tracks of a line check, with their truth."""

    tracks: Tracks
    turns: list[tuple[str, float, float]] = field(default_factory=list)
    """(source, from, to) in seconds, in the order in which they play."""
    planted: list[tuple[str, str]] = field(default_factory=list)
    """(source, kind of finding); two exchanged inputs have theirs at the one that sounds first."""

    @property
    def length_s(self) -> float:
        """Length of the whole line check."""
        return self.turns[-1][2] + PAUSE_S


def _loudest_part(tracks: list[NDArray[np.float64]]) -> slice:
    """Stretch of a source's tracks in which it plays most: its median half seconds are the loudest."""
    power = _half_second_power(tracks)
    hops = round(PLAYED_S / 0.5)
    medians = [float(np.median(power[start : start + hops])) for start in range(power.size - hops + 1)]
    first = int(np.argmax(medians)) * (RATE_HZ // 2)
    return slice(first, first + round(PLAYED_S * RATE_HZ))


def _half_second_power(tracks: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """(half seconds,) mean power of a source's tracks."""
    hop = RATE_HZ // 2
    power = np.mean([track[: track.size // hop * hop].reshape(-1, hop) ** 2 for track in tracks], axis=(0, 2))
    return np.asarray(power)


def _as_in_the_song(tracks: list[NDArray[np.float64]], part: slice) -> float:
    """Factor with which the loudest part of a source is as loud as it usually is while it plays; never louder than it was played."""
    power = _half_second_power(tracks)
    usual = float(np.median(power[power > _PLAYING * power.max()]))
    alone = float(np.median(_half_second_power([track[part] for track in tracks])))
    return float(min(1.0, (usual / alone) ** 0.5))


def make_line_check(rng: np.random.Generator, *, problems: bool = True) -> LineCheck:
    """All inputs of the venue while one player after the other is asked to play.

    Parameters
    ----------
    rng : Generator
    problems : bool
        True to plant faults: a dead side, exchanged singers, hum, clipping, a side upside down.
    """
    band = _tracks(rng, _SOURCE_S, pick_players(rng))
    names = {name: tracks for name, _, tracks, *_ in SOURCES}
    roles = {name: ROLES[role] for name, role, *_ in SOURCES}
    order = [name for name in names if name not in LEFT_OUT]
    line_check = LineCheck(tracks={})
    begin_s = BEFORE_S
    for name in order:
        line_check.turns.append((name, begin_s, begin_s + PLAYED_S))
        begin_s += PLAYED_S + PAUSE_S
    frames = round(begin_s * RATE_HZ)
    quiet = {name: np.zeros((len(tracks), frames)) for name, tracks in names.items()}
    fade = np.minimum(
        1.0, np.minimum(np.arange(round(PLAYED_S * RATE_HZ)), np.arange(round(PLAYED_S * RATE_HZ))[::-1]) / 960.0
    )
    for name, turn_s, _ in line_check.turns:
        part = _loudest_part([band[track] for track in names[name]])
        turn = slice(round(turn_s * RATE_HZ), round(turn_s * RATE_HZ) + fade.size)
        usual = _as_in_the_song([band[track] for track in names[name]], part)
        played = np.array([band[track][part] * usual * fade for track in names[name]])
        quiet[name][:, turn] += played
        if roles[name].metronome or roles[name].finished:
            continue  # in nobody's air
        heard = _bleed(played.mean(axis=0), 0.0, 0.008, 6000)
        for neighbour, level_db in _HEARS.items():
            if neighbour != name:
                quiet[neighbour][:, turn] += heard * amplitude_from_db(level_db)
    line_check.tracks = _with_noise(rng, quiet)
    if problems:
        _plant(line_check, rng)
    return line_check


def _plant(line_check: LineCheck, rng: np.random.Generator) -> None:
    """Plant the faults of a line check, and write down which."""
    tracks = line_check.tracks
    faults.gain(tracks, ["lead vox"], 22.0)
    np.clip(tracks["lead vox"], -0.999, 0.999, out=tracks["lead vox"])
    faults.invert(tracks, "gtr b r")
    faults.hum(tracks, "bass", -56.0)
    tracks["pno r"] = rng.standard_normal(tracks["pno r"].size) * amplitude_from_db(-95)
    tracks["bv 1"], tracks["bv 2"] = tracks["bv 2"], tracks["bv 1"]
    line_check.planted += [
        ("lead voice", "clipped"), ("guitar b", "polarity"), ("bass", "hum"),
        ("piano", "one-sided"), ("voice 3", "swapped"),
    ]  # fmt: skip


def write_line_check(folder: Path, seed: int, date: str) -> LineCheck:
    """Write a line check as a recording, with `show.toml` and `truth.json`; the same seed gives the same bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    line_check = make_line_check(np.random.default_rng(seed))
    _write(folder, line_check.tracks)
    (folder / "show.toml").write_text(
        f'# Invented: nobody played anything.\nname = "Sunday evening, line check"\ndate = {date}\nphase = "line-check"\n',
        "utf-8",
    )
    truth = {
        "invented": True,
        "turns": [{"source": name, "from_s": begin, "to_s": end} for name, begin, end in line_check.turns],
        "planted": [{"source": source, "kind": kind} for source, kind in line_check.planted],
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", "utf-8")
    return line_check
