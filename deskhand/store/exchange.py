"""One open file of a whole history: written from any database, checked line by line on the way in, all or nothing."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from deskhand.errors import HistoryError, UsageError
from deskhand.files import replace_synced
from deskhand.leftovers import unfinished_prefix
from deskhand.store.engine import revisions
from deskhand.store.people import PersonName, names_nobody, stand_ins_of
from deskhand.store.row_rules import LARGEST_BYTES, RowKeys, row_problem
from deskhand.store.tables import METADATA, PART

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from deskhand.store.history import History
    from deskhand.store.people import StandIns

FORMAT: Final = "deskhand history"
FORMAT_VERSION: Final = 1
"""Raised when a reader of the earlier one would read it wrongly."""
_LONGEST_LINE: Final = 4 * LARGEST_BYTES
"""Bytes of a line: two packed values in base64, which takes four letters for three bytes (RFC 4648, 4), and room for its texts."""
_ROWS_AT_ONCE: Final = 5_000
"""Rows that are written at once: a megabyte or so. Common practice, no source."""


def exported_tables() -> list[sa.Table]:
    """Tables of the file, each behind those it refers to; what can be counted anew from others is left out."""
    return [table for table in METADATA.sorted_tables if not table.info.get("derived")]


def rows_of(connection: sa.Connection, table: sa.Table) -> Iterator[Mapping[Any, Any]]:
    """Rows of a table by their keys, streamed."""
    query = sa.select(table).order_by(*table.primary_key)
    options = {"stream_results": True, "yield_per": _ROWS_AT_ONCE}
    yield from connection.execute(query, execution_options=options).mappings()


def row_text(table: sa.Table, row: Mapping[Any, Any], stand_ins: StandIns | None = None) -> str:
    """Line of a row: its table, then its values under their names; bytes in base64, and stand-ins for people where there are some."""
    values: dict[str, Any] = {"table": table.name}
    for column in table.columns:
        value = row[column.name]
        if stand_ins is not None and isinstance(value, str):
            value = stand_ins.outward(column, value)
        values[column.name] = base64.b64encode(value).decode() if isinstance(value, bytes) else value
    return json.dumps(values, ensure_ascii=False, separators=(",", ":"))


@contextmanager
def _synced_lines(path: Path) -> Iterator[_LineWriter]:
    """Writer of a file that is there whole and synced at the end, or not at all."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=unfinished_prefix())
        try:
            with os.fdopen(handle, "wb") as file:
                yield _LineWriter(file)
            replace_synced(Path(name), path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UsageError(str(path), f"cannot be written ({error.strerror})", "choose another place") from error


class _LineWriter:
    """Writes lines and takes their digest."""

    def __init__(self, file: Any) -> None:
        self._file = file
        self.digest = hashlib.sha256()

    def write(self, text: str) -> None:
        """Write a line."""
        data = f"{text}\n".encode("utf-8", "surrogatepass")
        self.digest.update(data)
        self._file.write(data)


def _meet_people(connection: sa.Connection, stand_ins: StandIns) -> None:
    """Give everybody a stand-in beforehand: a note may name somebody who is in a later table."""
    stand_ins.meet(
        (row.player, row.role)
        for row in connection.execute(sa.select(PART.c.player, PART.c.role).distinct())
        if row.player
    )
    for table in exported_tables():
        for column in table.columns:
            if isinstance(column.type, PersonName):
                names = connection.execute(sa.select(column).where(column.is_not(None)).distinct()).scalars()
                stand_ins.meet((name, "") for name in names if isinstance(name, str))


def export_history(
    history: History, path: Path, *, checked: bool = True, stand_ins: StandIns | None = None
) -> dict[str, int]:
    """Write a history to a file and return the number of rows of each table.

    Parameters
    ----------
    history : History
    path : Path
        Left as it is where anything goes wrong.
    checked : bool
        Refuse rows that an import would refuse.
    stand_ins : StandIns, optional
        Written in place of people's names.

    Raises
    ------
    HistoryError
        A row is damaged.
    UsageError
        The file cannot be written.
    """
    counts: dict[str, int] = {}
    # the file is the outer one: what was read must have been one state of the database before it gets its name
    with _synced_lines(path) as lines, history.transaction() as connection:
        if connection.dialect.name == "postgresql":
            # SQLite reads one state in any transaction; a server has to be asked to
            connection.execute(sa.text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))
        lines.write(json.dumps({"format": FORMAT, "version": FORMAT_VERSION, "revision": revisions()[0]}))
        if stand_ins is not None:
            _meet_people(connection, stand_ins)
        for table in exported_tables():
            count = 0
            for row in rows_of(connection, table):
                name, problem = row_problem(table, row) if checked else ("", "")
                if problem:
                    key = " ".join(str(row[column.name]) for column in table.primary_key)
                    raise HistoryError(
                        history.where, f"{table.name} {key}: {name} {problem}", "see: deskhand store check, then repair"
                    )
                lines.write(row_text(table, row, stand_ins))
                count += 1
            counts[table.name] = count
        lines.write(json.dumps({"end": counts, "sha256": lines.digest.hexdigest()}))
    return counts


