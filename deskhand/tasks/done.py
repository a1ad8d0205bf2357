"""Moves that a person did or declined: written into this week's house file where they stay, and into the history."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.errors import HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.findings import KINDS
from deskhand.house import SourceEdit, find_house, parse_house, standing_file, week_file, with_edits, with_setup
from deskhand.moves.answers import puts_right
from deskhand.recording import open_recording, show_note_of
from deskhand.recording.identity import take_digest
from deskhand.recording.names import nearest
from deskhand.store import DeskChange
from deskhand.store.desk_changes import add_desk_changes, desk_changes, take_back_desk_changes
from deskhand.tasks.check import name_of
from deskhand.tasks.keep import history_at, house_at
from deskhand.tasks.revert import reverted
from deskhand.tasks.week import text_with_moves

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from deskhand.findings import Finding
    from deskhand.moves.move import Move
    from deskhand.result import CheckResult, SourceResult
    from deskhand.store.history import History
    from deskhand.tasks.check import ShowCheck


@dataclass(frozen=True, slots=True, kw_only=True)
class TickedMoves:
    """Moves that were written as done or declined."""

    new: tuple[DeskChange, ...]
    earlier: tuple[DeskChange, ...]
    """Those that somebody had written before."""
    week: Path | None
    """This week's house file, where it was written."""


_TYPED_KEYS: Final = ("channel", "patch", "microphone", "stand", "player", "pad", "phantom", "group", "effects")
"""Keys of a source that people type and no move turns."""


def moves_of(result: CheckResult, wanted: Collection[str]) -> list[tuple[SourceResult, Move]]:
    """Moves of a result by their ids; all of a source by its name; all of them without a wish.

    Raises
    ------
    UsageError
        There is no such move.
    """
    moves = [(source, move) for source in result.sources for move in source.moves]
    known = {move.id for _, move in moves}
    names = {source.name for source, _ in moves}
    for name in wanted:
        if name not in known and name not in names:
            near = nearest(name, [*known, *names], count=3)
            raise UsageError(
                f'"{name}"',
                "is no move of this take",
                f"did you mean {', '.join(near)}?" if near else "see the list of moves: deskhand check RECORDING",
            )
    return [(source, move) for source, move in moves if not wanted or move.id in wanted or source.name in wanted]


