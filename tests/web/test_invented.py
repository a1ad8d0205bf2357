"""The way in for who has nothing yet: the command alone, the invented hall that opens beside, recordings of one file."""

from __future__ import annotations

import re
import shutil
import time
import urllib.request
from pathlib import Path

import pytest

import deskhand.tasks.demo
from deskhand.errors import UsageError
from deskhand.web import serve as serving
from tests.support.command import run
from tests.support.small_hall import Asker, one_line, small_hall


@pytest.fixture
def season(monkeypatch):
    """Folders in which the season was made: the small hall, already checked, which costs no time."""
    made = []

    def make_hall(folder, *, seed, progress):
        made.append(folder)
        progress(1.0)
        small_hall(folder / "hall")
        for path in (folder / "hall").iterdir():
            path.rename(folder / path.name)
        (folder / "hall").rmdir()

    monkeypatch.setattr("deskhand.tasks.demo.make_hall", make_hall)
    return made


def outcome(asker):
    job = asker.told("invented-hall")["job"]
    for _ in range(400):
        state = asker.get(f"/api/jobs/{job}").json()
        if state["state"] != "running":
            return state
        time.sleep(0.02)
    raise AssertionError(state)


class TestLookAround:
    def test_it_opens_beside_and_touches_nothing_of_the_house(self, tmp_path, season):
        with Asker(tmp_path, open_beside=lambda folder: f"http://localhost:1/{folder.name}") as asker:
            page = asker.get("/first").text
            assert 'id="look-around"' in page
            assert outcome(asker)["state"] == "done"
            assert outcome(asker)["said"] == "http://localhost:1/tern-street-hall"
            assert len(season) == 1
            # its shows are not among the house's own, and there is still no house
            assert asker.hall.recordings() == []
            assert not asker.hall.has_house
            assert [path.name for path in tmp_path.iterdir()] == [".deskhand"]

    def test_the_page_beside_is_served(self, tmp_path):
        address = serving._open_beside(small_hall(tmp_path / "hall"), by=None)
        with urllib.request.urlopen(address, timeout=20) as answer:
            assert "Tern Street Hall" in answer.read().decode()

    def test_one_that_was_broken_off_is_made_anew(self, tmp_path, season, monkeypatch):
        whole = deskhand.tasks.demo.make_hall

        def broken_off(folder, **_):
            (folder / "house.toml").write_text("")
            raise UsageError(str(folder), "cannot be written (No space left on device)", "make room")

        with Asker(tmp_path, open_beside=str) as asker:
            monkeypatch.setattr("deskhand.tasks.demo.make_hall", broken_off)
            state = outcome(asker)
            assert state["state"] == "failed"
            assert "No space left" in one_line(state["said"])
            assert not list((tmp_path / ".deskhand").iterdir())
            monkeypatch.setattr("deskhand.tasks.demo.make_hall", whole)
            assert outcome(asker)["state"] == "done"

    def test_on_the_local_network_it_is_not_offered(self, tmp_path):
        with Asker(tmp_path) as asker:
            assert 'id="look-around"' not in asker.get("/first").text
            job = asker.refused("invented-hall")
        assert "on the computer itself only" in job


class TestCommandAlone:
    def test_in_a_terminal_it_opens_the_page(self, tmp_path, monkeypatch):
        monkeypatch.setattr("deskhand.cli.group._is_terminal", lambda: True)
        monkeypatch.setattr(serving, "serve", lambda folder, **how: opened.append((folder, how)))
        monkeypatch.setenv("HOME", str(tmp_path))
        monkeypatch.setenv("USERPROFILE", str(tmp_path))
        opened: list = []
        monkeypatch.chdir(tmp_path)
        assert run().exit_code == 0
        (tmp_path / "hall" / "sunday").mkdir(parents=True)
        (tmp_path / "hall" / "house.toml").write_text("")
        monkeypatch.chdir(tmp_path / "hall" / "sunday")
        assert run().exit_code == 0
        assert [folder for folder, _ in opened] == [tmp_path / "deskhand", tmp_path / "hall"]
        assert (tmp_path / "deskhand").is_dir()
        assert all(how["open_browser"] and how["port"] is None for _, how in opened)

    def test_a_home_that_takes_nothing_is_said(self, tmp_path, monkeypatch):
        (tmp_path / "deskhand").write_text("a file")
        monkeypatch.setattr(Path, "home", lambda: tmp_path)
        monkeypatch.chdir(tmp_path)
        with pytest.raises(UsageError, match="deskhand serve FOLDER"):
            serving.usual_folder()

    def test_a_port_that_is_taken_gives_way_to_a_free_one(self, tmp_path, monkeypatch):
        ports = []
        monkeypatch.setattr(serving, "_run", lambda _, __, listening, link: (listening.close(), ports.append(link)))
        taken = serving._bound("127.0.0.1", 0)
        monkeypatch.setattr(serving, "PORT", taken.getsockname()[1])
        lines: list[str] = []
        try:
            serving.serve(tmp_path, port=None, say=lines.append, open_browser=True)
        finally:
            taken.close()
        [link] = ports
        assert re.fullmatch(r"http://localhost:\d+/", link)
        assert not link.endswith(f":{serving.PORT}/")
        assert link in lines[0]


def test_the_folder_of_the_invented_hall_can_be_taken_away(tmp_path, season):
    with Asker(tmp_path, open_beside=str) as asker:
        outcome(asker)
    shutil.rmtree(tmp_path / ".deskhand")
    with Asker(tmp_path, open_beside=str) as asker:
        assert outcome(asker)["state"] == "done"
    assert len(season) == 2
