"""Opens the history and reads and writes it, each change in one transaction."""

from __future__ import annotations

import json
import sqlite3
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from deskhand.errors import HistoryError, UsageError
from deskhand.house import FormerNames
from deskhand.store.engine import checked_url, engine_of, shown, unusable
from deskhand.store.inserts import insert_take, version_of
from deskhand.store.months import count_month
from deskhand.store.people import FILE_NAME as PEOPLE_FILE
from deskhand.store.people import StandIns, stand_ins_of, use_stand_ins
from deskhand.store.records import ARCHIVE_MARKS, BlindTest, TakeRow, file_of
from deskhand.store.rows import (
    DISMISSAL_NAMES,
    dismissal_of_row,
    in_order,
    now_utc,
    number_of_row,
    part_of_row,
    refuse_no_text,
    refuse_twice,
    take_of_row,
    with_todays_sources,
)
from deskhand.store.tables import BLIND_TEST, DISMISSAL, PART, TAKE, VALUE
from deskhand.store.upgrade import upgrade_tables

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from deskhand.store.records import Dismissal, KeptPart, KeptTake


def open_history(url: str, *, create: bool = False, names: FormerNames | None = None) -> History | None:
    """History at a URL, brought up to this version's tables; None when there is no file yet.

    Parameters
    ----------
    url : str
        `sqlite:///...` or `postgresql://...`.
    create : bool
        Make the SQLite file when it is missing.
    names : FormerNames, optional
        Earlier names of the house and its sources: what was written under them is read under today's.

    Raises
    ------
    HistoryError
        It cannot be opened, is none of ours, or was made by a newer version.
    """
    url = checked_url(url)
    file = file_of(url)
    if file is not None and not create and not file.exists():
        return None
    if file is not None and not file.parent.is_dir():
        raise HistoryError(str(file), "there is no such folder", "name another place for the history")
    label = shown(url)
    try:
        engine = engine_of(url, file)
    except ImportError as error:
        raise HistoryError(
            label, f"the database driver is missing ({error.name})", "install it with: pip install 'deskhand[postgres]'"
        ) from error
    except (sa.exc.ArgumentError, ValueError) as error:
        raise HistoryError(label, "is not a database URL", "write it like postgresql://user@host/name") from error
    if file is None and names is not None and not names.sharing.names:
        use_stand_ins(engine, StandIns(None if names.folder is None else names.folder / PEOPLE_FILE))
    history = History(engine, label, names)
    upgrade_tables(engine, label, history.tables_transaction)
    return history


