"""Kept takes put in the place of earlier ones and put back, and those that hold numbers of another version."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from deskhand.errors import UsageError
from deskhand.recording.names import dated
from deskhand.store.inserts import insert_take, version_of
from deskhand.store.months import count_month
from deskhand.store.rows import now_utc, refuse_twice
from deskhand.store.tables import PART, SEAT_RECORD, TAKE, VALUE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.store.history import History
    from deskhand.store.records import KeptTake, TakeRow


def replace_take(history: History, earlier: TakeRow, take: KeptTake, *, by: str) -> int:
    """Put a take that was measured again in the place of the earlier one, which stays in the history as forgotten.

    Parameters
    ----------
    history : History
    earlier : TakeRow
    take : KeptTake
        The same take, measured again; it counts as kept when the earlier one was.
    by : str
        Name of the person who measures again.

    Returns
    -------
    int
        The number of the new one.

    Raises
    ------
    UsageError
        The earlier one was taken out meanwhile.
    """
    with history.transaction(writes=True) as connection:
        update = connection.execute(
            sa.update(TAKE)
            .where(TAKE.c.id == earlier.id, TAKE.c.forgotten_at.is_(None))
            .values(forgotten_by=by, forgotten_at=now_utc())
        )
        if not update.rowcount:
            raise UsageError(
                dated(earlier.show, earlier.date), "was taken out a moment ago", "see: deskhand keep --list --forgotten"
            )
        number = insert_take(connection, take, kept_at=earlier.kept_at)
        connection.execute(sa.update(TAKE).where(TAKE.c.id == earlier.id).values(replaced_by=number))
        # what was measured at the seats stays with the show
        count_month(connection, house=earlier.house, date=earlier.date)
        of_seats = sa.update(SEAT_RECORD).where(SEAT_RECORD.c.take_id == earlier.id)
        connection.execute(of_seats.values(take_id=number))
    return number


def restore_take(history: History, which: str, *, house: str, by: str) -> TakeRow:
    """Put a take back that was forgotten.

    Parameters
    ----------
    history : History
    which : str
        Its number, date or show name.
    house : str
    by : str
        Name of the person who puts it back.

    Raises
    ------
    UsageError
        There is none, or several, or the show is kept another time.
    """
    forgotten = [row for row in history.takes(house=house, forgotten=True) if row.forgotten_at is not None]
    rows = [row for row in forgotten if which == str(row.id)] or [
        row for row in forgotten if which in (row.date, row.show)
    ]
    if not rows:
        raise UsageError(
            f'--restore "{which}"',
            "no show that was taken out has this number, date or name",
            "see: deskhand keep --list --forgotten",
        )
    if len(rows) > 1:
        numbers = ", ".join(f"{row.id} ({row.phase})" for row in rows)
        raise UsageError(f'--restore "{which}"', f"several takes answer to it: {numbers}", "name one by its number")
    row = rows[0]
    with history.transaction(writes=True) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("LOCK TABLE take IN SHARE ROW EXCLUSIVE MODE"))
        houses = history.names.houses_of(house)
        names = {name: getattr(row, name) for name in ("show", "date", "phase", "digest", "room", "desk")}
        refuse_twice(connection, houses, **names)
        connection.execute(
            sa.update(TAKE)
            .where(TAKE.c.id == row.id)
            .values(forgotten_by=None, forgotten_at=None, restored_by=by, restored_at=now_utc())
        )
        count_month(connection, house=row.house, date=row.date)
    return row


def takes_of_other_versions(history: History, *, house: str, versions: Mapping[str, int]) -> list[TakeRow]:
    """Kept takes that hold a reading of another version than today's, oldest first."""
    query = (
        sa.select(PART.c.take_id, VALUE.c.metric, VALUE.c.version)
        .join(VALUE, VALUE.c.part_id == PART.c.id)
        .join(TAKE, TAKE.c.id == PART.c.take_id)
        .where(TAKE.c.house.in_(history.names.houses_of(house)), TAKE.c.forgotten_at.is_(None))
        .distinct()
    )
    with history.transaction() as connection:
        numbers = {row.take_id for row in connection.execute(query) if row.version != version_of(row.metric, versions)}
    return [row for row in history.takes(house=house) if row.id in numbers]
