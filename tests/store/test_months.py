"""Months of the history: equal to what the kept values say after every change, and questions answered by indexes.

In order: months after each kind of change; the planted dull side; plans of both databases; a user who may only read.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from click.testing import CliRunner

from benchmarks.store import make_takes, plan, questions
from deskhand.baseline.houses import input_drifts
from deskhand.cli import main
from deskhand.errors import HistoryError
from deskhand.store.across import course, fault_totals
from deskhand.store.history import History
from deskhand.store.kept_takes import replace_take, restore_take
from deskhand.store.tables import MONTH_FAULT, MONTH_READING, PART, TAKE, VALUE
from tests.support.folders import HOUSE, opened
from tests.support.folders import PART as KEPT_PART
from tests.support.folders import TAKE as KEPT_TAKE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.postgres import Server


@pytest.fixture(params=["sqlite", "postgresql"])
def history(request: Any, tmp_path: Path) -> Iterator[History]:
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    if request.param == "postgresql":
        url = request.getfixturevalue("server").empty_history()
    opened_history = opened(url)
    yield opened_history
    opened_history.close()


def assert_months_are_right(history: History) -> None:
    """Counted here from the plain rows, in Python."""
    with history.transaction() as connection:
        joined = TAKE.join(PART, PART.c.take_id == TAKE.c.id).join(VALUE, VALUE.c.part_id == PART.c.id)
        values = connection.execute(
            sa.select(TAKE, PART.c.source, VALUE.c.metric, VALUE.c.value).select_from(joined)
        ).all()
        takes = connection.execute(sa.select(TAKE)).all()
        held = {
            (row.house, row.room, row.source, row.metric, row.month): (row.takes, row.mean)
            for row in connection.execute(sa.select(MONTH_READING))
        }
        faults = {(row.house, row.month, row.kind): row.takes for row in connection.execute(sa.select(MONTH_FAULT))}
    cells = defaultdict(list)
    for row in values:
        if row.date and row.forgotten_at is None:
            cells[row.house, row.room, row.source, row.metric, row.date[:7]].append(row.value)
    assert held == {
        key: (len(cell), pytest.approx(math.fsum(cell) / len(cell), abs=1e-12)) for key, cell in cells.items()
    }
    kept: Counter[tuple[str, str, str]] = Counter()
    for row in takes:
        if row.date and row.forgotten_at is None:
            kept[row.house, row.date[:7], ""] += 1
            kept.update((row.house, row.date[:7], kind) for kind in ("hum", "level-low") if f"/{kind}" in row.faults)
    assert faults == dict(kept)


def take(day: str | None, level_dbfs: float, **changes: Any) -> Any:
    parts = (replace(KEPT_PART, values={"level_dbfs": (level_dbfs, None)}),)
    return replace(KEPT_TAKE, show=f"show {day}", date=day, parts=parts, **changes)


def test_months_follow_every_change(history: History) -> None:
    first = history.keep(take("2026-03-01", -18.0, faults=("piano/hum", "piano/hum-2", "bass/level-low")))
    history.keep(take("2026-03-31", -17.1))
    history.keep(take("2026-04-01", -10.0, house="The Old Granary", room="loft"))
    history.keep(take(None, -3.0))
    assert_months_are_right(history)
    history.forget(str(first), house=HOUSE, by="Bo")
    assert_months_are_right(history)
    restore_take(history, str(first), house=HOUSE, by="Bo")
    assert_months_are_right(history)
    (row,) = [row for row in history.takes() if row.id == first]
    replace_take(history, row, take("2026-03-01", -22.5), by="Bo")
    assert_months_are_right(history)
    assert {fault.kind: (fault.takes, fault.of_takes) for fault in fault_totals(history, phase="rehearsal")} == {}


def test_the_planted_dull_side_is_told_by_the_indexes(history: History) -> None:
    """Four houses of 120 takes, and one source of them whose right side loses 4 dB after two thirds of the years."""
    with history.transaction(writes=True) as connection:
        make_takes(connection, 480, a_house=120)
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("ANALYZE")
            # in a table of a few pages reading all of it is quicker: what is asked here is whether the indexes serve
            for name in ("seqscan", "hashjoin", "mergejoin", "bitmapscan"):
                connection.exec_driver_sql(f"SET LOCAL enable_{name} = off")
        plans = {words: "\n".join(plan(connection, query)) for words, query in questions().items()}
    dull = plans["when did the left side get dull?"]
    # a server takes the index of houses and days once there are many houses: with four it begins at the values
    assert "ix_take_house_date" in dull or "pk_value" in dull
    assert "value USING PRIMARY KEY" in dull or "pk_value" in dull
    assert "SCAN" not in dull
    assert "Seq Scan" not in dull
    for words in ("which inputs drift where?", "level by room over the years"):
        assert "PRIMARY KEY (metric=? AND phase=?)" in plans[words] or "pk_month_reading" in plans[words]
    values = course(history, house="house 0", source="source 3", metric="side_tone_db.4000", phase="rehearsal")
    assert len(values) == 120
    before, after = [value for _, value in values[:70]], [value for _, value in values[90:]]
    assert sum(before) / 70 - sum(after) / 30 == pytest.approx(4.0, abs=0.5)
    assert [day for day, _ in values] == sorted(day for day, _ in values)


def test_a_step_is_found_in_its_month(history: History) -> None:
    for index in range(24):
        day = f"{2024 + index // 12}-{index % 12 + 1:02}-05"
        side_db = 0.1 * (index % 3) - (4.0 if index >= 15 else 0.0)
        values = {"side_tone_db.4000": (side_db, None), "level_dbfs": (-18.0 + 0.1 * (index % 2), None)}
        part = replace(KEPT_PART, values=values)
        history.keep(replace(KEPT_TAKE, show=f"show {index}", date=day, room="loft", parts=(part,)))
    (drifted,) = input_drifts(history, phase="rehearsal")
    assert (drifted.house, drifted.room, drifted.source, drifted.since) == (HOUSE, "loft", "piano", "2025-03")
    assert drifted.change_db == pytest.approx(-4.0, abs=0.2)


def test_the_command_and_its_page(tmp_path: Path) -> None:
    file, page = tmp_path / "history.sqlite", tmp_path / "houses.html"
    history = opened(f"sqlite:///{file}")
    history.keep(take("2026-03-01", -18.0, faults=("piano/hum",), room="loft & <b>"))
    history.close()
    outcome = CliRunner().invoke(main, ["houses", "--history", str(file), "--page", str(page)])
    assert outcome.exit_code == 0, outcome.output
    assert "hum: 1 of 1 kept takes" in outcome.stdout
    assert "loft &amp; &lt;b&gt;" in page.read_text("utf-8")


def test_a_user_of_a_server_who_may_only_read(server: Server) -> None:
    """By the SQL of docs/store-file.md."""
    url = server.empty_history()
    opened(url).keep(KEPT_TAKE)
    server.execute(
        "DROP ROLE IF EXISTS reader; CREATE ROLE reader LOGIN; GRANT USAGE ON SCHEMA public TO reader;"
        "GRANT SELECT ON ALL TABLES IN SCHEMA public TO reader",
        server.name_in(url),
    )
    readers = url.replace("postgres@", "reader@")
    assert len(opened(readers).takes()) == 1
    for arguments in (["houses"], ["store", "check"]):
        assert CliRunner().invoke(main, [*arguments, "--history", readers]).exit_code == 0
    with pytest.raises(HistoryError, match="lets this user only read; "):
        opened(readers).keep(replace(KEPT_TAKE, date="2026-03-08"))
    with pytest.raises(HistoryError, match="lets this user only read; "):
        opened(readers).forget("1", house=HOUSE, by="Bo")
    server.execute("DROP OWNED BY reader; DROP ROLE reader", server.name_in(url))
