"""Puts the sheet together: the house as it is set this week, set beside an earlier house file."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Final

from deskhand.findings.kinds import KINDS
from deskhand.recording.names import dated, key
from deskhand.report.sheet.carried import open_jobs, turned_today
from deskhand.report.sheet.cautions import change_cautions, input_cautions
from deskhand.report.sheet.curves import chain_curves, frequencies_hz, sketch_text
from deskhand.report.sheet.inputs import input_entries, shown_gain
from deskhand.report.sheet.model import Entry, InputRow, Sheet, one_line
from deskhand.report.sheet.settings import gain_text, setting_lines
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.findings import FirstThing
    from deskhand.house import HouseFile, Source
    from deskhand.report.sheet.model import Paper
    from deskhand.result import CheckResult, SourceResult

_STATUS_WORDS: Final = {"fix": "to fix", "listen": "to listen to", "silent": "silent", "missing": "missing"}


def _preamp_turns_db(source: SourceResult | None) -> list[float]:
    """Changes in dB of one source's preamp that are to be made now, one for each setting of its moves."""
    return [
        setting.after - (setting.before or 0.0)
        for move in (source.moves if source is not None else ())
        if move.is_setting and not move.is_saved
        for setting in move.settings.values()
    ]


def _by_ear(source: SourceResult) -> str:
    """Words for a preamp that is turned until its peaks read what they should, how far not being known; empty for others."""
    peaks = [move.facts["peak_dbfs"] for move in source.moves if move.where == "preamp" and "peak_dbfs" in move.facts]
    if not peaks:
        return ""
    return phrase(" or more at the desk, until its peaks read about {peak}FS", peak=gain_text(float(peaks[0])))


def _to_do(source: SourceResult | None, preamp_db: float | None) -> str:
    """Work that is left at an input, in a few words; a preamp that is to be turned is no setting of the week's.

    Parameters
    ----------
    source : SourceResult or None
    preamp_db : float or None
        Gain that its preamp shows now.
    """
    if source is None:
        return ""
    turns = []
    for turn_db in _preamp_turns_db(source):
        by_ear = _by_ear(source)
        shown = ""
        if preamp_db is not None:
            begin, end = shown_gain(preamp_db), shown_gain(preamp_db + turn_db)
            shown = phrase(", from {begin} to {end}", begin=begin, end=end)
        turns.append(
            phrase(
                "turn the preamp {gain}{how}{shown}{less}",
                gain=gain_text(turn_db),
                how=by_ear or phrase(" at the desk"),
                shown=shown,
                less=phrase(" or less") if by_ear and shown else "",
            )
        )
    # settings that are to be turned are on the sheet as they are to be set
    if source.status not in _STATUS_WORDS:
        return "; ".join(turns)
    word = phrase(_STATUS_WORDS[source.status])
    kinds = [phrase(KINDS[finding.kind].words) for finding in source.findings if finding.severity == source.status]
    return "; ".join([f"{word}: {', '.join(dict.fromkeys(kinds))}" if kinds else word, *turns])


def _fader(source: Source) -> str:
    if source.fader_db is None:
        return phrase("not in mix")
    muted = phrase(", muted") + ("" if source.mute is True else f" {phrase(str(source.mute))}") if source.mute else ""
    return gain_text(source.fader_db) + muted


def _dash_if_empty(value: str | int | None) -> str:
    return "–" if value is None or not one_line(str(value)) else one_line(str(value))


def _entry(source: Source, old: Source | None, text_of: Callable[[Source], str]) -> Entry:
    text = text_of(source)
    was = text if old is None else text_of(old)
    return Entry(text=text, was=was if was != text else "")


def _limits(house: HouseFile) -> tuple[str, ...]:
    """Limits of the room and of the lead voice, where the house wrote them down."""
    limits = []
    if house.room is not None and house.room.limit_dba is not None:
        limits.append(phrase("Limit at the mix position: {limit:1} dBA.", limit=house.room.limit_dba))
    if house.vocal is not None and house.vocal.margin_db is not None:
        limits.append(
            phrase(
                "Fader of {source}: at most {margin:1} dB up, then bring others down.",
                source=one_line(house.vocal.source),
                margin=house.vocal.margin_db,
            )
        )
    return tuple(limits)


def _desk_order(source: Source) -> tuple[bool, list[tuple[bool, int, str]]]:
    """Sorting key by desk channel as people count: 2 before 10, those without one last."""
    pieces = re.findall(r"\d+|\D+", "" if source.channel is None else str(source.channel).strip())
    return not pieces, [(not piece.isdecimal(), int(piece) if piece.isdecimal() else 0, piece) for piece in pieces]


