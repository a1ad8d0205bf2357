"""Resolves a recording and its options to a house, a show, and a source for every track."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from deskhand.desk import DeskState
from deskhand.errors import HouseError
from deskhand.findings import Finding
from deskhand.house import (
    FormerNames,
    HouseFile,
    MatchedTracks,
    Source,
    find_house,
    former_names,
    match_tracks,
    parse_house,
    read_house,
    settings_file,
    standing_file,
    week_note,
    with_todays_names,
)  # fmt: skip
from deskhand.recording import Recording, ShowNote, show_note_of
from deskhand.recording.names import key, nearest
from deskhand.recording.show import checked_date
from deskhand.result import ShowResult
from deskhand.tasks.check.named import require_named
from deskhand.tasks.new import guess_house

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.recording.show import Tap
    from deskhand.tasks.check.options import CheckOptions


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShowSetup:
    """House, show and tracks of a check, before anything is measured."""

    house: HouseFile
    """With a source for each track that nobody claims."""
    house_file: Path | None
    """Where the house is described, this week's file where there is one; None when it was guessed."""
    standing_file: Path | None
    """The standing house file: the same, or beside this week's."""
    house_text: str
    """Text of the house file that was read, with today's names; empty where it was guessed."""
    names: FormerNames
    """Earlier names of the house and its sources."""
    show: ShowResult
    matched: MatchedTracks
    unclaimed: tuple[str, ...]
    """Sources added for tracks that nobody claims."""
    song_names: tuple[tuple[str, float], ...]
    """Songs that the show's note names and where each begins, in seconds from the start of the recording."""
    desk: DeskState
    """Taps of the sources, and what was turned before them since the take was recorded."""

    @property
    def folder(self) -> Path | None:
        """Folder of the house file."""
        return self.house_file.parent if self.house_file else None

    @property
    def is_line_check(self) -> bool:
        """True where sources play one after the other."""
        return self.show.phase == "line-check"

    @property
    def source_taps(self) -> dict[str, Tap]:
        """Source to the tap it was recorded at: by the show's note, by the house, or the show's."""
        return {source.name: self.desk.tap_of(source) for source in self.house.source}


def resolve(path: Path, house_path: Path | None, recording: Recording, options: CheckOptions) -> ShowSetup:
    """House, show and tracks of a recording.

    Parameters
    ----------
    path : Path
        The recording; the show's note lies in its folder.
    house_path : Path or None
        The house file, where one is named.
    recording : Recording
    options : CheckOptions

    Raises
    ------
    RecordingError, HouseError, UsageError
        One line each: where, what, and what to do.
    """
    note = show_note_of(path)
    house, house_file, notes = _house_of(path, house_path, recording, note, options)
    standing = standing_file(house_file) if house_file else None
    house_text = house_file.read_text("utf-8-sig") if house_file else ""
    names = former_names(house, house_file)
    if house_file is not None and standing is not None and standing != house_file:
        # a week's file that was written before something was renamed
        today = read_house(standing)
        names, house_text = former_names(today, standing), with_todays_names(house_text, today)
        house = parse_house(house_text, house_file)
        names = replace(names, room=house.house.room or "", desk=house.house.desk or "")
    show = _show_of((house, house_file), recording, note, options, notes)
    matched = match_tracks(house, [track.name for track in recording.tracks])
    complete, matched, unclaimed = _with_unmatched(house, matched, recording)
    require_named(complete, options)
    return ShowSetup(
        house=complete,
        house_file=house_file,
        standing_file=standing,
        house_text=house_text,
        names=names,
        show=show,
        matched=matched,
        unclaimed=tuple(unclaimed),
        song_names=note.songs,
        desk=DeskState(
            tap=show.tap,
            taps={source_for(name, complete, "show.toml, taps"): tap for name, tap in note.taps.items()},
        ),
    )


def _house_of(
    path: Path, given: Path | None, recording: Recording, note: ShowNote, options: CheckOptions
) -> tuple[HouseFile, Path | None, list[str]]:
    """House, its file where there is one, and notes on it: unless one is given, this week's goes before the standing."""
    standing = given if given is not None else find_house(path)
    if standing is not None:
        house_file = standing
        if given is None:
            house_file = settings_file(standing, date=options.date or note.date, name=note.name or name_of(path))
        week = week_note(house_file, standing)
        return read_house(house_file), house_file, [week] if week else []
    house = guess_house([track.name for track in recording.tracks], name="this house")
    return (
        house,
        None,
        ["no house file found: sources and roles are guessed from track names; write one with: deskhand new"],
    )


