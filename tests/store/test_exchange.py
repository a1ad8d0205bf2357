"""One open file of a history, and the examination and repair of a damaged one.

In order: there and back between databases; what an import refuses, by line and key; what a check names; what a repair keeps.
"""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.errors import HistoryError, UsageError
from deskhand.store import BlindTest
from deskhand.store.examine import examine
from deskhand.store.exchange import exported_tables, import_history
from deskhand.store.history import History
from deskhand.store.seats import SeatRecord, add_seat_record
from deskhand.store.tables import METADATA
from tests.support.folders import opened
from tests.support.histories import HOUSE, kept_take, whole_history

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.support.postgres import Server


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history with a row in nearly every table, and one take forgotten."""
    path = whole_history(tmp_path_factory.mktemp("history") / "history.sqlite")
    history = opened(f"sqlite:///{path}")
    history.keep(
        replace(kept_take(9), fingerprint=bytes(range(256)), songs=(('Slow "train" ü🎤', 1 / 3),), faults=("piano/hum",), room="chapel")
    )  # fmt: skip
    history.add_blind_test(
        BlindTest(source="bass", show="x\ny", date=None, compared="a", trials=16, right=12, p_value=0.1), house=HOUSE
    )
    add_seat_record(history, SeatRecord(seat="row 5", microphone="m", kind="level", measured_at="2026-03-01", content={"a": 1}, take=1), house=HOUSE)  # fmt: skip
    history.forget("2", house=HOUSE, by="Bo")
    history.close()
    return path


@pytest.fixture(scope="module")
def exported(original: Path) -> Path:
    file = original.with_name("history.jsonl")
    assert run("export", file, original).exit_code == 0
    return file


def run(command: str, *arguments: Any) -> Any:
    *rest, history = map(str, arguments)
    return CliRunner().invoke(main, ["store", command, *rest, "--history", history])


def rows(history: History) -> dict[str, list[tuple[Any, ...]]]:
    with history.transaction() as connection:
        return {
            name: [tuple(row) for row in connection.execute(sa.select(table).order_by(*table.primary_key))]
            for name, table in METADATA.tables.items()
        }


def test_there_and_back_between_databases(original: Path, exported: Path, tmp_path: Path, server: Server) -> None:
    expected = rows(opened(f"sqlite:///{original}"))
    assert all(expected[name] for name in ("take", "part", "value", "fingerprint", "blind_test", "month_fault"))
    url = server.empty_history()
    assert run("import", exported, url).exit_code == 0
    on_server = opened(url)
    assert rows(on_server) == expected
    # its numbers go on behind the newest
    assert on_server.keep(kept_take(11)) == max(row[0] for row in expected["take"]) + 1
    on_server.forget("8", house=HOUSE, by="Bo")
    back = tmp_path / "back.jsonl"
    assert run("export", back, url).exit_code == 0
    assert run("import", back, tmp_path / "new.sqlite").exit_code == 0
    assert rows(opened(f"sqlite:///{tmp_path / 'new.sqlite'}")) == rows(on_server)
    on_server.close()


def test_same_history_same_bytes(exported: Path, tmp_path: Path) -> None:
    assert run("import", exported, tmp_path / "new.sqlite").exit_code == 0
    assert run("export", tmp_path / "again.jsonl", tmp_path / "new.sqlite").exit_code == 0
    assert (tmp_path / "again.jsonl").read_bytes() == exported.read_bytes()


def edited(table: str, /, **changes: Any) -> Callable[[list[str]], int]:
    """Change of the first line of a table: values put in, or taken out where they are `...`; the line's number."""

    def edit(lines: list[str]) -> int:
        index = next(index for index, line in enumerate(lines) if f'"table":"{table}"' in line)
        row = json.loads(lines[index]) | changes
        lines[index] = json.dumps({name: value for name, value in row.items() if value is not ...})
        return index + 1

    return edit


def swapped(lines: list[str]) -> int:
    first = next(index for index, line in enumerate(lines) if '"table":"take"' in line)
    lines[first], lines[first + 1] = lines[first + 1], lines[first]
    return first + 2


def shortened(lines: list[str]) -> int:
    del lines[-1]
    return len(lines)


def left_out(lines: list[str]) -> int:
    del lines[-2]
    return len(lines)


def twice(lines: list[str]) -> int:
    lines[1] = lines[1].replace('"id":1,', '"id":1,"id":1,')
    return 2


