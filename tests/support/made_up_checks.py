"""A check that measures nothing and only writes readings, for what an archive's machinery does by itself."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Final

from deskhand.archive.order import ShowOrder, ShowOutcome

SOURCES: Final = 16
"""Inputs of a made-up show: a small band's."""
SLOW_S: Final = 0.05
READINGS: Final = Path("readings.sqlite")


def prepare(folder: Path) -> None:
    """Make the table of readings."""
    connection = sqlite3.connect(folder / READINGS)
    connection.executescript(
        "PRAGMA journal_mode = WAL; CREATE TABLE reading (show TEXT, source INTEGER, level_dbfs REAL, PRIMARY KEY (show, source))"
    )
    connection.close()


def made_up_check(order: ShowOrder) -> ShowOutcome:
    """Outcome of a show of which a reading a source is written, whoever wrote it before."""
    connection = sqlite3.connect(Path(order.path).parent / READINGS, timeout=60.0)
    connection.execute("PRAGMA synchronous = OFF")
    rows = [(order.name, source, -18.0 - source) for source in range(SOURCES)]
    with connection:
        connection.executemany("INSERT OR REPLACE INTO reading VALUES (?, ?, ?)", rows)
    connection.close()
    return ShowOutcome(path=order.path, progress="checked")


def slow_made_up_check(order: ShowOrder) -> ShowOutcome:
    """Outcome of a made-up show that takes a while, so that its worker can be killed in it."""
    time.sleep(SLOW_S)
    return made_up_check(order)
