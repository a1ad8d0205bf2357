"""Programs that are killed while they write to the history: what they said is kept is there whole, and nothing is in halves.

A child keeps takes one after the other and says of each that it is kept; it is killed (SIGKILL, which nothing can catch) at
a moment drawn from a seed. 10 moments here, 200 in `validations/killed.py`. What a loss of power does is another matter: that
is up to the disk, which SQLite is told to wait for (tests/store/test_history.py).
In order: one history in a loop; a new history for each take, so that the tables are being made; the command itself.
"""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import pytest

from deskhand.store import DEFAULT_NAME, KeptPart, KeptTake
from deskhand.store.history import open_history

ROOT: Final = Path(__file__).parents[2]
HOUSE: Final = "Tern Street Hall"
PARTS: Final = {"one": 40, "new": 4}
"""Of a take, 50 values each: about what a desk of 40 inputs keeps; fewer where making the tables is to take most of the time."""
VALUES: Final = 50
LATEST_S: Final = {"one": 0.8, "new": 1.2}
"""The kill falls within this long from the first take or history on. Nothing is asserted of time: a slower computer is killed
earlier in its work, no more."""

Variant = Literal["one", "new"]


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
    code = f"from tests.store.test_killed import child; child({variant!r}, {str(folder)!r}, {seed})"
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


def looked_at(variant: Variant, folder: Path, seed: int, told: list[int]) -> Struck:
    """Open what a killed child left, and compare every number of every take."""
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
    assert_sound(Path(url.removeprefix("sqlite:///")), parts=len(rows) * PARTS[variant])
    return {int(show.split()[1]) for show in found}


def assert_sound(file: Path, *, parts: int | None = None) -> None:
    """SQLite's own examination, and no row that belongs to nothing."""
    connection = sqlite3.connect(file)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("0002",)]
        if parts is not None:
            assert connection.execute("SELECT count(*) FROM part").fetchone() == (parts,)
            assert connection.execute("SELECT count(*) FROM value").fetchone() == (parts * VALUES,)
    finally:
        connection.close()


pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL is of POSIX systems")
SEEDS: Final = range(1, 6)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("variant", ["one", "new"])
def test_nothing_that_was_kept_is_lost_and_nothing_is_half_there(tmp_path: Path, variant: Variant, seed: int) -> None:
    strike(variant, tmp_path, seed)


class TestTheExamination:
    """It must be able to fail: each kind of damage, done on purpose, is seen."""

    @pytest.fixture
    def left(self, tmp_path: Path) -> Path:
        """A history as a child with seed 7 leaves it after three takes."""
        history = open_history(url_of("one", tmp_path, 0), create=True)
        assert history is not None
        for at in range(3):
            history.keep(made_take("one", 7, at))
        return tmp_path

    def test_it_passes_what_is_whole(self, left: Path) -> None:
        assert looked_at("one", left, 7, [0, 1, 2]).untold == 0

    def test_it_passes_one_that_could_not_be_told(self, left: Path) -> None:
        assert looked_at("one", left, 7, [0, 1]).untold == 1

    @pytest.mark.parametrize(
        ("damage", "told"),
        [
            pytest.param("DELETE FROM value WHERE part_id = 50 AND metric = 'tone_db.7'", [0, 1, 2], id="a-value-gone"),
            pytest.param("UPDATE value SET value = value + 1e-9 WHERE part_id = 50", [0, 1, 2], id="a-value-changed"),
            pytest.param("DELETE FROM value WHERE part_id = 50", [0, 1, 2], id="a-part-without-values"),
            pytest.param("DELETE FROM take WHERE id = 3", [0, 1, 2], id="a-take-gone-and-its-parts-there"),
            pytest.param("DELETE FROM value WHERE part_id > 80; DELETE FROM part WHERE take_id = 3; DELETE FROM take WHERE id = 3", [0, 1, 2], id="a-take-gone-whole"),
            pytest.param("DELETE FROM value WHERE part_id > 80; DELETE FROM part WHERE take_id = 3", [0, 1], id="a-take-without-parts"),
            pytest.param("DELETE FROM alembic_version", [0, 1, 2], id="tables-of-no-version"),
            pytest.param("SELECT 1", [0], id="two-that-were-not-told"),
        ],
    )  # fmt: skip
    def test_it_sees_damage(self, left: Path, damage: str, told: list[int]) -> None:
        connection = sqlite3.connect(left / DEFAULT_NAME)
        connection.executescript(damage)
        connection.close()
        with pytest.raises((AssertionError, Exception)) as error:
            looked_at("one", left, 7, told)
        # either it is seen here, or the history refuses it by itself
        assert error.type.__name__ in ("AssertionError", "HistoryError")