@pytest.mark.parametrize(
    ("edit", "key"),
    [
        pytest.param(edited("take", house=...), "house: is missing", id="missing key"),
        pytest.param(edited("take", colour="red"), "colour: is no key", id="unknown key"),
        pytest.param(edited("take", duration_s="long"), "duration_s: holds 'long'", id="text for a number"),
        pytest.param(edited("take", duration_s=-1.0), "duration_s: holds -1.0", id="negative"),
        pytest.param(edited("take", duration_s=float("nan")), "no line of JSON .NaN", id="NaN"),
        pytest.param(edited("take", sample_rate_hz=2**40), "sample_rate_hz: holds 1099511627776", id="too large"),
        pytest.param(edited("take", sample_rate_hz=True), "sample_rate_hz: holds True", id="truth for a number"),
        pytest.param(edited("take", date="2026-02-31"), "date: holds '2026-02-31'", id="no day"),
        pytest.param(edited("take", phase="party"), "phase: holds 'party'; allowed: line-check", id="unknown phase"),
        pytest.param(edited("take", house=None), "house: is empty", id="empty"),
        pytest.param(edited("take", note="x" * 1_000_001), "note: has 1000001 letters", id="too long"),
        pytest.param(edited("take", note="a\x00"), "note: holds letters", id="nul"),
        pytest.param(edited("take", faults="[1]"), "faults: holds", id="JSON of another shape"),
        pytest.param(edited("part", take_id=77), "take_id: refers to take 77", id="no such take"),
        pytest.param(edited("value", part_id=7777), "part_id: refers to part 7777", id="no such part"),
        pytest.param(edited("fingerprint", packed="%%"), "packed: is no base64", id="no base64"),
        pytest.param(edited("part", table="wheel"), "table: names none of", id="unknown table"),
        pytest.param(swapped, "id: 1 is there twice, or not in rising order", id="order"),
        pytest.param(twice, "a key is there twice", id="key twice"),
        pytest.param(shortened, "ends here without its end line", id="cut short"),
        pytest.param(left_out, "end: counts other rows", id="a line lost"),
        pytest.param(edited("take", note="changed"), "sha256: is not that", id="changed"),
    ],
)
def test_a_broken_rule_is_named_and_nothing_is_imported(
    exported: Path, tmp_path: Path, edit: Callable[[list[str]], int], key: str
) -> None:
    lines = exported.read_text("utf-8").splitlines()
    number = edit(lines)
    if "sha256" in key:
        number = len(lines)
    broken = tmp_path / "broken.jsonl"
    broken.write_text("\n".join([*lines, ""]), "utf-8")
    outcome = run("import", broken, tmp_path / "new.sqlite")
    assert outcome.exit_code == 2
    assert outcome.stderr.count("\n") == 1
    assert f"broken.jsonl, line {number}: " in outcome.stderr
    assert re.search(key, outcome.stderr), outcome.stderr
    assert not (tmp_path / "new.sqlite").exists()


def test_a_broken_line_leaves_an_empty_history_empty(exported: Path, tmp_path: Path) -> None:
    """The last line is at fault: everything before it was written in the transaction, and is gone."""
    broken = tmp_path / "broken.jsonl"
    broken.write_bytes(exported.read_bytes()[:-20])
    history = opened(f"sqlite:///{tmp_path / 'new.sqlite'}")
    with pytest.raises(UsageError, match="it is cut short"):
        import_history(history, broken)
    assert not any(rows(history).values())


def test_a_history_that_holds_something_is_not_imported_into(exported: Path, original: Path) -> None:
    before = original.read_bytes()
    outcome = run("import", exported, original)
    assert (outcome.exit_code, "holds a history already" in outcome.stderr) == (2, True)
    assert original.read_bytes() == before


DAMAGES = [
    pytest.param("UPDATE value SET value = 'loud' WHERE part_id = 2 AND metric = 'tone_db.3'", "value 2 tone_db.3: value holds 'loud'", id="text"),
    pytest.param("UPDATE take SET date = '2026-02-31' WHERE id = 3", "take 3: date holds '2026-02-31'", id="no day"),
    pytest.param("UPDATE take SET phase = 'party' WHERE id = 3", "take 3: phase holds 'party'", id="no phase"),
    pytest.param("DELETE FROM take WHERE id = 3", "part 7: take_id refers to take 3", id="orphans"),
    pytest.param("UPDATE take SET replaced_by = 99 WHERE id = 3", "take 3: replaced_by refers to take 99", id="no replacement"),
    pytest.param("UPDATE take SET left_out = '{' WHERE id = 3", "take 3: left_out holds '{'", id="JSON"),
    pytest.param("UPDATE month_fault SET takes = 70", "month_fault: the counts", id="months"),
]  # fmt: skip


