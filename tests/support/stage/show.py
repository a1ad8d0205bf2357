"""Shows put together: levels, bleed, noise, the house file, and an audit by plain numpy that nothing in it is to be raised."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.house import ROLES
from tests.support.stage import band, voices
from tests.support.stage.effects import RATE_HZ, Sound, amplitude, held_below, high_passed, low_passed, mixed_late
from tests.support.stage.kit import eighth_s
from tests.support.stage.score import Week, person_of, pick, seeded, songs_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from tests.support.stage.library import Library
    from tests.support.stage.part import Part

    Rig = Callable[[Week], list[Part]]

LENGTH_S: Final = 30.0
"""Length of a show: what a check of 18 inputs takes 4 s for; real ones are longer, and surer."""
HOUSE_NOMINAL_DBFS: Final = -18.0
PEAK_DBFS: Final = -9.0
"""Peaks of a source in the first week: its nominal is set so that they stay here."""
MOST_PEAK_DBFS: Final = -5.0
SPREAD_DB: Final = 0.7
MOST_SPREAD_DB: Final = 1.5
"""Sources lie this near their nominal: a normal distribution, cut off."""
BLEED_DB: Final = (-36.0, -29.0)
"""Drums in another open microphone, against what that microphone is for, by the season; the whole stage is some 8 dB louder: common practice, no source."""
AMBIENCE_DB: Final = (-62.0, -46.0)
"""People, air and loudspeakers in an open microphone, against what it is for, by the season: common practice, no source."""
VOICE_AMBIENCE_DB: Final = -46.0
"""The same in a voice's microphone, whose lines were recorded in rooms of about this noise."""
SINE_OFFSET_DB: Final = 3.0103
"""A full-scale sine reads 0 dBFS: AES17-2020, 3.12.1."""

DIGITAL_FLOOR_DBFS: Final = -110.0
"""Inputs with less noise than this come from a machine without a converter between."""
NOTHING_DBFS: Final = -120.0
"""Below the noise of every converter: nothing plays."""

STROKES_RANGE_DB: Final = 6.0
"""Strokes no softer than the loud ones by this are those by which an engineer sets a drum: the back-beats. Ghost strokes are not. Common practice,
no source."""
LOUD_STROKES_PERCENT: Final = 90.0
"""Percentile of the strokes that stands for the loud ones: what is louder still, a last crash, counts as one of them. Common practice, no source."""

