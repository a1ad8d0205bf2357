"""What programs that are killed while they write to the history leave behind: 300 kills at moments drawn from seeds.

A child keeps takes as fast as it can and says of each that it is kept; SIGKILL ends it. Then everything is compared, number by
number, with what it kept. `make test` does the same ten times (tests/store/test_killed.py), and kills the command itself.
"""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.support.kills import LATEST_S, PARTS, VALUES, strike, strike_on_server
from tests.support.postgres import running
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.support.kills import Struck, Variant
    from tests.support.postgres import Server

KILLS: Final = 100
"""Of each variant."""
FIRST_SEED: Final[dict[Variant, int]] = {"one": 1001, "new": 2001, "server": 3001}
NAMES: Final[dict[Variant, str]] = {
    "one": "takes in one history",
    "new": "a new history for each take",
    "server": "takes in one history, PostgreSQL",
}
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-killed.md"


def kills(variant: Variant, server: Server) -> tuple[list[Struck], list[str]]:
    """What was found after each kill, and what was wrong with the others."""
    found: list[Struck] = []
    wrong: list[str] = []
    for seed in range(FIRST_SEED[variant], FIRST_SEED[variant] + KILLS):
        with tempfile.TemporaryDirectory() as name:
            try:
                folder = Path(name)
                found.append(
                    strike_on_server(server, folder, seed) if variant == "server" else strike(variant, folder, seed)
                )
            except Exception as error:  # noqa: BLE001 - whatever is wrong is counted, and the others are done
                wrong.append(
                    f"{NAMES[variant]}, seed {seed}: {type(error).__name__}: {' '.join(str(error).split())[:200]}"
                )
        print(f"{variant} {seed}: {wrong[-1] if wrong and f'seed {seed}:' in wrong[-1] else found[-1]}", flush=True)
    return found, wrong


def row(name: str, found: Sequence[Struck], wrong: Sequence[str]) -> str:
    """One line of the table."""
    cells = (
        len(found) + len(wrong),
        sum(one.amid for one in found),
        sum(one.making for one in found),
        sum(one.told for one in found),
        sum(one.untold for one in found),
        f"{len(wrong)}",
    )
    return f"| {name} | {' | '.join(map(str, cells))} |"


def main() -> None:
    """Kill, and write the table."""
    rows, failures = [], []
    with running() as server:
        for variant in NAMES:
            found, wrong = kills(variant, server)
            rows.append(row(NAMES[variant], found, wrong))
            failures += wrong
        version = server.version()
    seeds = ", ".join(f"{first} to {first + KILLS - 1} ({NAMES[one]})" for one, first in FIRST_SEED.items())
    text = f"""\
# Validation: killed while writing

Made by `python -m validations.killed`, with SQLite {sqlite3.sqlite_version} and PostgreSQL {version}. A child process keeps takes in a loop and
prints the number of each once it is kept. It is ended with SIGKILL, which no program can catch, at a moment drawn evenly
from the first {LATEST_S["one"]} s ({LATEST_S["new"]} s where each take has a history of its own). A take has {PARTS["one"]} parts of
{VALUES} values with their uncertainty; where the tables are made anew for each, {PARTS["new"]} parts.
Seeds: {seeds}.

After every kill: the history opens, SQLite's `integrity_check` and `foreign_key_check` find nothing, every take that was told
as kept is there with every number as it was, to the last bit; no other is there but, at most, the one that was kept a moment
before it could be told, whole; and the next take is kept in it. Failed: any of this was not so.

| what the child writes | kills | amid a transaction (by SQLite's journal, by the server's log) | while tables were made | takes told as kept, all there | kept whole, not told | failed |
|---|---|---|---|---|---|---|
{chr(10).join(rows)}

{chr(10).join(f"- {one}" for one in failures) or "Nothing was lost, and nothing was half there."}

This is about programs that end, as when a person or the system ends them. What a loss of power does depends on the disk:
SQLite waits for it at every take (`synchronous = FULL`), which a disk that lies about it makes worthless.
"""
    write_page(TARGET, text, __file__)
    print(TARGET.read_text("utf-8"))


if __name__ == "__main__":
    main()