def _with_unmatched(
    house: HouseFile, matched: MatchedTracks, recording: Recording
) -> tuple[HouseFile, MatchedTracks, list[str]]:
    """House with a source for each track that nobody claims, so that it is measured and said."""
    extra: list[Source] = []
    by_source = dict(matched.by_source)
    used_names = {key(source.name) for source in (*house.source, *house.seat)}
    for position in matched.unmatched:
        name = recording.tracks[position].name
        if key(name) in used_names:
            name = f"{name} (track {position + 1})"
        used_names.add(key(name))
        extra.append(Source(name=name, role="other", tracks=[position + 1]))
        by_source[name] = (position,)
    if matched.mix:
        name = next(word for word in ("mix", "recorded mix", "desk mix") if key(word) not in used_names)
        extra.append(Source(name=name, role="other", tracks=[position + 1 for position in matched.mix[:2]]))
        by_source[name] = tuple(matched.mix[:2])
    return (
        replace(house, source=[*house.source, *extra]),
        replace(matched, by_source=by_source),
        [source.name for source in extra],
    )


def source_for(name: str, house: HouseFile, where: str) -> str:
    """The house's own name of a source that somebody wrote.

    Parameters
    ----------
    name : str
    house : HouseFile
    where : str
        Where it was written, for the message.

    Raises
    ------
    HouseError
        There is no such source.
    """
    known = next((source.name for source in house.source if key(name) in map(key, (source.name, *source.was))), None)
    if known is None:
        near = nearest(name, [source.name for source in house.source], count=1)
        fix = f'did you mean "{near[0]}"?' if near else "name a source of the house file"
        raise HouseError(where, f'there is no source "{name}"', fix)
    return known


def name_of(path: Path) -> str:
    """Name of a recording: all of a folder's name ("2026.03.01"), a file's without its ending."""
    whole = path.resolve()
    return whole.name if whole.is_dir() else whole.stem


def _show_of(
    read: tuple[HouseFile, Path | None], recording: Recording, note: ShowNote, options: CheckOptions, notes: list[str]
) -> ShowResult:
    """Show as its note and the options describe it; the options go first. `read` is the house and its file."""
    house, house_file = read
    players = {source_for(name, house, "show.toml, players"): player for name, player in note.players.items()}
    players.update({source_for(name, house, f'--player "{name}={player}"'): player for name, player in options.players})
    for name in note.taps:
        source_for(name, house, "show.toml, taps")
    path = recording.path
    return ShowResult(
        name=note.name or name_of(path),
        date=checked_date(options.date, "--date") if options.date else note.date,
        phase=options.phase or note.phase or "rehearsal",
        tap=options.tap or note.tap or house.house.tap,
        players=players,
        house_file=None if house_file is None else house_file.name,
        start_s=recording.start_s,
        duration_s=round(recording.duration_s, 3),
        sample_rate_hz=recording.sample_rate_hz,
        tracks=len(recording.tracks),
        notes=(*recording.notes, *notes),
    )


def unclaimed_track_notes(setup: ShowSetup, recording: Recording) -> dict[str, list[Finding]]:
    """Source to a note on its track, for tracks that no source of the house file claims."""
    named = [source.name for source in setup.house.source if source.name not in setup.unclaimed]
    notes = {}
    for position in setup.matched.unmatched:
        track = recording.tracks[position].name
        for name, tracks in setup.matched.by_source.items():
            if tracks == (position,) and name in setup.unclaimed:
                notes[name] = [_unclaimed(name, track, nearest(name, named))]
    return notes


def _unclaimed(name: str, track: str, like: Sequence[str]) -> Finding:
    """Note on a track that no source of the house file claims, with the nearest names."""
    return Finding(
        id=f"{name}/unmatched-track",
        kind="unmatched-track",
        stage="tap",
        severity="note",
        what="near" if like else "track",
        advice=("add-to-house",),
        facts={"near": ", ".join(like)} if like else {},
        track=track,
    )