@pytest.fixture(scope="session")
def week(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of 7 s beside its house file; do not write into it."""
    from tests.test_keep import make_house

    return make_house(tmp_path_factory.mktemp("killed"), weeks=1)[0]


class TestTheCommand:
    @pytest.fixture
    def shows(self, tmp_path: Path, week: Path) -> Path:
        """Two shows beside a house file, the first of them kept."""
        from tests.test_keep import run  # the children, which import this module, do without

        shutil.copytree(week.parent, tmp_path / "hall")
        done = run("keep", tmp_path / "hall" / week.name, "--date", "2026-02-22")
        assert done.exit_code == 0, done.output
        return tmp_path / "hall" / week.name

    def assert_kept_before(self, show: Path, before: dict[str, list[tuple[object, ...]]]) -> bool:
        """All that was there is there; whether the new take is there too, whole."""
        file = show.parent / DEFAULT_NAME
        # opening it mends it: SQLite takes back what a journal holds
        history = open_history(f"sqlite:///{file}")
        assert history is not None
        assert_sound(file)
        after = rows_of(file)
        if len(after["take"]) == len(before["take"]):
            assert after == before
            return False
        for name, rows in before.items():
            assert after[name][: len(rows)] == rows
            # the same recording again: as many parts and values
            assert len(after[name]) == 2 * len(rows)
        return True

    def test_it_is_killed_while_it_writes(self, shows: Path) -> None:
        file = shows.parent / DEFAULT_NAME
        before = rows_of(file)
        for _ in range(5):
            process = start_keeping(shows)
            journal = file.with_name(f"{DEFAULT_NAME}-journal")
            while process.poll() is None and not journal.exists():
                time.sleep(0.0002)
            process.kill()
            process.communicate()
            if process.returncode == -signal.SIGKILL:
                break
            # it was too quick: then it is all there, and is taken out for another try
            assert self.assert_kept_before(shows, before)
            file.unlink()
            assert_kept_again(shows, "2026-02-22")
            before = rows_of(file)
        else:
            pytest.fail("five times it had written before it could be killed")
        if not self.assert_kept_before(shows, before):
            # nothing of it is left in the way of the next
            assert_kept_again(shows, "2026-03-01")

    @pytest.mark.parametrize("seed", [1, 2])
    def test_it_is_killed_at_any_moment(self, shows: Path, seed: int) -> None:
        before = rows_of(shows.parent / DEFAULT_NAME)
        process = start_keeping(shows)
        try:
            process.wait(float(np.random.default_rng(seed).uniform(0.2, 4.0)))
        except subprocess.TimeoutExpired:
            process.kill()
        said, _ = process.communicate()
        there = self.assert_kept_before(shows, before)
        assert there or "kept as number" not in said
        # a recording is only ever read
        assert sorted(path.suffix for path in shows.iterdir()) == [".wav"] * 4


def start_keeping(show: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "deskhand", "keep", str(show), "--date", "2026-03-01"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def assert_kept_again(show: Path, date: str) -> None:
    from tests.test_keep import run

    done = run("keep", show, "--date", date)
    assert done.exit_code == 0, done.output


def rows_of(file: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of the tables that grow when a take is kept, in order."""
    connection = sqlite3.connect(file)
    try:
        return {
            name: connection.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall()
            for name in ("take", "part", "value")
        }
    finally:
        connection.close()