@pytest.mark.parametrize(("damage", "line"), DAMAGES)
def test_damage_is_named_and_repaired_after_a_copy(original: Path, tmp_path: Path, damage: str, line: str) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(original.read_bytes())
    assert run("check", path).exit_code == 0
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(damage)
    damaged = path.read_bytes()
    outcome = run("check", path)
    assert outcome.exit_code == 1
    assert line in outcome.stdout
    assert path.read_bytes() == damaged
    outcome = run("repair", path)
    assert outcome.exit_code == 0, outcome.stderr
    assert path.with_name("history.sqlite.before-repair-1").read_bytes() == damaged
    assert run("check", path).exit_code == 0
    # what the damage did not touch is there
    first, before = rows(opened(f"sqlite:///{path}")), rows(opened(f"sqlite:///{original}"))
    assert first["take"][0] == before["take"][0]
    assert len(first["value"]) >= len(before["value"]) - 120


def test_broken_pages_are_read_around(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    data = bytearray(original.read_bytes())
    with closing(sqlite3.connect(original)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'value'").fetchone()
        total = connection.execute("SELECT count(*) FROM value").fetchone()[0]
    # a leaf of the tree of values: the first child that its root names (SQLite's file format, 1.6: cells behind a head of 12 bytes)
    page = (root - 1) * size
    assert data[page] == 2, "an inner page of an index tree, as tables without row numbers have"
    cell = int.from_bytes(data[page + 12 : page + 14])
    leaf = int.from_bytes(data[page + cell : page + cell + 4])
    data[(leaf - 1) * size : leaf * size] = b"\xff" * size
    path.write_bytes(data)
    outcome = run("check", path)
    assert outcome.exit_code in (1, 2)
    outcome = run("repair", path)
    assert outcome.exit_code == 0, outcome.stderr
    assert "rows could be read" in outcome.stdout
    assert run("check", path).exit_code == 0
    history = opened(f"sqlite:///{path}")
    assert len(rows(history)["take"]) == 7
    assert 0.6 * total < len(rows(history)["value"]) < total


def test_a_server_is_examined_and_repaired(server: Server, exported: Path, tmp_path: Path) -> None:
    url = server.empty_history()
    assert run("import", exported, url).exit_code == 0
    server.execute(
        "UPDATE take SET date = 'yesterday' WHERE id = 3; UPDATE month_fault SET takes = 70", server.name_in(url)
    )
    outcome = run("check", url)
    assert (outcome.exit_code, "take 3: date holds 'yesterday'" in outcome.stdout) == (1, True)
    assert run("repair", url).exit_code == 2
    outcome = run("repair", "--copy", tmp_path / "before.jsonl", url)
    assert (outcome.exit_code, "Emptied: 1 take.date" in outcome.stdout) == (0, True)
    assert "yesterday" in (tmp_path / "before.jsonl").read_text("utf-8")
    assert run("check", url).exit_code == 0


def test_an_export_of_damaged_rows_is_refused(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(original.read_bytes())
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE take SET kept_at = 'yesterday' WHERE id = 3")
    outcome = run("export", tmp_path / "file.jsonl", path)
    assert (outcome.exit_code, "take 3: kept_at holds" in outcome.stderr) == (2, True)
    assert not (tmp_path / "file.jsonl").exists()


def test_every_table_is_in_the_file_or_counted_anew() -> None:
    derived = {name for name, table in METADATA.tables.items() if table.info.get("derived")}
    assert {table.name for table in exported_tables()} | derived == set(METADATA.tables)
    assert derived == {"month_reading", "month_fault"}


def test_what_cannot_be_read_at_all_is_two(tmp_path: Path) -> None:
    (tmp_path / "history.sqlite").write_bytes(b"\xff" * 8192)
    for command in ("check", "repair"):
        outcome = run(command, tmp_path / "history.sqlite")
        assert (outcome.exit_code, outcome.stderr.count("\n")) == (2, 1)
    with pytest.raises(HistoryError):
        examine(opened(f"sqlite:///{tmp_path / 'history.sqlite'}"))
