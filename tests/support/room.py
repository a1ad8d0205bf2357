"""Mixes in which the lead voice is hard to hear, and what is moved for it: made shows, faders set wrong by known amounts.

Every case runs the product's own planning on a recording in memory. The moves are written into the house file as `--write-week` does, and the
feed of that file is run past the voice again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import scipy.signal as ss

from deskhand.baseline.numbers import FEED_LEVEL
from deskhand.demo.season import pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import house_text
from deskhand.desk import DeskState
from deskhand.findings import Finding
from deskhand.house import ROLES, changed, match_tracks, parse_house, with_edits
from deskhand.mix.voices import feed_strips, measure_voices
from deskhand.moves.conduct import PlanningInput
from deskhand.moves.voice import VoiceFeed, make_way
from deskhand.moves.voice_limits import FeedLevels
from deskhand.moves.week import edit_of
from deskhand.recording.held import held_recording
from deskhand.tasks.check.measure import TakeInput, measure
from tests.support.season_data import tracks_of

if TYPE_CHECKING:
    from deskhand.house import HouseFile
    from deskhand.moves.state import Plan
    from deskhand.tasks.check.measure import TakeReadings

Kind = Literal["low", "unknown", "stray", "loud"]

LEAD: Final = "lead voice"
LECTERN: Final = "lectern"
GUITARS: Final = ("guitar a", "guitar b", "acoustic")
SEED: Final = 909
KEPT_WEEKS: Final = 6
LOUD_DB: Final = 6.0
MARGIN_DB: Final = 10.0
LEAST_MISSING_PCT: Final = 2.0
"""A voice that misses less is not covered by what was planted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomCase:
    """One mix, and what was moved for its voice."""

    material: str
    planted: str
    wanted_pct: float
    before_pct: float
    predicted_pct: float
    after_pct: float
    """Of the week's house file with the moves in it, run again."""
    hands: int
    moved: tuple[str, ...]
    """The hands by where they are: voice, mute, or the name of a source."""
    voice_up_db: float
    speech_moved: bool
    """True where a fader of somebody who speaks is moved."""

    @property
    def solved(self) -> bool:
        """True where the wanted clearance is there, to the point that is shown."""
        return self.after_pct > self.wanted_pct - 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredShow:
    """A clean show in memory, measured with the venue's house file."""

    material: str
    recording: Any
    readings: TakeReadings


def venue(extra: str = "") -> HouseFile:
    """The invented venue, with further keys of its [vocal]."""
    return parse_house(venue_text(extra), Path("house.toml"))


def venue_text(extra: str = "") -> str:
    """House file of the invented venue without a margin and a limit of its own, with further keys of its [vocal], the last table."""
    lines = [line for line in house_text().splitlines() if not line.startswith(("margin =", "limit ="))]
    return "\n".join([*lines, extra, ""])


