"""An archive's shows, each checked once.

In order: how shows are found; a run, what it leaves and what a second one does; what is kept; what fails; what is written twice;
measuring again; shows of an object store; workers that are killed.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np
import pytest

from deskhand.archive.local import outcomes_here
from deskhand.archive.order import ShowOrder
from deskhand.archive.shows import find_shows
from deskhand.errors import UsageError
from deskhand.store.archived import put_take
from deskhand.store.records import MEASURED, WAITING
from tests.archive.workers import always_killed, killed_once
from tests.support.command import make_show, run
from tests.support.folders import opened
from tests.support.histories import HOUSE as HOUSE_NAME
from tests.support.histories import kept_take
from tests.support.writers import noise, write_wave


def rows(root: Path, query: str) -> list[Any]:
    connection = sqlite3.connect(root / "history.sqlite")
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def names(*named: Path | str) -> list[str]:
    return [show.name for show in find_shows([str(one) for one in named])]


class TestFinding:
    def test_each_folder_with_audio_is_a_show(self, archive_folder: Path) -> None:
        assert names(archive_folder) == ["2025/show 0", "2025/show 1", "2025/show 2"]

    def test_a_recording_a_pattern_and_a_list(self, archive_folder: Path) -> None:
        assert names(archive_folder / "2025" / "show 1") == ["show 1"]
        assert names(f"{archive_folder}/*/show [02]") == ["show 0", "show 2"]
        listed = archive_folder / "good.txt"
        listed.write_text("# the good ones\n2025/show 2\n\n2025/show 0\n")
        assert names(listed) == ["show 2", "show 0"]

    def test_polyphonic_files_of_a_folder_are_shows_of_their_own(
        self, tmp_path: Path, rng: np.random.Generator
    ) -> None:
        for name in ("a", "b"):
            write_wave(tmp_path / f"{name}.wav", noise(rng, seconds=0.1, channels=3))
        assert names(tmp_path) == ["a", "b"]
        write_wave(tmp_path / "c.wav", noise(rng, seconds=0.1, channels=2))
        assert names(tmp_path) == [tmp_path.name]

    @pytest.mark.parametrize("named", ["nowhere", "nowhere-*"])
    def test_what_is_not_there_is_named(self, tmp_path: Path, named: str) -> None:
        with pytest.raises(UsageError, match=r"nowhere.*(no such file|matches nothing)"):
            names(tmp_path / named)


class TestRun:
    def test_each_show_is_checked_once_as_check_does(self, archive_folder: Path, tmp_path: Path) -> None:
        done = run("archive", archive_folder, "--by", "Ana")
        assert done.exit_code == 0, done.output
        assert "3 shows: 3 checked." in done.stdout
        assert "1 kept" in done.stdout
        assert rows(archive_folder, "SELECT show, forgotten_by FROM take ORDER BY id") == [
            ("show 0", MEASURED),
            ("show 1", None),
            ("show 2", MEASURED),
        ]
        results = {path.name: path.read_bytes() for path in (archive_folder / "2025").glob("*-check.json")}
        again = run("archive", archive_folder)
        assert "3 shows: 3 checked before." in again.stdout
        assert len(rows(archive_folder, "SELECT 1 FROM take")) == 3
        # judged against what was kept before it began: nothing
        run("keep", "--forget", "show 1", "--house", archive_folder / "house.toml")
        for number in range(3):
            target = tmp_path / "one.json"
            run("check", archive_folder / "2025" / f"show {number}", "--no-report", "--json", target)
            assert target.read_bytes() == results[f"show {number}-check.json"]

    def test_a_result_that_is_lost_and_a_house_file_that_changed(self, archive_folder: Path) -> None:
        results = archive_folder.parent / "results"
        arguments = ("archive", archive_folder, "--results", results, "--keep", "none")
        run(*arguments)
        assert sorted(path.name for path in (results / "2025").glob("*.json")) == [
            f"show {n}-check.json" for n in range(3)
        ]
        assert not list((archive_folder / "2025").glob("*.json"))
        (results / "2025" / "show 2-check.json").unlink()
        assert "1 checked, 2 checked before" in run(*arguments).stdout
        house = archive_folder / "house.toml"
        house.write_text(house.read_text().replace('role = "keys"', 'role = "keys"\nfader = "-3 dB"'))
        assert "3 shows: 3 checked." in run(*arguments).stdout
        assert len(rows(archive_folder, "SELECT 1 FROM take WHERE replaced_by IS NULL")) == 3

    def test_a_copy_is_in_the_history_once(self, archive_folder: Path) -> None:
        shutil.copytree(archive_folder / "2025" / "show 0", archive_folder / "copy")
        assert "4 checked" in run("archive", archive_folder).stdout
        assert len(rows(archive_folder, "SELECT 1 FROM take WHERE replaced_by IS NULL")) == 3

    def test_a_rule_of_keeping_holds_for_what_was_checked_before(self, archive_folder: Path) -> None:
        run("archive", archive_folder, "--keep", "none")
        assert "3 kept" in run("archive", archive_folder, "--keep", "all").stdout
        assert rows(archive_folder, "SELECT forgotten_by FROM take") == [(None,)] * 3

    def test_a_show_that_fails_is_named_and_the_others_are_checked(self, archive_folder: Path) -> None:
        bad = archive_folder / "2025" / "show 1"
        (bad / "01 Pno L.wav").write_bytes(b"no audio")
        done = run("archive", archive_folder)
        assert done.exit_code == 2
        assert f"Skipped: {bad}: 01 Pno L.wav: not audio" in done.stderr
        assert "2 checked, 1 skipped" in done.stdout

    def test_without_a_house_file_nothing_is_guessed(self, tmp_path: Path, rng: np.random.Generator) -> None:
        (make_show(tmp_path / "show", rng, seconds=1.0) / "house.toml").unlink()
        done = run("archive", tmp_path)
        assert done.exit_code == 2
        assert "has no house.toml" in done.stderr
        assert not list(tmp_path.glob("**/*.json"))

    def test_a_mark_that_is_neither_yes_nor_no(self, archive_folder: Path) -> None:
        (archive_folder / "2025" / "show 1" / "show.toml").write_text('keep = "maybe"')
        assert (
            "show.toml, keep: 'maybe' is neither yes nor no; write: keep = true"
            in run("archive", archive_folder).stderr
        )

    def test_nothing_of_a_cluster_is_loaded(self) -> None:
        code = (
            "import sys, deskhand.archive.run, deskhand.archive.local, deskhand.tasks.check;"
            "assert not {'dask', 'distributed', 'fsspec'} & set(sys.modules)"
        )
        subprocess.run([sys.executable, "-c", code], check=True)


class TestHistory:
    def test_writers_of_one_take_write_it_once(self, tmp_path: Path) -> None:
        url = f"sqlite:///{tmp_path / 'history.sqlite'}"
        take = replace(kept_take(0), digest="a" * 64, start_s=0.0)
        opened(url).close()

        def write() -> None:
            history = opened(url)
            put_take(history, take, WAITING)
            history.close()

        threads = [Thread(target=write) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert rows(tmp_path, "SELECT forgotten_by FROM take") == [(WAITING,)]

    def test_what_a_person_kept_stays(self, tmp_path: Path) -> None:
        history = opened(f"sqlite:///{tmp_path / 'history.sqlite'}")
        take = replace(kept_take(0), digest="a" * 64, start_s=0.0, note="good week")
        number = history.keep(take)
        archived = put_take(history, replace(take, note=""), MEASURED, anew=True)
        history.close()
        assert (archived.number, archived.is_archived) == (number, False)
        assert rows(tmp_path, "SELECT note, forgotten_by FROM take") == [("good week", None)]

    def test_takes_measured_only_are_no_kept_weeks(self, tmp_path: Path) -> None:
        history = opened(f"sqlite:///{tmp_path / 'history.sqlite'}")
        put_take(history, replace(kept_take(0), digest="a" * 64, start_s=0.0), MEASURED)
        assert not history.takes(house=HOUSE_NAME)
        assert len(history.takes(house=HOUSE_NAME, forgotten=True)) == 1
        history.close()


class TestMeasuringAgain:
    def age(self, root: Path, where: str = "1") -> None:
        """Have readings be of an earlier version."""
        connection = sqlite3.connect(root / "history.sqlite")
        connection.execute(
            "UPDATE value SET version = 0 WHERE metric = 'level_dbfs' AND part_id IN (SELECT part.id FROM part JOIN take "
            f"ON take.id = part.take_id WHERE {where})"
        )
        connection.commit()
        connection.close()

    def test_older_takes_are_told_then_measured_and_switched_together(self, archive_folder: Path) -> None:
        run("archive", archive_folder, "--keep", "all")
        self.age(archive_folder)
        told = run("archive", archive_folder, "--keep", "all")
        assert "3 checked before, with numbers by an earlier definition" in told.stdout
        assert "3 kept shows hold numbers by an earlier definition" in told.stdout
        # with one recording away, the earlier readings stay in use
        show = archive_folder / "2025" / "show 2"
        show.rename(archive_folder.parent / "away")
        part = run("archive", archive_folder, "--keep", "all", "--measure-again")
        assert "2 measured again" in part.stdout
        assert "1 kept shows hold numbers" in part.stdout
        assert rows(archive_folder, "SELECT id FROM take WHERE forgotten_at IS NULL") == [(1,), (2,), (3,)]
        (archive_folder.parent / "away").rename(show)
        whole = run("archive", archive_folder, "--keep", "all", "--measure-again")
        assert "1 measured again, 2 checked before" in whole.stdout
        assert "3 kept shows measured again stand in place" in whole.stdout
        assert rows(archive_folder, "SELECT id FROM take WHERE forgotten_at IS NULL") == [(4,), (5,), (6,)]
        assert rows(archive_folder, "SELECT replaced_by FROM take WHERE id <= 3") == [(4,), (5,), (6,)]
        assert not rows(
            archive_folder, "SELECT 1 FROM value JOIN part ON part.id = part_id WHERE take_id > 3 AND version = 0"
        )

    def test_takes_that_cannot_be_measured_again_can_be_left(self, archive_folder: Path) -> None:
        run("archive", archive_folder, "--keep", "all")
        self.age(archive_folder, "take.id < 3")
        shutil.rmtree(archive_folder / "2025" / "show 0")
        done = run("archive", archive_folder, "--keep", "all", "--measure-again", "--leave-older")
        assert "1 kept shows measured again stand in place" in done.stdout
        assert rows(archive_folder, "SELECT id FROM take WHERE forgotten_at IS NULL ORDER BY id") == [(1,), (3,), (4,)]


class TestObjectStore:
    def test_shows_of_a_store_are_checked_like_those_of_a_disk(self, archive_folder: Path, tmp_path: Path) -> None:
        fsspec = pytest.importorskip("fsspec")
        store = fsspec.filesystem("memory")
        for path in archive_folder.rglob("*.*"):
            if path.is_file():
                store.pipe(f"/hall/{path.relative_to(archive_folder).as_posix()}", path.read_bytes())
        url = f"sqlite:///{tmp_path / 'far.sqlite'}"
        own = f"deskhand-*-{os.getpid()}-*/"
        before = set(Path(tempfile.gettempdir()).glob(own))
        far = ("archive", "memory://hall", "--results", tmp_path / "far", "--history", url)
        try:
            done = run(*far)
            assert "3 shows: 3 checked." in done.stdout, done.output
            assert "3 checked before" in run(*far).stdout
            refused = run("archive", "memory://hall", "--history", url)
            assert "name a folder with --results" in refused.stderr
        finally:
            store.rm("/hall", recursive=True)
        run("archive", archive_folder, "--results", tmp_path / "near")
        for path in (tmp_path / "near").rglob("*-check.json"):
            if ".deskhand" not in path.parts:
                assert path.read_bytes() == (tmp_path / "far" / path.relative_to(tmp_path / "near")).read_bytes()
        # no copy is left; what other tests of this process hold was there before
        assert set(Path(tempfile.gettempdir()).glob(own)) <= before


class TestWorkers:
    def orders(self, folder: Path) -> list[ShowOrder]:
        shows = ["a", "b killed", "c", "d", "e killed", "f"]
        return [ShowOrder(path=str(folder / name), name=name, by="Ana") for name in shows]

    def test_what_a_killed_worker_was_at_is_done_by_another(self, tmp_path: Path) -> None:
        orders = self.orders(tmp_path)
        outcomes = list(outcomes_here(iter(orders), workers=2, check=killed_once))
        assert sorted(outcome.path for outcome in outcomes) == [order.path for order in orders]
        assert {outcome.progress for outcome in outcomes} == {"checked"}

    def test_a_show_that_ends_each_worker_is_given_up(self, tmp_path: Path) -> None:
        outcomes = list(outcomes_here(iter(self.orders(tmp_path)[:2]), workers=2, check=always_killed))
        failed = [outcome for outcome in outcomes if outcome.progress == "failed"]
        assert "its worker ended 4 times" in failed[-1].line