_CHOICES: Final[tuple[tuple[tuple[str, ...], tuple[Rig, ...]], ...]] = (
    (("drums",), (band.drums, band.gated_drums)),
    (("bass",), (band.bass_di_and_microphone, band.bass_octave, band.bass_driven)),
    (("guitar",), (band.guitar_gated, band.guitar_ping_pong, band.guitar_near_far)),
    (("acoustic", "wind"), (band.acoustic_pickup_and_microphone, voices.wind_two_microphones)),
    (("keys",), (band.keys_rotating, band.keys_chorus, band.keys_near_far)),
    (("lead voice", "voice 2"), (voices.singers,)),
    (("announcer",), (voices.announcer,)),
    (("percussion",), (voices.percussion, voices.hand_percussion, voices.playback_and_click)),
    (("guest",), (voices.guest,)),
)
"""People of each rig, and the rigs of which a season has one."""
HOUSE_NAME: Final = "Tern Street Hall"
_REGULAR_WEEKS: Final = 3
"""Each third week has a new player somewhere."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageShow:
    """A show as it is recorded."""

    season: int
    week: int
    parts: tuple[Part, ...]
    """Sources with their sound as the desk records it."""
    nominal_dbfs: dict[str, float]
    notes: tuple[str, ...]
    """Whatever the audit found: empty in a clean show."""

    @property
    def tracks(self) -> dict[str, Sound]:
        """Track to its samples, in the order of the patch."""
        return {track: row for part in self.parts for track, row in zip(part.tracks, part.sound, strict=True)}

    @property
    def players(self) -> tuple[tuple[str, str], ...]:
        """Source and its player, where somebody is named."""
        return tuple((part.name, part.player) for part in self.parts if part.player)

    def rig_of(self, source: str) -> str:
        """Rig that a source belongs to; empty for what is no source."""
        return next((part.rig for part in self.parts if part.name == source), "")


def rigs_of(season: int) -> tuple[Rig, ...]:
    """Rigs that play in a season: each of them comes up as often as its like over the seasons."""
    return tuple(
        rigs[(season + seeded("rig", season // len(rigs), row).permutation(len(rigs))[0]) % len(rigs)]
        for row, (_, rigs) in enumerate(_CHOICES)
    )


def week_of(library: Library, season: int, number: int, *, length_s: float = LENGTH_S) -> Week:
    """Songs and people of a week; the first is number 1."""
    rng = seeded("songs", season, number)
    songs, talks_s = songs_of(rng, length_s, eighth_s(library))
    everyone = [name for names, _ in _CHOICES for name in names]
    people = {name: person_of(season, name, 0) for name in everyone}
    people["announcer"] = person_of(season, "announcer", int(rng.integers(3)))
    if number % _REGULAR_WEEKS == 0:
        newcomer = everyone[(number // _REGULAR_WEEKS + season) % len(everyone)]
        people[newcomer] = person_of(season, newcomer, 100 + number)
    has_guest = number % 4 == 2
    if has_guest:
        people["guest"] = person_of(season, "guest", 200 + number)
    return Week(
        library=library, season=season, number=number, frames=round(length_s * RATE_HZ), songs=songs, talks_s=talks_s,
        people=people, trades_microphones=number % 5 == 4, has_guest=has_guest,
    )  # fmt: skip


def window_levels_dbfs(sound: Sound) -> Sound:
    """(windows,) level of 300 ms every 100 ms, mean power of the tracks, AES17."""
    hop = RATE_HZ // 10
    power = np.mean(sound[:, : sound.shape[1] // hop * hop].reshape(sound.shape[0], -1, hop) ** 2, axis=(0, 2))
    return np.asarray(10 * np.log10(np.convolve(power, np.ones(3) / 3, "valid") + 1e-20) + SINE_OFFSET_DB)


def playing_level_dbfs(sound: Sound, *, is_struck: bool = False, is_kit: bool = False) -> float:
    """Median level of the windows in which something plays; for what is struck, and for a whole kit, mean power of the loud strokes.

    Written for this study: windows within 25 dB of the loud ones; hits are blocks of 100 ms that rise by 6 dB. An engineer sets a drum by
    its loud strokes, and the microphones above a kit by the loud moments of the whole: how many soft strokes lie between is the music's
    (common practice, no source). In 60 weeks of one kit the loud strokes lay 2 to 9 dB above the median of all, by how many soft ones there were.
    """
    levels_db = window_levels_dbfs(sound)
    loud_db = float(np.percentile(levels_db, 95))
    if loud_db < NOTHING_DBFS:
        return float("-inf")
    if not is_struck and not is_kit:
        return float(np.median(levels_db[levels_db > loud_db - 25.0]))
    strokes_db = levels_db
    if is_struck:
        hop = RATE_HZ // 10
        power = np.mean(sound[:, : sound.shape[1] // hop * hop].reshape(sound.shape[0], -1, hop) ** 2, axis=(0, 2))
        rises = np.diff(10 * np.log10(power + 1e-20), prepend=-200.0)[: levels_db.size] >= 6.0
        strokes_db = levels_db[rises]
        if not strokes_db.size:
            return float("-inf")
        # a few strokes of a tom are no twentieth of the time
        loud_db = float(strokes_db.max())
    strokes_db = strokes_db[strokes_db > loud_db - 15.0]
    loud_stroke_db = np.percentile(strokes_db, LOUD_STROKES_PERCENT)
    loud_strokes_db = np.minimum(strokes_db[strokes_db >= loud_stroke_db - STROKES_RANGE_DB], loud_stroke_db)
    return float(10 * np.log10(np.mean(10 ** (loud_strokes_db / 10))))


def part_level_dbfs(part: Part) -> float:
    """Level of a part's playing."""
    return playing_level_dbfs(part.sound, is_struck=part.is_struck, is_kit=ROLES[part.role].hears_kit)


def _at_level(part: Part, goal_dbfs: float) -> Part:
    """Part whose playing has this level and whose rare peaks are held."""
    sound = part.sound
    for _ in range(4):
        level_dbfs = part_level_dbfs(replace(part, sound=sound))
        if not np.isfinite(level_dbfs):
            return part
        sound = held_below(sound * amplitude(goal_dbfs - level_dbfs), amplitude(MOST_PEAK_DBFS))
    return replace(part, sound=sound)