class _ExportReader:
    """Reads an exported file line by line and refuses what breaks a rule, by line and key."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._line = 0
        self._digest = hashlib.sha256()
        self.counts: dict[str, int] = {}

    def refuse(self, problem: str, *, line: int | None = None) -> UsageError:
        """Error of one line that names the file and its line."""
        where = f"{self._path}, line {self._line if line is None else line}"
        return UsageError(where, problem, "nothing was imported: export it again, or put the line right")

    def _lines(self) -> Iterator[tuple[dict[str, Any], bytes]]:
        """Objects of the lines, with their bytes."""
        try:
            with self._path.open("rb") as file:
                while data := file.readline(_LONGEST_LINE + 1):
                    self._line += 1
                    if len(data) > _LONGEST_LINE:
                        raise self.refuse(f"is longer than {_LONGEST_LINE} bytes")
                    yield self._object(data), data
        except OSError as error:
            raise UsageError(str(self._path), f"cannot be read ({error.strerror})", "name another file") from error

    def _object(self, data: bytes) -> dict[str, Any]:
        """Object of a line; the same key twice, NaN and infinities are refused."""
        try:
            content = json.loads(data.decode(), object_pairs_hook=_once_each, parse_constant=_no_constant)
        except (ValueError, RecursionError) as error:
            reason = "it is cut short" if not data.endswith(b"\n") else " ".join(str(error).split())[:80]
            raise self.refuse(f"is no line of JSON ({reason})") from error
        if not isinstance(content, dict):
            raise self.refuse("holds no object")
        return content

    def rows(self) -> Iterator[tuple[sa.Table, dict[str, Any], int]]:
        """Table, row and line of each row, checked.

        Raises
        ------
        UsageError
            A line breaks a rule.
        """
        tables, keys = {table.name: table for table in exported_tables()}, RowKeys()
        order = list(tables)
        position, ended = 0, False
        self.counts = dict.fromkeys(tables, 0)
        for content, data in self._lines():
            if self._line == 1:
                self._check_header(content)
            elif ended:
                raise self.refuse("stands behind the end")
            elif "end" in content:
                self._check_end(content)
                ended = True
            else:
                table = tables.get(content.pop("table", None)) if isinstance(content.get("table"), str) else None
                if table is None:
                    raise self.refuse(f"table: names none of {', '.join(tables)}")
                if order.index(table.name) < position:
                    raise self.refuse(f"table: {table.name} stands behind {order[position]}, and belongs before it")
                position = order.index(table.name)
                row = self._row(table, content)
                name, problem = keys.problem(table, row)
                if problem:
                    raise self.refuse(f"{name}: {problem}")
                self.counts[table.name] += 1
                yield table, row, self._line
            self._digest.update(data)
        if not ended:
            raise self.refuse("the file ends here without its end line: it was cut short")

    def _row(self, table: sa.Table, content: dict[str, Any]) -> dict[str, Any]:
        """Row of a line, with every key and value checked."""
        names = [column.name for column in table.columns]
        for name in [
            *(name for name in names if name not in content),
            *(name for name in content if name not in names),
        ]:
            raise self.refuse(f"{str(name)[:40]}: {'is missing' if name in names else f'is no key of a {table.name}'}")
        for column in table.columns:
            value = content[column.name]
            if isinstance(column.type, sa.LargeBinary) and isinstance(value, str):
                try:
                    content[column.name] = base64.b64decode(value, validate=True)
                except (binascii.Error, ValueError):
                    raise self.refuse(f"{column.name}: is no base64") from None
            elif isinstance(column.type, sa.Double) and isinstance(value, int) and not isinstance(value, bool):
                if abs(value) > 2**53:
                    raise self.refuse(f"{column.name}: is out of range")
                content[column.name] = float(value)
        name, problem = row_problem(table, content)
        if problem:
            raise self.refuse(f"{name}: {problem}")
        return content

    def _check_header(self, content: dict[str, Any]) -> None:
        """Refuse another kind of file, and one of other tables."""
        newest, known = revisions()
        if content.get("format") != FORMAT or set(content) != {"format", "version", "revision"}:
            raise self.refuse(f'format: is not "{FORMAT}": this is no exported history')
        if content["version"] != FORMAT_VERSION or content["revision"] not in known:
            raise self.refuse("version: was written by a newer deskhand: use that one")
        if content["revision"] != newest:
            raise self.refuse(
                "revision: was exported by an earlier deskhand: import it with that one, then open it here"
            )

    def _check_end(self, content: dict[str, Any]) -> None:
        """Refuse a file of which lines were lost or changed."""
        if content.get("end") != self.counts:
            raise self.refuse("end: counts other rows than the file holds: lines were lost or added")
        if content.get("sha256") != self._digest.hexdigest():
            raise self.refuse("sha256: is not that of the lines before: the file was changed")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Object of its pairs; ValueError where a key is there twice."""
    content = dict(pairs)
    if len(content) != len(pairs):
        raise ValueError("a key is there twice")
    return content


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def import_history(history: History, path: Path) -> dict[str, int]:
    """Read an exported file into an empty history, all or nothing; the number of rows of each table.

    Parameters
    ----------
    history : History
    path : Path

    Raises
    ------
    UsageError
        The history holds something, or a line of the file breaks a rule.
    """
    from deskhand.store.months import rebuild_months

    reader = _ExportReader(path)
    with history.transaction(writes=True) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("LOCK TABLE take IN EXCLUSIVE MODE"))
        for table in exported_tables():
            if connection.execute(sa.select(*table.primary_key).limit(1)).first() is not None:
                raise UsageError(
                    history.where, "holds a history already", "import into a new one: name its file with --history"
                )
        batch: list[dict[str, Any]] = []
        batch_lines: list[int] = []
        current: sa.Table | None = None
        for table, row, line in reader.rows():
            if current is not None and (table is not current or len(batch) >= _ROWS_AT_ONCE):
                _insert(connection, current, batch, batch_lines, reader)
                batch, batch_lines = [], []
            if stand_ins_of(connection.dialect) is not None:
                _refuse_people(table, row, reader)
            current = table
            batch.append(row)
            batch_lines.append(line)
        if current is not None:
            _insert(connection, current, batch, batch_lines, reader)
        go_on_counting(connection)
        rebuild_months(connection)
    return reader.counts