def _row(
    source: Source,
    old: Source | None,
    result: SourceResult | None,
    house: HouseFile,
    *,
    is_new: bool,
    player: str,
    frequency_hz: NDArray[np.float64],
    sample_rate_hz: int,
) -> InputRow:
    curves = chain_curves(source.chain, frequency_hz, sample_rate_hz)
    return InputRow(
        channel=_entry(source, old, lambda version: _dash_if_empty(version.channel)),
        patch=_entry(source, old, lambda version: _dash_if_empty(version.patch)),
        name=one_line(source.name),
        role=source.role,
        player=one_line(player or source.player or ""),
        tracks=tuple(one_line(str(track)) for track in source.tracks),
        new=is_new,
        to_do=_to_do(result, source.preamp_db),
        cautions=(
            *change_cautions(source, old, house.desk, _preamp_turns_db(result)),
            *input_cautions(source, old),
        ),
        settings=tuple(setting_lines(source.chain, None if old is None else old.chain)),
        fader=_entry(source, old, _fader),
        fader_db=source.fader_db,
        mute=source.mute is True,
        curves=curves,
        sketch=sketch_text(source.chain, curves),
        **input_entries(source, old),
    )


def _things(result: CheckResult, things: Sequence[FirstThing]) -> tuple[str, ...]:
    """Things to put right in a few words each: the input, and what is wrong."""
    kinds = {finding.id: finding.kind for source in result.sources for finding in source.findings}
    return tuple(
        one_line(f"{thing.source}: {phrase(KINDS[kinds[thing.finding]].words)}")
        for thing in things
        if thing.finding in kinds
    )


def _unclaimed(result: CheckResult, house: HouseFile) -> tuple[str, ...]:
    """Tracks that were recorded and are in no source of the house file."""
    names = {key(source.name) for source in house.source}
    return tuple(
        one_line(source.name)
        for source in result.sources
        if key(source.name) not in names and any(KINDS[finding.kind].unclaimed for finding in source.findings)
    )


def _rows(
    result: CheckResult, house: HouseFile, before: Mapping[str, Source] | None, frequency_hz: NDArray[np.float64]
) -> tuple[InputRow, ...]:
    """Rows of the inputs that are used, in the order of the desk; `before` holds the sources of the earlier house file, if any."""
    results = {key(source.name): source for source in result.sources}
    players = {key(name): player for name, player in result.show.players.items()}
    return tuple(
        _row(
            source,
            None if before is None else before.get(key(source.name)),
            results.get(key(source.name)),
            house,
            is_new=before is not None and key(source.name) not in before,
            player=players.get(key(source.name), ""),
            frequency_hz=frequency_hz,
            sample_rate_hz=result.show.sample_rate_hz,
        )
        for source in sorted((source for source in house.source if source.used), key=_desk_order)
    )


def make_sheet(
    result: CheckResult,
    house: HouseFile,
    *,
    since: HouseFile | None,
    since_name: str = "",
    read_from: str = "",
    paper: Paper = "a4",
    notes: Sequence[str] = (),
    jobs: Sequence[str] = (),
) -> Sheet:
    """The sheet of a show.

    Parameters
    ----------
    result : CheckResult
        Who plays, and what is left to do.
    house : HouseFile
        What is set this week, the moves written in.
    since : HouseFile, optional
        What changes are told against; None: nothing is said of changes.
    since_name : str
        How it is called, like "week-2026-02-22".
    read_from : str
        House file that the settings were read from, in words.
    paper : Paper
    notes : sequence of str
        Printed below the inputs.
    jobs : sequence of str
        Jobs for next week that a person typed; those that the check leaves open come before them.
    """
    frequency_hz = frequencies_hz(result.show.sample_rate_hz)
    before = {key(source.name): source for source in since.source if source.used} if since is not None else {}
    used_names = {key(source.name) for source in house.source if source.used}
    return Sheet(
        house=one_line(house.house.name),
        show=one_line(dated(result.show.name, result.show.date)),
        phase=result.show.phase,
        deskhand=result.deskhand,
        paper=paper,
        since=None if since is None else one_line(since_name) or phrase("before"),
        gone=tuple(one_line(source.name) for name, source in before.items() if name not in used_names),
        unclaimed=_unclaimed(result, house),
        rows=_rows(result, house, None if since is None else before, frequency_hz),
        notes=tuple(text for text in map(one_line, notes) if text),
        first=_things(result, result.first),
        next=_things(result, result.next),
        frequency_hz=tuple(frequency_hz.tolist()),
        read_from=one_line(read_from),
        limits=_limits(house),
        turned=turned_today(result),
        tell=tuple(one_line(telling.text) for telling in result.monitors),
        jobs=(*open_jobs(result), *(text for text in map(one_line, jobs) if text)),
    )


def find_since(house_file: Path, date: str | None) -> Path:
    """House file that changes are told against when nobody says: the newest week before the date beside it, else itself.

    Parameters
    ----------
    house_file : Path
        The standing one; weeks beside it are called `week-2026-02-22.toml`.
    date : str, optional
        Of the show, ISO 8601; without it any week is earlier.
    """
    weeks = []
    for path in house_file.parent.glob("week-*.toml"):
        try:
            week_date = dt.date.fromisoformat(path.stem.removeprefix("week-")).isoformat()
        except ValueError:
            continue
        if date is None or week_date < date:
            weeks.append((week_date, path))
    return max(weeks)[1] if weeks else house_file


def since_name(path: Path, house_file: Path) -> str:
    """Name on the sheet of the house file that changes are told against."""
    if path == house_file:
        return phrase("the standing house file")
    week = path.stem.removeprefix("week-")
    return path.name if week == path.stem else phrase("the week of {week}", week=week)