def dry_parts(week: Week) -> list[Part]:
    """Parts of all rigs, before gain, bleed and noise."""
    parts = [part for rig in rigs_of(week.season) for part in rig(week)]
    return [
        # every microphone and line input blocks direct current
        replace(part, sound=np.stack([high_passed(row, 8.0, 1) for row in part.sound]))
        if part.floor_dbfs > DIGITAL_FLOOR_DBFS
        else part
        for part in parts
    ]


@functools.lru_cache(maxsize=8)
def nominals_dbfs(library: Library, season: int) -> dict[str, float]:
    """Nominal of each source, by how far its peaks stand above its level in the first week; a guest's is that of the other instruments."""
    levels, silent = {}, []
    parts = dry_parts(week_of(library, season, 1))
    for part in parts:
        level_dbfs = part_level_dbfs(part)
        peak_dbfs = 20 * np.log10(np.abs(part.sound).max() + 1e-9)
        quiet_dbfs = np.floor(level_dbfs - peak_dbfs + PEAK_DBFS)
        if np.isfinite(quiet_dbfs):
            levels[part.name] = float(min(HOUSE_NOMINAL_DBFS, quiet_dbfs))
        else:
            silent.append(part.name)
    # whoever comes later is brought in among those who hold notes beside them: on the same fader, as loud as they are
    beside_dbfs = [levels[part.name] for part in parts if part.name in levels and _is_beside_a_guest(part)]
    return levels | dict.fromkeys(silent, float(np.median(beside_dbfs)) if beside_dbfs else HOUSE_NOMINAL_DBFS)


def _is_beside_a_guest(part: Part) -> bool:
    """True for an instrument that holds notes."""
    return not part.is_struck and not ROLES[part.role].is_voice and ROLES[part.role].in_a_mix


def _hiss(rng: np.random.Generator, frames: int, level_dbfs: float) -> Sound:
    """(frames,) of noise at a level, a little louder at the bottom."""
    noise = rng.standard_normal(frames)
    noise += 2.0 * low_passed(rng.standard_normal(frames), 200.0)
    return np.asarray(noise * amplitude(level_dbfs) / np.sqrt(np.mean(noise**2)))


def _with_bleed(week: Week, parts: list[Part]) -> list[Part]:
    """Parts whose open microphones hear the other rigs, each at a distance that stays for the season."""
    waves = {}
    for part in parts:
        level_dbfs = part_level_dbfs(part)
        if part.stage_db is not None and np.isfinite(level_dbfs):
            waves[part.name] = part.sound.mean(axis=0) * amplitude(part.stage_db - level_dbfs)
    hall = week.of_season("hall")
    bleed_db, ambience_db = float(hall.uniform(*BLEED_DB)), float(hall.uniform(*AMBIENCE_DB))
    heard = []
    for part in parts:
        level_dbfs = part_level_dbfs(part)
        if not part.is_open or not np.isfinite(level_dbfs):
            heard.append(part)
            continue
        rows = []
        for track, row in zip(part.tracks, part.sound, strict=True):
            rng = week.of_season(f"place of {track}")
            neighbours = []
            for other in parts:
                gain_db, delay_s = (
                    level_dbfs + bleed_db + float(rng.uniform(-4.0, 4.0)),
                    float(rng.uniform(0.004, 0.018)),
                )
                if other.name in waves and other.rig != part.rig:
                    neighbours.append((waves[other.name], amplitude(gain_db), delay_s))
            bleed = low_passed(mixed_late(neighbours, week.frames), float(rng.uniform(4000.0, 8000.0)))
            ambience = _hiss(
                week.generator(f"air of {track}"),
                week.frames,
                level_dbfs + (VOICE_AMBIENCE_DB if ROLES[part.role].is_voice else ambience_db),
            )
            rows.append(row + bleed + ambience)
        heard.append(replace(part, sound=np.stack(rows)))
    return heard