class History:
    """Kept takes, dismissed findings and blind listening tests. Made by `open_history`."""

    def __init__(self, engine: sa.Engine, where: str, names: FormerNames | None = None) -> None:
        self._engine = engine
        self.names = names or FormerNames()
        self.where = where
        """File or server, for people."""

    @contextmanager
    def transaction(self, *, writes: bool = False) -> Iterator[sa.Connection]:
        """Do all of it or nothing; database errors and damaged rows become one line.

        Raises
        ------
        HouseError
            It would write to a server, and the house file says that nothing leaves the house.
        """
        if writes:
            self.require_sharing()
        with self.tables_transaction(writes=writes) as connection:
            yield connection

    @contextmanager
    def tables_transaction(self, *, writes: bool) -> Iterator[sa.Connection]:
        """Transaction of whatever is asked of the database, its tables too."""
        try:
            with self._engine.connect().execution_options(writes=writes) as connection, connection.begin():
                yield connection
        except DBAPIError as error:
            raise self._unusable(str(error.orig)) from error
        except (sqlite3.Error, ValueError) as error:
            # a damaged file: the driver's own errors at connecting, text that is no UTF-8, rows that hold no such value
            raise self._unusable(str(error)) from error

    def require_sharing(self) -> None:
        """Refuse to write to a server where the house file says that nothing leaves the house; else people get their stand-ins.

        Raises
        ------
        HouseError
            It says so.
        """
        if self._engine.dialect.name == "sqlite":
            return
        self.names.require_readings_shared()
        stand_ins = stand_ins_of(self._engine.dialect)
        if stand_ins is not None:
            stand_ins.meet(self.names.people)

    def _unusable(self, problem: str) -> HistoryError:
        """Error of one line for a database that cannot be used, with what to do."""
        return unusable(self.where, problem, self._engine.dialect.name)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def keep(self, take: KeptTake) -> int:
        """Write a take and return its number.

        Raises
        ------
        UsageError
            The same show and phase is kept already: nothing is overwritten. Or a name is no text.
        """
        take = replace(take, recording=take.recording.encode("utf-8", "replace").decode())
        for text in (take.house, take.show, take.note, take.kept_by, *(part.source for part in take.parts)):
            refuse_no_text(text)
        with self.transaction(writes=True) as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.text("LOCK TABLE take IN SHARE ROW EXCLUSIVE MODE"))
            names = {name: getattr(take, name) for name in ("show", "date", "phase", "digest", "room", "desk")}
            refuse_twice(connection, self.names.houses_of(take.house), **names)
            return insert_take(connection, take, kept_at=now_utc())

    def refuse_twice(self, *, house: str, show: str, date: str | None, phase: str, digest: str | None = None) -> None:
        """Say before the measuring that a take is kept already; `digest` of its files tells those without a date apart.

        Raises
        ------
        UsageError
            It is.
        """
        refuse_no_text(show)
        with self.transaction() as connection:
            refuse_twice(
                connection,
                self.names.houses_of(house),
                show=show,
                date=date,
                phase=phase,
                digest=digest,
                room=self.names.room,
                desk=self.names.desk,
            )

    def takes(self, *, house: str | None = None, forgotten: bool = False) -> list[TakeRow]:
        """Kept takes, oldest first: by their date, or in the order in which they were kept."""
        query = sa.select(*(TAKE.c[name] for name in TakeRow.__dataclass_fields__)).order_by(TAKE.c.id)
        chosen: list[sa.ColumnElement[bool]] = [] if house is None else [TAKE.c.house.in_(self.names.houses_of(house))]
        if not forgotten:  # an archive's takes that nobody kept are many, and no check needs them
            chosen.append(sa.or_(TAKE.c.forgotten_by.is_(None), TAKE.c.forgotten_by.not_in(ARCHIVE_MARKS)))
        with self.transaction() as connection:
            rows = in_order([take_of_row(row) for row in connection.execute(query.where(*chosen)).mappings()])
        return rows if forgotten else [row for row in rows if row.forgotten_at is None]

    def takes_here(self, *, house: str) -> list[TakeRow]:
        """Kept takes of the room and desk that the house file is about, as far as these are named."""
        return [row for row in self.takes(house=house) if self.names.is_here(row.room, row.desk)]

    def forget(self, which: str, *, house: str, by: str) -> TakeRow:
        """Take one out of the reference; its readings stay in the store, with who took it out and when.

        Parameters
        ----------
        which : str
            Its number, date or show name.

        Raises
        ------
        UsageError
            There is none, or several.
        """
        takes = self.takes(house=house)
        rows = [row for row in takes if which == str(row.id)] or [row for row in takes if which in (row.date, row.show)]
        if not rows:
            raise UsageError(
                f'--forget "{which}"', "no kept show has this number, date or name", "see: deskhand keep --list"
            )
        if len(rows) > 1:
            numbers = ", ".join(f"{row.id} ({row.phase})" for row in rows)
            raise UsageError(
                f'--forget "{which}"', f"several kept takes answer to it: {numbers}", "name one by its number"
            )
        with self.transaction(writes=True) as connection:
            update = connection.execute(
                sa.update(TAKE)
                .where(TAKE.c.id == rows[0].id, TAKE.c.forgotten_at.is_(None))
                .values(forgotten_by=by, forgotten_at=now_utc())
            )
            count_month(connection, house=rows[0].house, date=rows[0].date)
        if not update.rowcount:
            raise UsageError(
                f'--forget "{which}"',
                "somebody else has taken it out a moment ago",
                "see: deskhand keep --list --forgotten",
            )
        return rows[0]

    def parts(
        self,
        *,
        house: str,
        phase: str,
        metrics: Collection[str],
        most: int,
        stages: Collection[str],
        source: str | None = None,
        versions: Mapping[str, int] | None = None,
    ) -> list[tuple[TakeRow, KeptPart]]:
        """Parts and takes of the newest kept takes of a phase, oldest first; those of another room or desk are left out.

        Parameters
        ----------
        house, phase : str
        metrics : collection of str
            Names of readings; one that ends in a dot stands for all its bands.
        most : int
            Most takes that are read.
        stages : collection of str
        source : str, optional
            Only this one.
        versions : mapping, optional
            Version of each reading today (`deskhand.store.inserts.version_of`): those of another are told by their names only.
            All are read without it.
        """
        takes = {row.id: row for row in [row for row in self.takes_here(house=house) if row.phase == phase][-most:]}
        if not takes:
            return []
        wanted = sa.or_(
            VALUE.c.metric.in_([metric for metric in metrics if not metric.endswith(".")]),
            *(VALUE.c.metric.startswith(metric, autoescape=True) for metric in metrics if metric.endswith(".")),
        )
        chosen = [PART.c.take_id.in_(takes), PART.c.stage.in_(list(stages))]
        if source is not None:
            chosen.append(PART.c.source.in_(self.names.sources_of(source)))
        # a part's own columns are asked for once, not again with each of its hundred values
        of_part = VALUE.join(PART, VALUE.c.part_id == PART.c.id)
        query = sa.select(VALUE.c.part_id, VALUE.c.metric, VALUE.c.value, VALUE.c.pm, VALUE.c.version)
        held: dict[int, tuple[dict[str, tuple[float, float | None]], set[str]]] = {}
        wanted_versions: dict[str, int] = {}
        with self.transaction() as connection:
            rows = connection.execute(sa.select(PART).where(*chosen)).all()
            for part_id, metric, value, pm, version in connection.execute(
                query.select_from(of_part).where(*chosen, wanted)
            ):
                values, other_version = held.setdefault(part_id, ({}, set()))
                if versions is not None and metric not in wanted_versions:
                    wanted_versions[metric] = version_of(metric, versions)
                reading = (number_of_row(value, metric), None if pm is None else number_of_row(pm, metric))
                if versions is None or version == wanted_versions[metric]:
                    values[metric] = reading
                else:
                    other_version.add(metric)
        parts = with_todays_sources([part_of_row(row, *held[row.id]) for row in rows if row.id in held], self.names)
        order = {number: position for position, number in enumerate(takes)}
        parts.sort(key=lambda part: (order[part.take], part.source, part.stage, part.sound))
        return [(takes[part.take], part) for part in parts]

    def sources(self, *, house: str) -> list[str]:
        """Today's names of all sources that were ever kept."""
        query = (
            sa.select(PART.c.source)
            .join(TAKE, TAKE.c.id == PART.c.take_id)
            .where(TAKE.c.house.in_(self.names.houses_of(house)), PART.c.stage == "tap")
            .distinct()
        )
        with self.transaction() as connection:
            return sorted({self.names.source(row.source) for row in connection.execute(query)})

    def dismiss(self, dismissal: Dismissal, *, house: str) -> None:
        """Write that a finding is not to be heard of."""
        with self.transaction(writes=True) as connection:
            connection.execute(
                sa.insert(DISMISSAL).values(
                    house=house,
                    for_good=int(dismissal.for_good),
                    part_values=json.dumps(dict(dismissal.values)),
                    said_at=now_utc(),
                    **{name: getattr(dismissal, name) for name in DISMISSAL_NAMES},
                )
            )

    def dismissals(self, *, house: str) -> list[Dismissal]:
        """Dismissed findings, oldest first, without those that were taken back."""
        query = (
            sa.select(DISMISSAL)
            .where(DISMISSAL.c.house.in_(self.names.houses_of(house)), DISMISSAL.c.taken_back_at.is_(None))
            .order_by(DISMISSAL.c.id)
        )
        with self.transaction() as connection:
            rows = map(dismissal_of_row, connection.execute(query))
            return [replace(row, source=self.names.source(row.source)) for row in rows]

    def take_back(self, source: str, kind: str, *, house: str) -> int:
        """Raise a finding again that was dismissed; returns how many dismissals that undid."""
        with self.transaction(writes=True) as connection:
            update = connection.execute(
                sa.update(DISMISSAL)
                .where(
                    DISMISSAL.c.house.in_(self.names.houses_of(house)),
                    DISMISSAL.c.source.in_(self.names.sources_of(source)),
                    DISMISSAL.c.kind == kind,
                    DISMISSAL.c.taken_back_at.is_(None),
                )
                .values(taken_back_at=now_utc())
            )
            return update.rowcount

    def add_blind_test(self, test: BlindTest, *, house: str) -> int:
        """Write a blind listening test, with the time of writing, and return its number.

        Raises
        ------
        UsageError
            A name or a note is no text.
        """
        for text in (house, test.source, test.show, test.compared, test.said_by, test.note):
            refuse_no_text(text)
        values = {name: getattr(test, name) for name in BlindTest.__dataclass_fields__ if name not in ("id", "said_at")}
        with self.transaction(writes=True) as connection:
            number = connection.execute(
                sa.insert(BLIND_TEST).values(house=house, said_at=now_utc(), **values)
            ).inserted_primary_key
        assert number is not None
        return int(number[0])

    def blind_tests(self, *, house: str, source: str | None = None) -> list[BlindTest]:
        """Blind listening tests, oldest first: what people could tell apart by ear and what not.

        Parameters
        ----------
        house : str
        source : str, optional
            Only this one.
        """
        query = (
            sa.select(*(BLIND_TEST.c[name] for name in BlindTest.__dataclass_fields__))
            .where(BLIND_TEST.c.house.in_(self.names.houses_of(house)))
            .order_by(BLIND_TEST.c.id)
        )
        if source is not None:
            query = query.where(BLIND_TEST.c.source.in_(self.names.sources_of(source)))
        with self.transaction() as connection:
            rows = (BlindTest(**row) for row in connection.execute(query).mappings())
            return [replace(row, source=self.names.source(row.source)) for row in rows]