def answered_by(move: Move, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Ids of the findings that a move puts right by itself: at a preamp, all that is wrong with what comes in.

    Parameters
    ----------
    move : Move
    findings : sequence of Finding
        Of its source.
    """
    # a trim after the preamp and a threshold after the trim stand under a finding that the move before them puts right
    own = next((finding for finding in findings if finding.id == move.finding), None)
    follows = own is not None and not puts_right(move, own)
    answered = [] if move.finding is None or follows else [move.finding]
    if move.where == "preamp":
        answered += [
            finding.id
            for finding in findings
            if KINDS[finding.kind].at_preamp or KINDS[finding.kind].answered_by in ("level", "preamp")
        ]
    return tuple(dict.fromkeys(answered))


def _changes(result: CheckResult, take: str, wanted: Collection[str], *, done: bool, by: str) -> list[DeskChange]:
    """Records of moves."""
    return [
        DeskChange(
            show=result.show.name,
            date=result.show.date,
            take=take,
            source=source.name,
            move=move.id,
            where=move.where,
            block=move.block,
            on=move.on,
            # a block that is new has no setting from before, wherever its knob stood
            settings={
                name: (None if move.adds_block else setting.before, setting.after, setting.unit)
                for name, setting in move.settings.items()
            },
            text=move.text,
            findings=answered_by(move, source.findings),
            level_dbfs=source.before.level_dbfs if source.before else None,
            done=done,
            said_by=by,
        )
        for source, move in moves_of(result, wanted)
    ]


def week_path(house_file: Path, result: CheckResult) -> Path:
    """This week's house file of a show, there or not, beside the standing one.

    Raises
    ------
    HouseError
        The show has no date and a name that no file can have.
    """
    path = week_file(standing_file(house_file).parent, date=result.show.date, name=result.show.name)
    if path is None:
        raise HouseError(result.show.name, "is no name of a file", "give the show a date, with --date or in show.toml")
    return path


def tick(
    result: CheckResult,
    *,
    take: str,
    house_file: Path,
    house_text: str,
    history: History,
    wanted: Collection[str] = (),
    done: bool = True,
    by: str = "",
    week: Path | None = None,
) -> TickedMoves:
    """Write moves of a check as done or declined.

    A setting after the tap stays turned in this week's house file; what lies before it is in the history, and the next take holds it.

    Parameters
    ----------
    result : CheckResult
    take : str
        Digest of the take.
    house_file : Path
        That the check was made with.
    house_text : str
        Its text then.
    history : History
    wanted : collection of str
        Ids of moves, or names of sources for all of theirs; none for all moves.
    done : bool
        False for declined.
    by : str
        Name of the person.
    week : Path, optional
        This week's house file; beside the standing one by default.

    Raises
    ------
    UsageError
        There is no such move, or the settings were changed since the check.
    HouseError
        The week's file cannot be written.
    """
    changes = _changes(result, take, wanted, done=done, by=by)
    target = week or week_path(house_file, result)
    written: list[Path] = []

    def write(new: Sequence[DeskChange]) -> None:
        # looked up while nobody else can tick: what another has ticked a moment ago is in the file
        ticked = _ticked_before(history, result, take)
        if done and _write_week((*ticked, *new), result, house_file, house_text, target):
            written.append(target)

    earlier = add_desk_changes(history, changes, house=result.house, before=write)
    known = {(change.source, change.move) for change in earlier}
    return TickedMoves(
        new=tuple(change for change in changes if (change.source, change.move) not in known),
        earlier=tuple(earlier),
        week=written[0] if written else None,
    )


def _write_week(
    changes: Sequence[DeskChange], result: CheckResult, house_file: Path, house_text: str, target: Path
) -> bool:
    """Write moves that stay into this week's house file; True where there was something to write.

    It comes before the history: what is in the file is not asked for again, even where nothing says who did it.
    """

    def text_with(several: Sequence[DeskChange], house_text: str = house_text) -> str:
        text = _with_preamps(house_text, house_file, several)
        return text_with_moves(text, house_file, result, {change.move for change in several})

    text = text_with(changes)
    file_now = target if target.is_file() else house_file
    text_now = file_now.read_text("utf-8-sig")
    if text == text_now:
        return False
    # as the check read it, or with what was ticked of that check since
    ticked_text = text_with([change for change in changes if change.id])
    if text_now not in (house_text, ticked_text):
        known = next((known for known in (ticked_text, house_text) if _is_typed(known, text_now)), None)
        if known is None:
            raise UsageError(file_now.name, "was changed since this take was checked", "check it again")
        text = text_with(changes, _with_typed(house_text, _typed_since(known, text_now)))
        if text == text_now:
            return False
    write_atomically(target, text)
    return True


def _is_typed(text: str, text_now: str) -> bool:
    """True where a house file differs from how it was by nothing but set-up that was typed: no setting, no comment."""
    typed = _typed_since(text, text_now)
    return bool(typed) and _with_typed(text, typed) == text_now


def _typed_since(text: str, text_now: str) -> dict[str, dict[str, object]]:
    """Source to the set-up of its table that is another now, None for a key that was taken out."""
    before = {str(table["name"]): table for table in tomllib.loads(text).get("source", [])}
    typed = {}
    for table in tomllib.loads(text_now).get("source", []):
        known = before.get(str(table.get("name")), {})
        typed[str(table.get("name"))] = {
            name: table.get(name) for name in _TYPED_KEYS if known.get(name) != table.get(name)
        }
    return {name: keys for name, keys in typed.items() if keys and name in before}


def _with_typed(text: str, typed: Mapping[str, Mapping[str, object]]) -> str:
    """House file with set-up that was typed."""
    for source, keys in typed.items():
        text = with_setup(text, source, keys)
    return text


def _ticked_before(history: History, result: CheckResult, take: str) -> list[DeskChange]:
    """Moves of this very check that were done before, in the order in which they were."""
    settings = {
        move.id: {name: (setting.after, setting.unit) for name, setting in move.settings.items()}
        for source in result.sources
        for move in source.moves
    }
    return [
        change
        for change in desk_changes(history, house=result.house, show=result.show.name, date=result.show.date)
        if change.done
        and change.take == take
        and settings.get(change.move) == {name: (after, unit) for name, (_, after, unit) in change.settings.items()}
    ]


def _with_preamps(house_text: str, house_file: Path, changes: Sequence[DeskChange]) -> str:
    """House file with the gain that each turned preamp shows now, where the file says what it showed."""
    shows_db = {source.name: source.preamp_db for source in parse_house(house_text, house_file).source}
    edits = {}
    for change in changes:
        preamp_db = shows_db.get(change.source)
        if change.where == "preamp" and change.on == "both" and preamp_db is not None and "gain" in change.settings:
            before_db, after_db, _ = change.settings["gain"]
            edits[change.source] = SourceEdit(keys={"preamp": f"{preamp_db + after_db - (before_db or 0.0):g} dB"})
    return with_edits(house_text, edits) if edits else house_text


def tick_recording(
    checked: ShowCheck, recording: Path, wanted: Collection[str], *, history: str | None, done: bool, by: str
) -> TickedMoves:
    """Write moves of a recording that was just checked as done or declined.

    Raises
    ------
    HouseError
        There is no house file.
    UsageError
        There is no such move.
    """
    if checked.house_file is None:
        raise HouseError(
            "house.toml", "is not beside the recording or above it", "write one with: deskhand new RECORDING"
        )
    moves_of(checked.result, wanted)
    store = history_at(history, checked.house_file, create=True)
    try:
        return tick(
            checked.result,
            take=take_digest(open_recording(recording)),
            house_file=checked.house_file,
            house_text=checked.house_text,
            history=store,
            wanted=wanted,
            done=done,
            by=by,
        )
    finally:
        store.close()


def take_back(chosen: Sequence[DeskChange], *, history: History, week: Path | None) -> None:
    """Take back that moves were done or declined; what they turned in this week's house file is put back.

    Parameters
    ----------
    chosen : sequence of DeskChange
        In the order in which they were done.
    history : History
    week : Path or None
        This week's house file, there or not.
    """
    if week is not None and week.is_file():
        text = week.read_text("utf-8-sig")
        earlier_text = reverted(text, chosen)
        if earlier_text != text:
            write_atomically(week, earlier_text)
    take_back_desk_changes(history, [change.id for change in chosen])


def take_back_moves(
    recording: Path, wanted: Collection[str], *, house_path: Path | None, history: str | None, date: str | None
) -> list[str]:
    """Take back that moves of a show were done or declined; what they turned in this week's house file is put back.

    Returns
    -------
    list of str
        Sentence of each.

    Raises
    ------
    HouseError
        There is no house file.
    UsageError
        There is no history, or nothing was done or declined.
    """
    house, house_file = house_at(house_path or find_house(recording.resolve()))
    note = show_note_of(recording)
    store = history_at(history, house_file)
    try:
        changes = desk_changes(
            store, house=house.house.name, show=note.name or name_of(recording), date=date or note.date
        )
        chosen = [change for change in changes if not wanted or change.move in wanted or change.source in wanted]
        if not chosen:
            names = sorted({change.move for change in changes})
            raise UsageError(
                "--take-back",
                "finds nothing to take back",
                f"done or declined at this show: {', '.join(names)}" if names else "nothing was ticked at this show",
            )
        week = week_file(house_file.parent, date=date or note.date, name=note.name or name_of(recording))
        take_back(chosen, history=store, week=week)
    finally:
        store.close()
    return [f"{change.source}: {change.text}" for change in chosen]