def stray_microphone(tracks: dict[str, np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """The stage as a lectern's open microphone hears it: everything, late and dull, as loud as 0 to 6 dB below speech at its nominal level."""
    stage = np.sum(
        [sound for name, sound in tracks.items() if name not in ("click", "aud l", "aud r", "spk lectern")], axis=0
    )
    dull = ss.sosfilt(ss.butter(1, 6000, fs=RATE_HZ, output="sos"), np.roll(stage, int(rng.integers(480, 1200))))
    nominal_db = -22.0 - float(rng.uniform(0.0, 6.0))
    return np.asarray(dull * 10 ** (nominal_db / 20) / np.sqrt(2 * np.mean(dull**2)))


def measured_show(material: str, number: int, length_s: float, *, stray: bool = False) -> MeasuredShow:
    """A show of a kind of material, measured; the lectern says nothing where its microphone is the stray one."""
    rng = np.random.default_rng([616, number, stray, material == "samples"])
    tracks = dict(tracks_of(material, rng, length_s, pick_players(rng)))
    if stray:
        tracks["spk lectern"] = stray_microphone(tracks, rng)
    names = list(tracks)
    recording = held_recording(np.array([tracks[name] for name in names], np.float32), names, RATE_HZ)
    house = venue()
    take = TakeInput(
        house=house, recording=recording, matched=match_tracks(house, names), desk=DeskState(tap="preamp"), folder=None,
        line_check=False,
    )  # fmt: skip
    return MeasuredShow(material=material, recording=recording, readings=measure(take))


def feed_levels_dbfs(show: MeasuredShow, house: HouseFile) -> dict[str, float]:
    """Source to its level after chain and fader."""
    levels = {}
    for source in house.source:
        reading = show.readings.after.get(source.name, show.readings.before.get(source.name))
        if reading is not None and reading.readings.level_dbfs is not None and source.fader_db is not None:
            levels[source.name] = reading.readings.level_dbfs + source.fader_db
    return levels


@cache
def kept_levels_dbfs(material: str, length_s: float) -> tuple[dict[str, float], ...]:
    """Levels in the feed of the kept weeks: shows with the venue's own faders."""
    return tuple(
        feed_levels_dbfs(measured_show(material, 9000 + week, length_s), venue()) for week in range(KEPT_WEEKS)
    )


def _kept_part(source: str, level_dbfs: float) -> Any:
    return SimpleNamespace(source=source, stage="tap", values={FEED_LEVEL: (level_dbfs, None)})


def clearance(show: MeasuredShow, house: HouseFile) -> Any:
    """Clearance of the lead voice with the faders and chains of a house file."""
    chains = {source.name: source.chain for source in house.source}
    strips = feed_strips(house, show.readings.tracks, chains, in_song=True)
    [voice] = measure_voices(
        show.recording, strips, show.readings.playing, [LEAD], offset_db=show.readings.offset_db, with_costs=False
    )
    return voice


def _with_faders(house: HouseFile, change_db: dict[str, float]) -> HouseFile:
    return replace(
        house,
        source=[
            changed(source, fader_db=(source.fader_db or 0.0) + change_db.get(source.name, 0.0))
            if source.name in change_db
            else source
            for source in house.source
        ],
    )


def _planned(
    show: MeasuredShow, house: HouseFile, lead: Any, kept: tuple[dict[str, float], ...]
) -> tuple[Any, dict[str, Plan]]:
    """Outcome for the voice and the plans of the product, for a take in which the voice was found covered."""
    readings = show.readings
    finding = Finding(
        id=f"{LEAD}/vocal-covered", kind="vocal-covered", stage="after", severity="listen", what="covered"
    )
    parts: dict[tuple[str, str], list[Any]] = {}
    for week in kept:
        for name, level_dbfs in week.items():
            parts.setdefault((name, "tap"), []).append(_kept_part(name, level_dbfs))
    planning = PlanningInput(
        house=house, recording=show.recording, folder=None, figures=readings.figures, before=readings.before,
        after=readings.after, blocks={source.name: list(source.chain) for source in house.source}, turned={}, standing={}, standing_faders_db={},
        findings={LEAD: [finding]}, baseline=SimpleNamespace(parts=parts) if kept else None,  # type: ignore[arg-type]
        parts=[_kept_part(name, level_dbfs) for name, level_dbfs in feed_levels_dbfs(show, house).items()],
        line_check=False, level_dba=88.0, threads=1,
    )  # fmt: skip
    mix = readings.mix
    feed = VoiceFeed(
        tracks=readings.tracks, blocks=readings.blocks, lead=lead, offset_db=readings.offset_db, playing=readings.playing,
        levels=FeedLevels(true_peak_dbtp=mix.true_peak_dbtp if mix else None, level_dba=mix.level_dba if mix else None),
    )  # fmt: skip
    plans: dict[str, Plan] = {}
    return make_way(planning, feed, plans), plans


def room_case(
    show: MeasuredShow, planted_db: dict[str, float], *, margin: bool, kept: bool, goal_pct: float
) -> RoomCase | None:
    """Plant faders, have room made, write the week and run it again; None where the voice hardly misses what it had.

    Parameters
    ----------
    show : MeasuredShow
    planted_db : dict
        Source to the change of its fader.
    margin : bool
        Whether the house states how far the voice may go up.
    kept : bool
        Whether the house has kept weeks.
    goal_pct : float
        Index that is wanted.
    """
    text = venue_text(f'margin = "{MARGIN_DB:g} dB"' if margin else "").replace(
        'clearance = "35 %"', f'clearance = "{goal_pct} %"'
    )
    faders = {source.name: source.fader_db or 0.0 for source in venue().source}
    for name, change_db in planted_db.items():
        section = f'name = "{name}"'
        head, tail = text.split(section)
        text = (
            head
            + section
            + tail.replace(f'fader = "{faders[name]:g} dB"', f'fader = "{faders[name] + change_db:.1f} dB"', 1)
        )
    house = parse_house(text, Path("house.toml"))
    before = clearance(show, house)
    if goal_pct - before.clearance_pct.mono < LEAST_MISSING_PCT:
        return None
    outcome, plans = _planned(
        show, house, before, kept_levels_dbfs(show.material, show.recording.duration_s) if kept else ()
    )
    week = parse_house(
        with_edits(text, {name: edit_of(plan.with_ids(name)) for name, plan in plans.items() if plan.moves}),
        Path("house.toml"),
    )
    speakers = {source.name for source in house.source if ROLES[source.role].speaks}
    return RoomCase(
        material=show.material,
        planted=", ".join(f"{name} {change_db:+.1f} dB" for name, change_db in planted_db.items()),
        wanted_pct=goal_pct,
        before_pct=before.clearance_pct.mono,
        predicted_pct=outcome.clearance_pct.mono,
        after_pct=clearance(show, week).clearance_pct.mono,
        hands=outcome.hands,
        moved=tuple("voice" if name == LEAD else "mute" if name in outcome.muted else name for name in outcome.gives_way),
        voice_up_db=outcome.voice_up_db or 0.0,
        speech_moved=any("fader" in move.settings for name in speakers & plans.keys() for move in plans[name].moves),
    )  # fmt: skip


def wanted_pct(show: MeasuredShow, house: HouseFile) -> float:
    """Index of the lead voice in a show as it should be, as a house file states it."""
    return float(round(clearance(show, house).clearance_pct.mono, 1))


def low_cases(show: MeasuredShow, rng: np.random.Generator) -> dict[Kind, RoomCase | None]:
    """One low voice, in a house that states a margin and in one that does not."""
    low_db = float(rng.choice(np.arange(2.0, 8.5, 0.5)))
    goal_pct = wanted_pct(show, venue())
    return {
        "low": room_case(show, {LEAD: -low_db}, margin=True, kept=False, goal_pct=goal_pct),
        "unknown": room_case(show, {LEAD: -low_db}, margin=False, kept=False, goal_pct=goal_pct),
    }


def loud_cases(show: MeasuredShow) -> list[RoomCase | None]:
    """Each guitar loud against its kept weeks."""
    goal_pct = wanted_pct(show, venue())
    return [room_case(show, {name: LOUD_DB}, margin=True, kept=True, goal_pct=goal_pct) for name in GUITARS]


def stray_case(show: MeasuredShow, rng: np.random.Generator) -> RoomCase | None:
    """A low voice and a lectern's open microphone; wanted is the show with the voice right and the lectern muted."""
    house = venue()
    muted = replace(
        house,
        source=[changed(source, mute=True) if source.name == LECTERN else source for source in house.source],
    )
    low_db = float(rng.choice(np.arange(2.0, 8.5, 0.5)))
    return room_case(show, {LEAD: -low_db}, margin=True, kept=False, goal_pct=wanted_pct(show, muted))
