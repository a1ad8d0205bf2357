"""Questions over many houses, timed on a made-up history of so many takes of sixteen sources, with the plans of the database.

python -m benchmarks.store TAKES [postgresql://...]     # SQLite in a temporary folder unless a server is named

Only the readings that the questions need are made, two an input; sizes are of those.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from deskhand.store.across import course_query, farthest_query, fault_query, level_query
from deskhand.store.history import History, open_history
from deskhand.store.months import rebuild_months
from deskhand.store.tables import MONTH_READING, PART, TAKE, VALUE

if TYPE_CHECKING:
    from collections.abc import Callable

SOURCES: Final = 16
TAKES_A_HOUSE: Final = 5_000
"""Ten years of a house with six rooms, nearly two takes a week in each."""
METRICS: Final = ("level_dbfs", "side_tone_db.4000")
ROOM_NEEDED_BYTES_A_TAKE: Final = 12_000
"""Room on the disk that is asked for beforehand: some four times what a take took at 2,000."""


def make_takes(connection: sa.Connection, takes: int, *, a_house: int = TAKES_A_HOUSE) -> None:
    """Made-up takes, by the database itself: the sides of source 3 of house 0 part by 4 dB after two thirds of the years."""
    series = (
        f"SELECT generate_series(1, {takes}) AS n"
        if connection.dialect.name == "postgresql"
        else f"WITH RECURSIVE s(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM s WHERE n < {takes}) SELECT n FROM s"
    )
    statements = (
        "CREATE TEMPORARY TABLE number AS " + series,
        f"""INSERT INTO take (id, house, show, date, phase, duration_s, sample_rate_hz, recording, house_hash, deskhand, note,
            kept_by, kept_at, left_out, faults, room, desk)
            SELECT n, 'house ' || ((n - 1) / {a_house}), 'show ' || n,
            CAST(2016 + ((n - 1) % {a_house}) * 10 / {a_house} AS TEXT) || '-' || substr(CAST(101 + (((n - 1) % {a_house}) * 120 / {a_house}) % 12 AS TEXT), 2)
            || '-' || substr(CAST(101 + n % 28 AS TEXT), 2),
            'rehearsal', 600, 48000, 'card', 'x', '0', '', 'made', '2026-01-01T00:00:00+00:00', '[]',
            CASE WHEN n % 9 = 0 THEN '["source 1/hum"]' ELSE '[]' END, 'room ' || (n % 6), 'desk' FROM number""",
        f"""INSERT INTO part (id, take_id, source, stage, sound, role, tap, playing_s)
            SELECT (t.n - 1) * {SOURCES} + s.n, t.n, 'source ' || s.n, 'tap', 0, 'keys', 'preamp', 300
            FROM number AS t CROSS JOIN number AS s WHERE s.n <= {SOURCES}""",
        *(
            f"""INSERT INTO value (part_id, metric, value, version)
            SELECT part.id, '{metric}', (part.id * 7919 % 1000) / 500.0 - {18 if metric == "level_dbfs" else 1}
            - CASE WHEN '{metric}' <> 'level_dbfs' AND part.take_id BETWEEN {2 * a_house // 3} AND {a_house} AND source = 'source 3'
              THEN 4 ELSE 0 END, 1 FROM part"""
            for metric in METRICS
        ),
    )  # fmt: skip
    for statement in statements:
        connection.exec_driver_sql(
            statement.replace("%", "%%") if connection.dialect.name == "postgresql" else statement
        )
    rebuild_months(connection)


def questions() -> dict[str, sa.Select[Any]]:
    """Questions by their words."""
    return {
        "when did the left side get dull?": course_query(
            house="house 0", source="source 3", metric=METRICS[1], phase="rehearsal"
        ),
        "which inputs drift where?": farthest_query(metric=METRICS[1], phase="rehearsal", most=20),
        "level by room over the years": level_query(phase="rehearsal"),
        "how often which fault?": fault_query(phase="rehearsal"),
    }


def plan(connection: sa.Connection, query: sa.Select[Any]) -> list[str]:
    """Lines in which the database says how it will answer."""
    dialect = postgresql.dialect() if connection.dialect.name == "postgresql" else sqlite.dialect()
    text = str(query.compile(dialect=dialect, compile_kwargs={"literal_binds": True}))
    explain = "EXPLAIN " if connection.dialect.name == "postgresql" else "EXPLAIN QUERY PLAN "
    return [str(row[-1]) for row in connection.exec_driver_sql(explain + text)]


def _timed(run: Callable[[], object]) -> float:
    begin = time.perf_counter()
    run()
    return time.perf_counter() - begin


def main() -> None:
    """Make it and time it."""
    takes = int(sys.argv[1])
    folder = Path(tempfile.mkdtemp())
    try:
        if shutil.disk_usage(folder).free < takes * ROOM_NEEDED_BYTES_A_TAKE:
            print(f"{takes} takes need about {takes * ROOM_NEEDED_BYTES_A_TAKE / 1e9:.1f} GB on the disk")
            return
        file = folder / "history.sqlite"
        url = sys.argv[2] if len(sys.argv) > 2 else f"sqlite:///{file}"
        history = open_history(url, create=True)
        assert history is not None
        with history.transaction(writes=True) as connection:
            making_s = _timed(lambda: make_takes(connection, takes))
        print(f"{takes} takes of {SOURCES} sources, {len(METRICS)} readings each, made in {making_s:.0f} s", flush=True)
        report(history, takes)
        if file.exists():
            print(f"file: {file.stat().st_size / 1e6:.1f} MB, {file.stat().st_size / takes:.0f} bytes a take")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def report(history: History, takes: int) -> None:
    """Print rows, seconds and plans of the questions, and the size on a server."""
    with history.transaction() as connection:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("ANALYZE")
        for table in (TAKE, PART, VALUE, MONTH_READING):
            print(f"{table.name}: {connection.scalar(sa.select(sa.func.count()).select_from(table))} rows")
        for words, query in questions().items():
            seconds = min(_timed(lambda query=query: connection.execute(query).all()) for _ in range(3))  # type: ignore[misc]
            print(f"{words}: {len(connection.execute(query).all())} rows, {seconds:.4f} s", flush=True)
            for line in plan(connection, query):
                print(f"    {line}")
        if connection.dialect.name == "postgresql":
            size = connection.exec_driver_sql("SELECT pg_database_size(current_database())").scalar_one()
            print(f"database: {size / 1e6:.1f} MB, {size / takes:.0f} bytes a take")


if __name__ == "__main__":
    main()