def _refuse_people(table: sa.Table, row: dict[str, Any], reader: _ExportReader) -> None:
    """Refuse a row that names somebody: a text may do so too, and nobody knows them all before the end."""
    for column in table.columns:
        if isinstance(column.type, PersonName) and not names_nobody(row[column.name] or ""):
            raise reader.refuse(
                f"{column.name}: names a person, and the house file says names = false; export it with that house file"
            )


def _insert(
    connection: sa.Connection, table: sa.Table, batch: list[dict[str, Any]], lines: list[int], reader: _ExportReader
) -> None:
    """Write rows at once; the line of one that a rule of the database refuses is looked for one by one."""
    try:
        with connection.begin_nested():
            connection.execute(sa.insert(table), batch)
    except sa.exc.IntegrityError:
        for row, line in zip(batch, lines, strict=True):
            try:
                with connection.begin_nested():
                    connection.execute(sa.insert(table), [row])
            except sa.exc.IntegrityError:
                names = [constraint for constraint in table.constraints if isinstance(constraint, sa.UniqueConstraint)]
                key = ", ".join(column.name for constraint in names for column in constraint.columns) or "id"
                raise reader.refuse(f"{key}: are those of an earlier line", line=line) from None
        raise


def go_on_counting(connection: sa.Connection) -> None:
    """Let a server's counters of numbers go on behind the newest row; SQLite does so by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table in exported_tables():
        if list(table.primary_key.columns.keys()) == ["id"]:
            connection.execute(
                sa.text(
                    f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), (SELECT max(id) FROM {table.name})) "  # noqa: S608 - names of our own tables
                    f"WHERE EXISTS (SELECT 1 FROM {table.name})"
                )
            )
