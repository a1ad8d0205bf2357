"""A process that keeps takes, killed at a chosen moment, and what it left."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.store import DEFAULT_NAME, KeptPart, KeptTake
from deskhand.store.history import open_history

if TYPE_CHECKING:
    from tests.support.postgres import Server

ROOT: Final = Path(__file__).parents[2]

HOUSE: Final = "Tern Street Hall"

PARTS: Final = {"one": 40, "new": 4, "server": 40}

"""Of a take, 50 values each: about what a desk of 40 inputs keeps; fewer where making the tables is to take most of the time."""

VALUES: Final = 50

LATEST_S: Final = {"one": 0.8, "new": 1.2, "server": 0.8}

"""The kill falls within this long from the first take or history on. Nothing is asserted of time: a slower computer is killed
earlier in its work, no more."""

Variant = Literal["one", "new", "server"]

URL_FILE: Final = "server-url.txt"

"""In the folder of a child that keeps on a PostgreSQL server: the address of its history."""


def made_take(variant: Variant, seed: int, at: int) -> KeptTake:
    """Take number `at` of a child; its numbers are drawn, so that no other could be taken for it."""
    numbers = np.random.default_rng((seed, at)).normal(-20.0, 6.0, (PARTS[variant], VALUES, 2))
    return KeptTake(
        house=HOUSE,
        show=f"show {at}",
        date=None,
        phase="rehearsal",
        duration_s=60.0,
        sample_rate_hz=48000,
        recording="/card/show",
        house_hash="0" * 64,
        deskhand="0",
        kept_by="child",
        parts=[
            KeptPart(
                source=f"source {row}",
                stage="tap",
                role="keys",
                tap="preamp",
                playing_s=30.0,
                values={f"tone_db.{place}": (float(value), float(pm)) for place, (value, pm) in enumerate(line)},
            )
            for row, line in enumerate(numbers)
        ],
    )


def child(variant: Variant, folder: str, seed: int) -> None:
    """What is killed: keeps takes until then, and says so of each once it is kept."""
    for at in range(100_000):
        history = open_history(url_of(variant, Path(folder), at), create=True)
        assert history is not None
        if at == 0:
            # libraries are loaded now, and where there is but one history it has its tables
            print("ready", flush=True)
        history.keep(made_take(variant, seed, at))
        print(f"kept {at}", flush=True)


def url_of(variant: Variant, folder: Path, at: int) -> str:
    if variant == "server":
        return (folder / URL_FILE).read_text("utf-8")
    name = DEFAULT_NAME if variant == "one" else f"{at}.sqlite"
    return f"sqlite:///{folder / name}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Struck:
    """What was found after a kill. That it can be made at all is the test: whatever is wrong raises AssertionError."""

    told: int
    """Takes that the child said were kept: all of them are there."""
    untold: int
    """Takes that are there and whole, and of which the child could not say so any more: none or one."""
    amid: bool
    """Whether the kill fell into a transaction: its journal was still there."""
    making: bool
    """Whether it fell while the tables of a history were being made."""


def strike(variant: Variant, folder: Path, seed: int) -> Struck:
    """Let a child keep takes in an empty folder, kill it at the moment that belongs to the seed, and look at what it left."""
    wait_s = float(np.random.default_rng(seed).uniform(0.0, LATEST_S[variant]))
    code = f"from tests.support.kills import child; child({variant!r}, {str(folder)!r}, {seed})"
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert process.stdout is not None
    try:
        first = process.stdout.readline()
        time.sleep(wait_s)
    finally:
        process.kill()
    said, wrong = process.communicate()
    assert (first, wrong, process.returncode) == ("ready\n", "", -signal.SIGKILL), (first, wrong, process.returncode)
    # a line without its end is none
    told = [int(line.split()[1]) for line in said.splitlines(keepends=True) if line.endswith("\n")]
    assert told == list(range(len(told)))
    return looked_at(variant, folder, seed, told)


def strike_on_server(server: Server, folder: Path, seed: int) -> Struck:
    """Let a child keep takes in an empty history of a PostgreSQL server, kill it as `strike` does, and look at what it left."""
    (folder / URL_FILE).write_text(server.empty_history(), "utf-8")
    log = server.folder / "server.log"
    before = log.stat().st_size
    struck = strike("server", folder, seed)
    # the server's own word for a program that vanished in the middle of its work
    amid = b"with an open transaction" in log.read_bytes()[before:]
    return replace(struck, amid=amid)


def _looked_at_server(folder: Path, seed: int, told: list[int]) -> Struck:
    """What stands on a server after a kill: every number of every take is compared."""
    url = url_of("server", folder, 0)
    found = whole_takes("server", url, seed)
    assert set(told) <= found, f"told and gone: {set(told) - found}"
    untold = found - set(told)
    assert untold <= {len(told)}, f"never kept and there: {untold}"
    history = open_history(url, create=True)
    assert history is not None
    history.keep(made_take("server", seed, len(told) + 1))
    assert len(whole_takes("server", url, seed)) == len(history.takes())
    return Struck(told=len(told), untold=len(untold), amid=False, making=False)


def looked_at(variant: Variant, folder: Path, seed: int, told: list[int]) -> Struck:
    """Open what a killed child left, and compare every number of every take."""
    if variant == "server":
        return _looked_at_server(folder, seed, told)
    journals = [path for path in folder.iterdir() if path.name.endswith("-journal") and path.stat().st_size]
    files = sorted(path for path in folder.iterdir() if path.suffix == ".sqlite")
    places = {url_of(variant, folder, at) for at in told}
    assert {url.removeprefix("sqlite:///") for url in places} <= {str(path) for path in files}
    newest = url_of(variant, folder, len(told))
    making = in_the_making(Path(newest.removeprefix("sqlite:///")))
    found: set[int] = set()
    for file in files:
        found |= whole_takes(variant, f"sqlite:///{file}", seed)
    assert set(told) <= found, f"told and gone: {set(told) - found}"
    untold = found - set(told)
    # the next one may have been kept a moment before it could be said
    assert untold <= {len(told)}, f"never kept and there: {untold}"
    # and it goes on from there
    history = open_history(newest, create=True)
    assert history is not None
    history.keep(made_take(variant, seed, len(told) + 1))
    assert len(whole_takes(variant, newest, seed)) == len(history.takes())
    return Struck(told=len(told), untold=len(untold), amid=bool(journals), making=making)


def in_the_making(file: Path) -> bool:
    """Whether a history is there and has no tables yet; read from a copy, so that its journal stays as it is."""
    if not file.exists():
        return False
    copy, journal = file.with_name("copy"), file.with_name(f"{file.name}-journal")
    copy.write_bytes(file.read_bytes())
    if journal.exists():
        file.with_name("copy-journal").write_bytes(journal.read_bytes())
    connection = sqlite3.connect(copy)
    try:
        return connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'take'").fetchone() == (0,)
    finally:
        connection.close()
        copy.unlink()
        file.with_name("copy-journal").unlink(missing_ok=True)


def whole_takes(variant: Variant, url: str, seed: int) -> set[int]:
    """The takes in a history, each of which must hold exactly what was kept."""
    history = open_history(url)
    assert history is not None
    rows = history.takes(forgotten=True)
    found: dict[str, dict[str, dict[str, tuple[float, float | None]]]] = {row.show: {} for row in rows}
    for row, part in history.parts(house=HOUSE, phase="rehearsal", metrics=("tone_db.",), most=10**6, stages=("tap",)):
        found[row.show][part.source] = dict(part.values)
    assert len(found) == len(rows)
    for show, parts in found.items():
        made = made_take(variant, seed, int(show.split()[1]))
        assert parts == {part.source: dict(part.values) for part in made.parts}, f"{url}, {show}: not as it was kept"
    if variant == "server":
        assert_sound_on_server(url, parts=len(rows) * PARTS[variant])
    else:
        assert_sound(Path(url.removeprefix("sqlite:///")), parts=len(rows) * PARTS[variant])
    return {int(show.split()[1]) for show in found}


def assert_sound(file: Path, *, parts: int | None = None) -> None:
    """SQLite's own examination, and no row that belongs to nothing."""
    connection = sqlite3.connect(file)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("0012",)]
        if parts is not None:
            assert connection.execute("SELECT count(*) FROM part").fetchone() == (parts,)
            assert connection.execute("SELECT count(*) FROM value").fetchone() == (parts * VALUES,)
    finally:
        connection.close()


def assert_sound_on_server(url: str, *, parts: int) -> None:
    """As many rows as the takes have; that none belongs to nothing the server itself holds."""
    import psycopg

    with psycopg.connect(url) as connection:
        for table, rows in (("part", parts), ("value", parts * VALUES)):
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (rows,)