def clean_show(
    library: Library, season: int, number: int, *, length_s: float = LENGTH_S, by_cable: Collection[str] = ()
) -> StageShow:
    """Clean show of a week, with what the audit has to say against it; roles `by_cable` hear nobody, whatever their rig has."""
    week = week_of(library, season, number, length_s=length_s)
    nominal_dbfs = nominals_dbfs(library, season)
    parts = []
    for part in dry_parts(week):
        rng = week.generator(f"level of {part.name}")
        spread_db = float(np.clip(rng.normal(0.0, SPREAD_DB), -MOST_SPREAD_DB, MOST_SPREAD_DB))
        part = replace(part, is_open=False) if part.role in by_cable else part
        parts.append(_at_level(part, nominal_dbfs[part.name] + spread_db))
    notes = [note for part in parts for note in _level_notes(part, nominal_dbfs[part.name])]
    noisy = []
    for part in _with_bleed(week, parts):
        rng = week.generator(f"noise of {part.name}")
        floor_dbfs = part.floor_dbfs
        if part.hiss_db is not None:
            floor_dbfs = max(floor_dbfs, nominal_dbfs[part.name] + part.hiss_db)
        # machines without a converter between give digital silence in every second season
        if part.floor_dbfs > DIGITAL_FLOOR_DBFS or season % 2:
            part = replace(
                part, sound=part.sound + np.stack([_hiss(rng, week.frames, floor_dbfs) for _ in part.tracks])
            )
        noisy.append(part)
    notes += [note for part in noisy for note in _sound_notes(part)]
    return StageShow(season=season, week=number, parts=tuple(noisy), nominal_dbfs=nominal_dbfs, notes=tuple(notes))


def _level_notes(part: Part, nominal_dbfs: float) -> list[str]:
    """Complaints of the audit about a part's level before bleed and noise."""
    level_dbfs = part_level_dbfs(part)
    if not np.isfinite(level_dbfs):
        return [] if ROLES[part.role].may_be_silent else [f"{part.name} does not play"]
    off_db = level_dbfs - nominal_dbfs
    return [f"{part.name} is {off_db:+.1f} dB off"] if abs(off_db) > MOST_SPREAD_DB + 0.3 else []


def _sound_notes(part: Part) -> list[str]:
    """Complaints of the audit about a part as it is recorded."""
    notes = []
    if not np.all(np.isfinite(part.sound)):
        notes.append(f"{part.name} holds what is no number")
    if np.abs(part.sound).max() > amplitude(MOST_PEAK_DBFS):
        first = int(np.argmax(np.abs(part.sound).max(axis=0)))
        around = part.sound[:, max(0, first - 500) : first + 500]
        peak_db = 20 * np.log10(np.abs(ss.resample_poly(around, 4, 1, axis=1)).max())
        if peak_db > -3.5:
            notes.append(f"{part.name} peaks at {peak_db:.1f} dBTP")
    if np.abs(part.sound.mean(axis=1)).max() > 1e-3:
        notes.append(f"{part.name} has an offset")
    if len(part.tracks) == 2 and not ROLES[part.role].may_be_silent:
        sides_db = 10 * np.log10(np.mean(part.sound**2, axis=1) + 1e-20)
        if abs(sides_db[0] - sides_db[1]) > 10.0:
            notes.append(f"{part.name} has sides {sides_db[0] - sides_db[1]:+.1f} dB apart")
    return notes


def house_text(show: StageShow, *, own_level: Collection[str] = ()) -> str:
    """House file of a season's sources; those of `own_level` have a nominal of their own."""
    lines = ["[house]", f'name = "{HOUSE_NAME}"', f'nominal = "{HOUSE_NOMINAL_DBFS:g} dBFS"', ""]
    for part in show.parts:
        names = ", ".join(f'"{track}"' for track in part.tracks)
        lines += ["[[source]]", f'name = "{part.name}"', f'role = "{part.role}"', f"tracks = [{names}]"]
        if ROLES[part.role].in_a_mix:
            lines.append(f'fader = "{part.fader_db:g} dB"')
        # drums have a nominal of their own in every second house
        if (
            part.name in own_level
            or ROLES[part.role].own_level
            or (part.is_struck and show.season % 2 and ROLES[part.role].in_a_mix)
        ):
            lines.append(f'nominal = "{show.nominal_dbfs[part.name]:g} dBFS"')
        if part.is_open:
            lines.append(f'microphone = "{"condenser pair" if len(part.tracks) == 2 else "dynamic"}"')
        if part.high_pass_hz is not None:
            lines += ["[[source.chain]]", 'block = "high-pass"', f'frequency = "{part.high_pass_hz:g} Hz"']
        lines.append("")
    return "\n".join([*lines, "[vocal]", 'source = "lead voice"', ""])


__all__ = ["LENGTH_S", "StageShow", "clean_show", "house_text", "pick", "rigs_of", "week_of"]
