"""Opens the history and reads and writes it, each change in one transaction."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import unquote

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from deskhand.errors import HistoryError, UsageError
from deskhand.recording.names import dated
from deskhand.store.records import BlindTest, Dismissal, KeptPart, TakeRow, file_of
from deskhand.store.tables import BLIND_TEST, DISMISSAL, PART, TAKE, VALUE

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from deskhand.store.records import KeptTake

_WAIT_S: Final = 20.0
"""How long one program waits for another that is writing."""
_MIGRATIONS: Final = Path(__file__).parent / "migrations"


def shown(url: str) -> str:
    """The URL as it may be printed: an SQLite file by its path, a server without its password."""
    file = file_of(url)
    if file is not None:
        return str(file)
    # an @ in a password that is not written as %40 must not leave a part of it behind
    url = re.sub(r"(://[^:/@]*)[^/]*(@[^@/]*)", r"\1\2", url, count=1)
    try:
        made = sa.make_url(url)
    except (sa.exc.ArgumentError, ValueError):
        return f"{url.split(':', 1)[0]}://..."
    query = {name: value for name, value in made.query.items() if "pass" not in name.casefold()}
    plain = sa.URL.create(made.drivername, made.username, None, made.host, made.port, made.database, query)
    return unquote(plain.render_as_string())


def open_history(url: str, *, create: bool = False) -> History | None:
    """The history at a URL, brought up to this version's tables; None when there is no file yet.

    Parameters
    ----------
    url : str
        `sqlite:///...` or `postgresql://...`.
    create : bool
        Make the SQLite file when it is missing.

    Raises
    ------
    HistoryError
        It cannot be opened, is none of ours, or was made by a newer version.
    """
    url = re.sub(r"^[A-Za-z0-9+]+(?=:)", lambda scheme: scheme[0].lower(), url)
    if not re.match(r"^(sqlite|postgres(ql)?(\+psycopg)?):", url):
        raise HistoryError(shown(url), "no such kind of database", "use a file, sqlite:/// or postgresql://")
    if url.split("/")[2:3] and url.split("/")[2].count("@") > 1:
        raise HistoryError(f"{url.split(':', 1)[0]}://...", "is not a database URL", "write an @ in a password as %40")
    file = file_of(url)
    if file is not None and not create and not file.exists():
        return None
    if file is not None and not file.parent.is_dir():
        raise HistoryError(str(file), "there is no such folder", "name another place for the history")
    where = shown(url)
    try:
        engine = _engine(url, file)
    except ImportError as error:
        raise HistoryError(
            where, f"the database driver is missing ({error.name})", "install it with: pip install 'deskhand[postgres]'"
        ) from error
    except (sa.exc.ArgumentError, ValueError) as error:
        raise HistoryError(where, "is not a database URL", "write it like postgresql://user@host/name") from error
    history = History(engine, where)
    history.upgrade()
    return history


def _engine(url: str, file: Path | None) -> sa.Engine:
    if file is not None:
        engine = sa.create_engine(
            sa.URL.create("sqlite", database=str(file)), connect_args={"timeout": _WAIT_S}, poolclass=sa.NullPool
        )

        @sa.event.listens_for(engine, "connect")
        def _prepare(connection: Any, _record: Any) -> None:
            # Python's driver opens no transaction for changes of tables by itself; here each transaction is opened by us
            connection.isolation_level = None
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA synchronous = FULL")

        @sa.event.listens_for(engine, "begin")
        def _begin(connection: sa.Connection) -> None:
            writes = connection.get_execution_options().get("writes", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine
    return sa.create_engine(re.sub(r"^postgres(ql)?:", "postgresql+psycopg:", url), poolclass=sa.NullPool)


class History:
    """Kept takes, dismissed findings and blind listening tests. Made by `open_history`."""

    def __init__(self, engine: sa.Engine, where: str) -> None:
        self._engine = engine
        self.where = where
        """File or server, for people."""

    @contextmanager
    def _transaction(self, *, writes: bool = False) -> Iterator[sa.Connection]:
        """All of it or nothing; database errors and damaged rows become one line."""
        try:
            with self._engine.connect().execution_options(writes=writes) as connection, connection.begin():
                yield connection
        except DBAPIError as error:
            raise self._unusable(str(error.orig)) from error
        except (sqlite3.Error, ValueError) as error:
            # a damaged file: the driver's own errors at connecting, text that is no UTF-8, rows that hold no such value
            raise self._unusable(str(error)) from error

    def _unusable(self, problem: str) -> HistoryError:
        """The one line for a database that cannot be used, with what to do."""
        problem = " ".join(problem.split()).rstrip(".")
        if "locked" in problem:
            fix = "another program is writing to it: try again"
        elif self._engine.dialect.name != "sqlite":
            fix = "see that the server runs and lets this user in, or name another with --history"
        else:
            fix = (
                "it may be damaged, read-only, full, or no history of ours: put a copy in its place, move it away, or name another "
                "with --history"
            )
        return HistoryError(self.where, f"cannot be used ({problem[:160]})", fix)

    def upgrade(self) -> None:
        """Bring the tables to this version."""
        from alembic.script import ScriptDirectory

        script = ScriptDirectory(str(_MIGRATIONS))
        newest = script.get_current_head()
        if self._revision(script) == newest:
            return
        from alembic import command
        from alembic.config import Config

        config = Config()
        config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
        with self._transaction(writes=True) as connection:
            if connection.dialect.name == "postgresql":
                # two programs that open a new database at once: one makes the tables, the other waits for it
                connection.execute(sa.text("SELECT pg_advisory_xact_lock(5151951)"))
            config.attributes["connection"] = connection
            command.upgrade(config, "head")

    def _revision(self, script: Any) -> str | None:
        with self._transaction() as connection:
            inspector = sa.inspect(connection)
            tables = set(inspector.get_table_names())
            if not tables:
                return None
            if "alembic_version" not in tables:
                raise HistoryError(self.where, "holds other tables, and is no history of ours", "name another place")
            revision = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
        known = {one.revision for one in script.walk_revisions()}
        if revision is not None and revision not in known:
            raise HistoryError(self.where, "was written by a newer deskhand", "use that version, or a newer one")
        return revision

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def keep(self, take: KeptTake) -> int:
        """Write a take; its number.

        Raises
        ------
        UsageError
            The same show and phase is kept already: nothing is overwritten. Or a name is no text.
        """
        take = replace(take, recording=take.recording.encode("utf-8", "replace").decode())
        for text in (take.house, take.show, take.note, take.kept_by, *(part.source for part in take.parts)):
            _refuse_no_text(text)
        with self._transaction(writes=True) as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.text("LOCK TABLE take IN SHARE ROW EXCLUSIVE MODE"))
            _refuse_twice(connection, house=take.house, show=take.show, date=take.date, phase=take.phase)
            number = connection.execute(
                sa.insert(TAKE).values(
                    {
                        column.name: getattr(take, column.name)
                        for column in TAKE.columns
                        if column.name not in ("id", "kept_at", "forgotten_by", "forgotten_at")
                    }
                    | {"kept_at": _now()}
                )
            ).inserted_primary_key
            assert number is not None
            rows: list[dict[str, Any]] = []
            for part in take.parts:
                key = connection.execute(
                    sa.insert(PART).values(
                        take_id=number[0],
                        **{
                            name: getattr(part, name)
                            for name in ("source", "stage", "sound", "role", "player", "tap", "chain", "playing_s")
                        },
                    )
                ).inserted_primary_key
                assert key is not None
                rows += [
                    {"part_id": key[0], "metric": metric, "value": value, "pm": pm}
                    for metric, (value, pm) in part.values.items()
                ]
            if rows:
                connection.execute(sa.insert(VALUE), rows)
            return int(number[0])

    def refuse_twice(self, *, house: str, show: str, date: str | None, phase: str) -> None:
        """Say before the measuring that a take is kept already.

        Raises
        ------
        UsageError
            It is.
        """
        _refuse_no_text(show)
        with self._transaction() as connection:
            _refuse_twice(connection, house=house, show=show, date=date, phase=phase)

    def takes(self, *, house: str | None = None, forgotten: bool = False) -> list[TakeRow]:
        """Kept takes, oldest first."""
        query = sa.select(*(TAKE.c[name] for name in TakeRow.__dataclass_fields__)).order_by(
            sa.func.coalesce(TAKE.c.date, TAKE.c.kept_at), TAKE.c.id
        )
        if house is not None:
            query = query.where(TAKE.c.house == house)
        if not forgotten:
            query = query.where(TAKE.c.forgotten_at.is_(None))
        with self._transaction() as connection:
            return [_take_row(row) for row in connection.execute(query).mappings()]

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
        kept = self.takes(house=house)
        rows = [row for row in kept if which == str(row.id)] or [row for row in kept if which in (row.date, row.show)]
        if not rows:
            raise UsageError(
                f'--forget "{which}"', "no kept show has this number, date or name", "see: deskhand keep --list"
            )
        if len(rows) > 1:
            numbers = ", ".join(f"{row.id} ({row.phase})" for row in rows)
            raise UsageError(
                f'--forget "{which}"', f"several kept takes answer to it: {numbers}", "name one by its number"
            )
        with self._transaction(writes=True) as connection:
            done = connection.execute(
                sa.update(TAKE)
                .where(TAKE.c.id == rows[0].id, TAKE.c.forgotten_at.is_(None))
                .values(forgotten_by=by, forgotten_at=_now())
            )
        if not done.rowcount:
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
    ) -> list[tuple[TakeRow, KeptPart]]:
        """What was read in the newest kept takes of a phase, oldest first.

        Parameters
        ----------
        house, phase : str
        metrics : collection of str
            Names of readings; one that ends in a dot stands for all its bands.
        most : int
            How many takes.
        stages : collection of str
        source : str, optional
            Only this one.
        """
        takes = {row.id: row for row in [row for row in self.takes(house=house) if row.phase == phase][-most:]}
        if not takes:
            return []
        wanted = sa.or_(
            VALUE.c.metric.in_([metric for metric in metrics if not metric.endswith(".")]),
            *(VALUE.c.metric.startswith(metric, autoescape=True) for metric in metrics if metric.endswith(".")),
        )
        query = (
            sa.select(PART, VALUE.c.metric, VALUE.c.value, VALUE.c.pm)
            .join(VALUE, VALUE.c.part_id == PART.c.id)
            .where(PART.c.take_id.in_(takes), PART.c.stage.in_(list(stages)), wanted)
        )
        if source is not None:
            query = query.where(PART.c.source == source)
        found: dict[int, tuple[sa.Row[Any], dict[str, tuple[float, float | None]]]] = {}
        with self._transaction() as connection:
            for row in connection.execute(query):
                value = _number(row.value, row.metric)
                pm = None if row.pm is None else _number(row.pm, row.metric)
                found.setdefault(row.id, (row, {}))[1][row.metric] = (value, pm)
        out = [
            (
                takes[row.take_id],
                KeptPart(
                    source=row.source,
                    stage=row.stage,
                    sound=row.sound,
                    role=row.role,
                    player=row.player,
                    tap=row.tap,
                    chain=row.chain,
                    playing_s=row.playing_s,
                    values=values,
                    take=row.take_id,
                ),
            )
            for row, values in found.values()
        ]
        order = {number: place for place, number in enumerate(takes)}
        return sorted(out, key=lambda item: (order[item[0].id], item[1].source, item[1].stage, item[1].sound))

    def sources(self, *, house: str) -> list[str]:
        """Names of all sources that were ever kept."""
        query = (
            sa.select(PART.c.source)
            .join(TAKE, TAKE.c.id == PART.c.take_id)
            .where(TAKE.c.house == house, PART.c.stage == "tap")
            .distinct()
        )
        with self._transaction() as connection:
            return sorted(row.source for row in connection.execute(query))

    def dismiss(self, dismissal: Dismissal, *, house: str) -> None:
        """Write that a finding is not to be heard of."""
        values = {
            name: getattr(dismissal, name)
            for name in ("source", "kind", "metric", "show", "date", "measured", "note", "said_by")
        }
        with self._transaction(writes=True) as connection:
            connection.execute(
                sa.insert(DISMISSAL).values(
                    house=house,
                    for_good=int(dismissal.for_good),
                    part_values=json.dumps(dict(dismissal.values)),
                    said_at=_now(),
                    **values,
                )
            )

    def dismissals(self, *, house: str) -> list[Dismissal]:
        """What is not to be heard of, oldest first, without what was taken back."""
        query = (
            sa.select(DISMISSAL)
            .where(DISMISSAL.c.house == house, DISMISSAL.c.taken_back_at.is_(None))
            .order_by(DISMISSAL.c.id)
        )
        with self._transaction() as connection:
            return [
                Dismissal(
                    id=row.id,
                    source=row.source,
                    kind=row.kind,
                    metric=row.metric,
                    show=row.show,
                    date=row.date,
                    for_good=bool(row.for_good),
                    measured=None if row.measured is None else _number(row.measured, row.kind),
                    values=_numbers(row.part_values),
                    note=row.note,
                    said_by=row.said_by,
                )
                for row in connection.execute(query)
            ]

    def take_back(self, source: str, kind: str, *, house: str) -> int:
        """Hear of it again; how many dismissals that undid."""
        with self._transaction(writes=True) as connection:
            done = connection.execute(
                sa.update(DISMISSAL)
                .where(
                    DISMISSAL.c.house == house,
                    DISMISSAL.c.source == source,
                    DISMISSAL.c.kind == kind,
                    DISMISSAL.c.taken_back_at.is_(None),
                )
                .values(taken_back_at=_now())
            )
            return done.rowcount

    def add_blind_test(self, test: BlindTest, *, house: str) -> int:
        """Write what came of a blind listening test; its number. When it is written is said here, and not by the test.

        Raises
        ------
        UsageError
            A name or a note is no text.
        """
        for text in (house, test.source, test.show, test.compared, test.said_by, test.note):
            _refuse_no_text(text)
        values = {
            name: getattr(test, name)
            for name in ("source", "show", "date", "compared", "trials", "right", "p_value", "said_by", "note")
        }
        with self._transaction(writes=True) as connection:
            number = connection.execute(
                sa.insert(BLIND_TEST).values(house=house, said_at=_now(), **values)
            ).inserted_primary_key
        assert number is not None
        return int(number[0])

    def blind_tests(self, *, house: str, source: str | None = None) -> list[BlindTest]:
        """What people could tell apart by ear and what not, oldest first.

        Parameters
        ----------
        house : str
        source : str, optional
            Only this one.
        """
        query = (
            sa.select(*(BLIND_TEST.c[name] for name in BlindTest.__dataclass_fields__))
            .where(BLIND_TEST.c.house == house)
            .order_by(BLIND_TEST.c.id)
        )
        if source is not None:
            query = query.where(BLIND_TEST.c.source == source)
        with self._transaction() as connection:
            return [BlindTest(**row) for row in connection.execute(query).mappings()]


def _number(value: Any, metric: str) -> float:
    """Number of a row; ValueError where a damaged row holds none (SQLite keeps text in a column of numbers)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"a row of {metric} holds {value!r} where a number belongs")  # noqa: TRY004 - damaged data, not a caller's mistake
    return float(value)


