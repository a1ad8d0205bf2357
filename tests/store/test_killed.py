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
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.store import DEFAULT_NAME
from deskhand.store.history import open_history
from tests.support.kills import (
    URL_FILE,
    Variant,
    assert_sound,
    looked_at,
    made_take,
    strike,
    strike_on_server,
    url_of,
)

if TYPE_CHECKING:
    from tests.support.postgres import Server

pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL is of POSIX systems")
SEEDS: Final = range(1, 6)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("variant", ["one", "new"])
def test_nothing_that_was_kept_is_lost_and_nothing_is_half_there(tmp_path: Path, variant: Variant, seed: int) -> None:
    strike(variant, tmp_path, seed)


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_nor_on_a_server(server: Server, tmp_path: Path, seed: int) -> None:
    strike_on_server(server, tmp_path, seed)


def test_what_is_missing_on_a_server_is_seen(server: Server, tmp_path: Path) -> None:
    """The examination can fail: a take told as kept that is gone, and a number that is another."""
    url = server.empty_history()
    (tmp_path / URL_FILE).write_text(url, "utf-8")
    history = open_history(url, create=True)
    assert history is not None
    history.keep(made_take("server", 7, 0))
    with pytest.raises(AssertionError, match="told and gone"):
        looked_at("server", tmp_path, 7, [0, 1, 2])
    server.execute("UPDATE value SET value = value + 1 WHERE metric = 'tone_db.3'", server.name_in(url))
    with pytest.raises(AssertionError, match="not as it was kept"):
        looked_at("server", tmp_path, 7, [0])


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
    from tests.support.band_house import make_house

    return make_house(tmp_path_factory.mktemp("killed"), weeks=1)[0]


class TestTheCommand:
    @pytest.fixture
    def shows(self, tmp_path: Path, week: Path) -> Path:
        """Two shows beside a house file, the first of them kept."""
        from tests.support.command import run

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

    def test_it_is_killed_while_it_measures_again(self, shows: Path) -> None:
        """The earlier take or the new one is part of the reference, whole, and never both or none."""
        file = shows.parent / DEFAULT_NAME
        before = rows_of(file)
        process = subprocess.Popen(
            [sys.executable, "-c", MEASURE_AGAIN, "keep", "--measure-again", "--house", str(shows.parent / "house.toml")],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        journal = file.with_name(f"{DEFAULT_NAME}-journal")
        while process.poll() is None and not journal.exists():
            time.sleep(0.0002)
        process.kill()
        said, wrong = process.communicate()
        assert process.returncode == -signal.SIGKILL or "measured again, number 2" in said, wrong
        history = open_history(f"sqlite:///{file}")
        assert history is not None
        assert_sound(file)
        after = rows_of(file)
        assert after["value"][: len(before["value"])] == before["value"]
        (row,) = history.takes()
        if row.id == 1:
            assert after == before
        else:
            assert [take.replaced_by for take in history.takes(forgotten=True)] == [2, None]
            assert len(after["value"]) == 2 * len(before["value"])

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


MEASURE_AGAIN: Final = """
import dataclasses
from deskhand.baseline import numbers
from deskhand.cli import main
numbers.BY_NAME["balance"] = dataclasses.replace(numbers.BY_NAME["balance"], version=2)
main()
"""
"""The command as a later version would run it, which defines a number otherwise."""


def start_keeping(show: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "deskhand", "keep", str(show), "--date", "2026-03-01"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def assert_kept_again(show: Path, date: str) -> None:
    from tests.support.command import run

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
