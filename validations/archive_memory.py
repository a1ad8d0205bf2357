"""Memory of a scheduler and of the command that gives it work, over 100,000 made-up shows whose check only writes readings."""

from __future__ import annotations

import json
import os
import sqlite3
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from deskhand.archive.cluster import outcomes_of_cluster
from deskhand.archive.order import ShowOrder
from tests.support.clusters import cluster, resident_mb
from tests.support.made_up_checks import READINGS, made_up_check, prepare

if TYPE_CHECKING:
    from collections.abc import Iterator

SHOWS: Final = 100_000
LOOKS: Final = 20
"""Times that the memory is looked at."""


def _orders(folder: Path, shows: int) -> Iterator[ShowOrder]:
    for number in range(shows):
        yield ShowOrder(path=str(folder / f"show-{number}"), name=f"show-{number}", by="Ana")


def memory(shows: int) -> dict[str, Any]:
    """Megabytes of both after so many shows, and how many shows the store holds at the end."""
    looks: list[tuple[int, float, float]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare(folder)
        begin_s = time.monotonic()
        with cluster(folder, workers=2) as running:
            outcomes = outcomes_of_cluster(_orders(folder, shows), scheduler=running.address, check=made_up_check)
            for done, _ in enumerate(outcomes, 1):
                if done % (shows // LOOKS) == 0:
                    assert running.scheduler is not None
                    looks.append((done, resident_mb(running.scheduler.pid), resident_mb(os.getpid())))
                    print(looks[-1], flush=True)
        taken_s = time.monotonic() - begin_s
        connection = sqlite3.connect(folder / READINGS)
        (rows,) = connection.execute("SELECT count(*) FROM reading").fetchone()
        (stored,) = connection.execute("SELECT count(DISTINCT show) FROM reading").fetchone()
        connection.close()
    return {"shows": shows, "looks": looks, "stored": stored, "rows": rows, "taken_s": taken_s}


def main() -> None:
    """Run it and print the numbers as JSON; `validations.archive` puts them on its page."""
    shows = int(sys.argv[1]) if sys.argv[1:] else SHOWS
    print(json.dumps(memory(shows)))


if __name__ == "__main__":
    main()