def _numbers(text: Any) -> dict[str, float]:
    """Readings of a dismissal, by name; ValueError where a damaged row holds no such JSON."""
    values = json.loads(str(text))
    if not isinstance(values, dict):
        raise ValueError(f"a dismissal holds {values!r} where its readings belong")  # noqa: TRY004 - damaged data, as above
    return {name: _number(value, name) for name, value in values.items()}


def _take_row(row: Any) -> TakeRow:
    """The take of a row; ValueError where a damaged row holds no such day, time or text."""
    for name in ("house", "show", "phase", "recording", "note", "kept_by", "kept_at"):
        if not isinstance(row[name], str):
            raise ValueError(f"take {row['id']} holds {row[name]!r} where its {name} belongs")  # noqa: TRY004 - damaged data, not a caller's mistake
    if row["date"] is not None:
        date.fromisoformat(str(row["date"]))
    datetime.fromisoformat(row["kept_at"])
    _number(row["duration_s"], "duration_s")
    return TakeRow(**row)


def _refuse_twice(connection: sa.Connection, *, house: str, show: str, date: str | None, phase: str) -> None:
    same = connection.execute(
        sa.select(TAKE.c.id, TAKE.c.kept_by, TAKE.c.kept_at).where(
            TAKE.c.house == house,
            TAKE.c.show == show,
            TAKE.c.date.is_(None) if date is None else TAKE.c.date == date,
            TAKE.c.phase == phase,
            TAKE.c.forgotten_at.is_(None),
        )
    ).first()
    if same is None:
        return
    raise UsageError(
        f"{dated(show, date)}, {phase}",
        f"is kept already, as number {same.id}, by {same.kept_by} on {same.kept_at[:10]}",
        f"to put this one in its place, first: deskhand keep --forget {same.id}",
    )


def _refuse_no_text(text: str) -> None:
    """A name that no database holds: the bytes of a file name in a coding that is not known."""
    try:
        text.encode()
    except UnicodeEncodeError:
        shown_as = text.encode("utf-8", "replace").decode()
        raise UsageError(
            f'"{shown_as}"',
            "holds bytes that are no text",
            'name the show in its show.toml, like: name = "Sunday evening"',
        ) from None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
