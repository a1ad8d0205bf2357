"""Engines of the history's database: which URLs there are, how they are shown, how SQLite's transactions begin, revisions of the tables."""

from __future__ import annotations

import functools
import re
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote

import sqlalchemy as sa

from deskhand.errors import HistoryError
from deskhand.store.records import file_of

MIGRATIONS: Final = Path(__file__).parent / "migrations"
WAIT_S: Final = 20.0
"""Time that one program waits for another that is writing. Common practice, no source."""


def shown(url: str) -> str:
    """URL as it may be printed: an SQLite file by its path, a server without its password."""
    file = file_of(url)
    if file is not None:
        return str(file)
    # an @ in a password that is not written as %40 must not leave a part of it behind
    url = re.sub(r"(://[^:/@]*)[^/]*(@[^@/]*)", r"\1\2", url, count=1)
    try:
        parsed = sa.make_url(url)
    except (sa.exc.ArgumentError, ValueError):
        return f"{url.split(':', 1)[0]}://..."
    query = {name: value for name, value in parsed.query.items() if "pass" not in name.casefold()}
    plain = sa.URL.create(parsed.drivername, parsed.username, None, parsed.host, parsed.port, parsed.database, query)
    return unquote(plain.render_as_string())


def checked_url(url: str) -> str:
    """URL with its scheme in small letters.

    Raises
    ------
    HistoryError
        It is no URL of a file or of a PostgreSQL server.
    """
    url = re.sub(r"^[A-Za-z0-9+]+(?=:)", lambda scheme: scheme[0].lower(), url)
    if not re.match(r"^(sqlite|postgres(ql)?(\+psycopg)?):", url):
        raise HistoryError(shown(url), "no such kind of database", "use a file, sqlite:/// or postgresql://")
    if url.split("/")[2:3] and url.split("/")[2].count("@") > 1:
        raise HistoryError(f"{url.split(':', 1)[0]}://...", "is not a database URL", "write an @ in a password as %40")
    return url


def engine_of(url: str, file: Path | None) -> sa.Engine:
    """Engine of a checked URL; SQLite takes its write lock at the start of a transaction that writes, and syncs every commit.

    Parameters
    ----------
    url : str
        As `checked_url` returns it.
    file : Path or None
        The SQLite file; None for a server.
    """
    if file is not None:
        engine = sa.create_engine(
            sa.URL.create("sqlite", database=str(file)), connect_args={"timeout": WAIT_S}, poolclass=sa.NullPool
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


def unusable(where: str, problem: str, dialect: str) -> HistoryError:
    """Error of one line for a database that cannot be used, with what to do.

    Parameters
    ----------
    where : str
        File or server, for people.
    problem : str
        Words of the driver.
    dialect : str
        "sqlite" or that of a server.
    """
    problem = " ".join(problem.split()).rstrip(".")
    if "permission denied for" in problem or "read-only transaction" in problem:
        return HistoryError(
            where, "lets this user only read", "to keep or change something, name it with a user who may write"
        )
    if "locked" in problem:
        fix = "another program is writing to it: try again"
    elif dialect != "sqlite":
        fix = "see that the server runs and lets this user in, or name another with --history"
    elif "readonly database" in problem:
        return HistoryError(
            where, "may only be read by this user (it is read-only)", "let this user write it and its folder, or name another with --history"
        )  # fmt: skip
    else:
        fix = (
            "it may be damaged, read-only, full, or no history of ours: put a copy in its place, move it away, or name another "
            "with --history"
        )
    return HistoryError(where, f"cannot be used ({problem[:160]})", fix)


@functools.cache
def revisions() -> tuple[str | None, frozenset[str]]:
    """Newest revision of the tables, and all; read once, since it runs each migration's file."""
    from alembic.script import ScriptDirectory

    script = ScriptDirectory(str(MIGRATIONS))
    return script.get_current_head(), frozenset(migration.revision for migration in script.walk_revisions())
