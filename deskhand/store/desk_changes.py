"""Moves that were done or declined, written to the history and read from it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from deskhand.store.records import DeskChange
from deskhand.store.rows import now_utc, number_of_row, refuse_no_text
from deskhand.store.tables import DESK_CHANGE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from deskhand.house import FormerNames
    from deskhand.store.history import History

_COLUMN_OF = {"where": "place", "on": "side"}
"""Column of a field, where databases keep the field's own name for themselves."""
_FIELDS = ("show", "date", "take", "source", "move", "where", "block", "on", "text", "level_dbfs", "said_by")
"""Fields that a row holds as they are."""


def add_desk_changes(
    history: History,
    changes: Sequence[DeskChange],
    *,
    house: str,
    before: Callable[[Sequence[DeskChange]], None] | None = None,
) -> list[DeskChange]:
    """Write moves that a person did or declined, each once: the same answer to the same move of a take is written already.

    Parameters
    ----------
    history : History
    changes : sequence of DeskChange
    house : str
    before : callable, optional
        Told the new ones before they are written, while nobody else can write: what it raises leaves the history as it was.

    Returns
    -------
    list of DeskChange
        Those that stood there already, by whoever was first; the others are written.

    Raises
    ------
    UsageError
        A name is no text.
    """
    earlier: list[DeskChange] = []
    new: list[DeskChange] = []
    for change in changes:
        for text in (house, change.show, change.source, change.move, change.text, change.said_by):
            refuse_no_text(text)
    with history.transaction(writes=True) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("LOCK TABLE desk_change IN SHARE ROW EXCLUSIVE MODE"))
        for change in changes:
            same = _same(connection, change, house)
            (new if same is None else earlier).append(same or change)
        if before is not None and new:
            before(new)
        for change in new:
            connection.execute(sa.insert(DESK_CHANGE).values(_row_of(change, house)))
    return earlier


def _same(connection: sa.Connection, change: DeskChange, house: str) -> DeskChange | None:
    """Answer to the same move of the same take that stands in the history already."""
    row = connection.execute(
        sa.select(DESK_CHANGE).where(
            DESK_CHANGE.c.house == house,
            DESK_CHANGE.c.take == change.take,
            DESK_CHANGE.c.source == change.source,
            DESK_CHANGE.c.move == change.move,
            DESK_CHANGE.c.settings == _settings_text(change),
            DESK_CHANGE.c.taken_back_at.is_(None),
        )
    ).first()
    return None if row is None else _change_of_row(row)


def _row_of(change: DeskChange, house: str) -> dict[str, Any]:
    """Columns of a change, with the time of writing."""
    return {
        **{_COLUMN_OF.get(name, name): getattr(change, name) for name in _FIELDS},
        "house": house,
        "settings": _settings_text(change),
        "findings": json.dumps(list(change.findings)),
        "done": int(change.done),
        "said_at": now_utc(),
    }


def desk_changes(history: History, *, house: str, show: str, date: str | None) -> list[DeskChange]:
    """Moves of one show that were done or declined, in the order of writing, without those that were taken back.

    Parameters
    ----------
    history : History
    house, show : str
    date : str or None
        With a date, all takes of the day belong to the show, whatever they are called.
    """
    of_show = DESK_CHANGE.c.date == date if date is not None else DESK_CHANGE.c.show == show
    query = (
        sa.select(DESK_CHANGE)
        .where(DESK_CHANGE.c.house.in_(history.names.houses_of(house)), of_show, DESK_CHANGE.c.taken_back_at.is_(None))
        .order_by(DESK_CHANGE.c.id)
    )
    with history.transaction() as connection:
        changes = [_change_of_row(row) for row in connection.execute(query)]
    return [_with_todays_names(change, history.names) for change in changes]


def _with_todays_names(change: DeskChange, names: FormerNames) -> DeskChange:
    """Change under the name that its source has today."""
    if change.source not in names.sources:
        return change
    return replace(
        change,
        source=names.source(change.source),
        move=names.finding(change.move),
        findings=tuple(map(names.finding, change.findings)),
    )


def take_back_desk_changes(history: History, numbers: Sequence[int]) -> int:
    """Take back that moves were done or declined; they stay in the history. Returns how many that undid."""
    with history.transaction(writes=True) as connection:
        update = connection.execute(
            sa.update(DESK_CHANGE)
            .where(DESK_CHANGE.c.id.in_(list(numbers)), DESK_CHANGE.c.taken_back_at.is_(None))
            .values(taken_back_at=now_utc())
        )
        return update.rowcount


def _settings_text(change: DeskChange) -> str:
    """Settings as the column holds them: the same settings give the same text."""
    return json.dumps({name: list(setting) for name, setting in change.settings.items()}, sort_keys=True)


def _change_of_row(row: Any) -> DeskChange:
    """Change of a row; ValueError where a damaged row holds none."""
    settings, findings = json.loads(str(row.settings)), json.loads(str(row.findings))
    if not isinstance(settings, dict) or not isinstance(findings, list):
        raise ValueError(f"desk change {row.id} holds no settings or no findings")  # noqa: TRY004 - damaged data, not a caller's mistake
    datetime.fromisoformat(str(row.said_at))
    return DeskChange(
        id=row.id,
        settings={name: _setting(value, name) for name, value in settings.items()},
        findings=tuple(str(finding) for finding in findings),
        done=bool(row.done),
        said_at=row.said_at,
        **{name: getattr(row, _COLUMN_OF.get(name, name)) for name in _FIELDS},
    )


def _setting(value: Any, name: str) -> tuple[float | None, float, str]:
    """Setting from what it was to what it is, with its unit; ValueError where a damaged row holds none."""
    if not isinstance(value, list) or len(value) != 3:
        raise ValueError(f"a row holds {value!r} where the setting {name} belongs")
    before, after, unit = value
    return None if before is None else number_of_row(before, name), number_of_row(after, name), str(unit)
