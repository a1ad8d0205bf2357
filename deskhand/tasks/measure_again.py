"""Kept takes measured again by today's definitions, where their recording is still there and is the same one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from deskhand.baseline.versions import reading_versions
from deskhand.errors import DeskhandError
from deskhand.house import ROLES, week_file
from deskhand.recording import open_recording
from deskhand.recording.identity import take_digest
from deskhand.store.kept_takes import replace_take, takes_of_other_versions
from deskhand.store.rows import now_utc
from deskhand.tasks.check import CheckOptions, check
from deskhand.tasks.keep import LIVE, KeepTerms, history_at, house_at, kept_take, with_fingerprint

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from deskhand.store import KeptPart, KeptTake, TakeRow
    from deskhand.store.history import History

_SAME_LENGTH_S: Final = 0.002
"""Seconds by which two lengths differ that are one: a kept length is rounded to the millisecond (arithmetic)."""
_SAME_LEVEL_DB: Final = 0.1
"""Most by which a source's level differs when the same samples are measured again: far below what two takes differ by. Common practice,
no source."""


_AS_KEPT: Final = ("show", "date", "room", "desk", "faults")
"""Fields of a take that stay as they were when it is measured again."""
_ALL: Final = 1_000_000
"""More takes than any house keeps: no limit."""


class SetAsideError(Exception):
    """Reason for which a kept take cannot be measured again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredTake:
    """A kept take that was to be measured again."""

    row: TakeRow
    number: int | None = None
    """Number under which it is kept now; None where it is set aside."""
    reason: str = ""
    """Reason for which it is set aside; empty where it was measured."""


def measure_again(
    *,
    house_path: Path | None,
    history: str | None,
    by: str,
    progress: Callable[[float], None] | None = None,
) -> list[MeasuredTake]:
    """Measure all kept takes again that hold a number by an earlier definition, as if they were kept today.

    Each is written by itself, in the place of the earlier one, which stays in the history as forgotten; what cannot be measured stays
    as it is, and its earlier numbers are not compared with.

    Parameters
    ----------
    house_path : Path or None
        The house file; the one in this folder or above by default.
    history : str or None
        URL or file of the history.
    by : str
        Name of the person who measures again.
    progress : callable, optional
        Told the share done, 0 to 1.

    Raises
    ------
    HouseError, HistoryError, UsageError
        One line each.
    """
    house, house_file = house_at(house_path)
    store = history_at(history, house_file)
    outcomes: list[MeasuredTake] = []
    try:
        rows = takes_of_other_versions(store, house=house.house.name, versions=reading_versions())
        for index, row in enumerate(rows):

            def share(done: float, index: int = index) -> None:
                if progress is not None:
                    progress((index + done) / len(rows))

            try:
                take = take_today(store, row, house_file, history, share)
                outcomes.append(MeasuredTake(row=row, number=replace_take(store, row, take, by=by)))
            except (SetAsideError, DeskhandError) as error:
                outcomes.append(MeasuredTake(row=row, reason=str(error)))
    finally:
        store.close()
    return outcomes


def take_today(
    store: History,
    row: TakeRow,
    house_file: Path,
    history: str | None,
    progress: Callable[[float], None] | None = None,
    *,
    path: Path | None = None,
) -> KeptTake:
    """Kept take as it would be kept today.

    Parameters
    ----------
    store : History
    row : TakeRow
    house_file : Path
    history : str or None
        URL or file of the history.
    progress : callable, optional
        Told the share done, 0 to 1.
    path : Path, optional
        Path of its recording, where that is known to lie elsewhere than the history says.

    Raises
    ------
    SetAsideError
        It cannot be measured again.
    """
    path = _path_of(row, house_file) if path is None else path
    whole = open_recording(path)
    start_s, end_s = _stretch(row, whole.duration_s)
    digest = take_digest(whole)
    if row.digest is not None and digest != row.digest:
        raise SetAsideError(f"{row.recording} holds another recording now")
    if whole.sample_rate_hz != row.sample_rate_hz:
        raise SetAsideError(f"{row.recording} has another sample rate now")
    parts = _kept_parts(store, row)
    week = week_file(house_file.parent, date=row.date, name=row.show)
    checked = check(
        path,
        house_path=week if week is not None and week.is_file() else house_file,
        start_s=start_s,
        end_s=end_s,
        options=CheckOptions(
            phase=row.phase,  # type: ignore[arg-type]
            tap=_common_tap(parts),  # type: ignore[arg-type]
            date=row.date,
            players=tuple({part.source: part.player for part in parts if part.player is not None}.items()),
            history=history,
        ),
        progress=progress,
    )
    terms = KeepTerms(note=row.note, by=row.kept_by, without=row.left_out, with_faults=True)
    take = kept_take(
        checked.result, checked.parts, checked.house_file, recording=row.recording, digest=digest, terms=terms
    )
    take = with_fingerprint(take, checked)
    _require_same(row, parts, take.parts)
    return replace(take, measured_at=now_utc(), **{name: getattr(row, name) for name in _AS_KEPT})


def _path_of(row: TakeRow, house_file: Path) -> Path:
    """Path at which the recording of a kept take lies."""
    if row.recording == LIVE:
        raise SetAsideError("it was listened to, and has no recording")
    # earlier versions kept what was typed
    for path in (house_file.parent / row.recording, Path(row.recording)):
        if path.exists():
            return path
    raise SetAsideError(f"its recording is not at {row.recording} any more")


def _stretch(row: TakeRow, duration_s: float) -> tuple[float | None, float | None]:
    """Start and end of the stretch that was kept; None for the recording's own."""
    start_s = row.start_s
    if start_s is None:
        if abs(row.duration_s - duration_s) > _SAME_LENGTH_S:
            raise SetAsideError("it is a stretch of its recording, and nobody wrote down which")
        return None, None
    end_s = start_s + row.duration_s
    if end_s > duration_s + _SAME_LENGTH_S:
        raise SetAsideError(f"{row.recording} is shorter than it was")
    return start_s or None, None if end_s > duration_s - _SAME_LENGTH_S else end_s


def _kept_parts(store: History, row: TakeRow) -> list[KeptPart]:
    """Parts of a kept take at the tap, with their levels whatever their version."""
    rows = store.parts(house=row.house, phase=row.phase, metrics=("level_dbfs",), most=_ALL, stages=("tap",))
    return [part for take, part in rows if take.id == row.id]


def _common_tap(parts: Sequence[KeptPart]) -> str | None:
    """Tap of all sources of a take; None where they differ, as the house file has them."""
    taps = {part.tap for part in parts}
    return taps.pop() if len(taps) == 1 else None


def _require_same(row: TakeRow, kept: Sequence[KeptPart], parts: Sequence[KeptPart]) -> None:
    """Refuse what is not the take that was kept: other taps, or, where no digest tells, other levels."""
    by_source = {part.source: part for part in parts if part.stage == "tap"}
    for part in kept:
        today = by_source.get(part.source)
        if today is None:
            raise SetAsideError(f"the house file has no {part.source} any more, or it is silent")
        if today.tap != part.tap:
            raise SetAsideError(f"{part.source} was recorded at another tap than the house file says")
        # how the level of drums is read has changed: theirs tell nothing
        if row.digest is not None or (part.role in ROLES and ROLES[part.role].kit):
            continue
        if abs(today.values["level_dbfs"][0] - part.values["level_dbfs"][0]) > _SAME_LEVEL_DB:
            raise SetAsideError(f"{row.recording} holds another recording now: {part.source} has another level")
