"""Tables of a history brought to those of this version, with a copy of an SQLite history left beside it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

from deskhand.errors import HistoryError, UsageError
from deskhand.files import write_atomically
from deskhand.store.engine import MIGRATIONS, revisions

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    Transaction = Callable[..., AbstractContextManager[sa.Connection]]


def upgrade_tables(engine: sa.Engine, where: str, transaction: Transaction) -> None:
    """Bring the tables to this version."""
    newest, known = revisions()
    revision = _revision(where, transaction, known)
    if revision == newest:
        return
    if revision is not None:
        _copy_before_upgrade(engine, where, transaction, revision)
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    with transaction(writes=True) as connection:
        if connection.dialect.name == "postgresql":
            # two programs that open a new database at once: one makes the tables, the other waits for it
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(5151951)"))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _copy_before_upgrade(engine: sa.Engine, where: str, transaction: Transaction, revision: str) -> None:
    """Leave a copy of an SQLite history beside it before its tables are changed; one that is there already stays.

    Raises
    ------
    HistoryError
        The copy cannot be written.
    """
    if engine.dialect.name != "sqlite" or engine.url.database is None:
        return
    file = Path(engine.url.database)
    copy = file.with_name(f"{file.name}.before-upgrade-from-{revision}")
    if copy.exists():
        return
    try:
        with transaction(writes=True) as connection:
            # nobody writes meanwhile, and a journal that is left is counted in
            pages = connection.connection.driver_connection.serialize()  # type: ignore[union-attr]
        write_atomically(copy, pages)
    except UsageError as error:
        raise HistoryError(
            where,
            "is of an earlier deskhand, and no copy of it can be left beside it before it is brought up to date",
            f"make room, or let this user write in {file.parent}",
        ) from error


def _revision(where: str, transaction: Transaction, known: frozenset[str]) -> str | None:
    with transaction(writes=False) as connection:
        inspector = sa.inspect(connection)
        tables = set(inspector.get_table_names())
        if not tables:
            return None
        if "alembic_version" not in tables:
            raise HistoryError(where, "holds other tables, and is no history of ours", "name another place")
        revision = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    if revision is not None and revision not in known:
        raise HistoryError(where, "was written by a newer deskhand", "use that version, or a newer one")
    return revision
