"""Notes and jobs for the next evening: left, ticked and taken back by command and page, and on the next sheet."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.language import choose_language
from deskhand.store import HandoverNote
from deskhand.store.handover import add_handover_notes, finish_job, handover_notes, take_back_note
from deskhand.store.history import open_history
from deskhand.tasks.handover import MOST_LETTERS, leave_notes, one_line, standing
from deskhand.web.printed import SheetPages
from tests.support.postgres import running
from tests.support.small_hall import Asker, small_hall

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

HOUSE = '[house]\nname = "Tern Street Hall"\n[[source]]\nname = "keys"\nrole = "keys"\ntracks = [1]\n'


@pytest.fixture
def house(tmp_path: Path) -> Path:
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    return tmp_path / "house.toml"


def run(house: Path, *arguments: str) -> Result:
    done = CliRunner().invoke(main, ["note", "--house", str(house), *arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    return done


class TestTheCommand:
    def test_in_a_german_house_it_answers_in_german(self, house: Path) -> None:
        house.write_text(HOUSE.replace('Hall"', 'Hall"\nlanguage = "de"'), "utf-8")
        try:
            assert run(house, "neue Batterie", "--job", "--by", "Ana").output == "Aufgabe 1: neue Batterie (Ana)\n"
            assert run(house).output.startswith("Offene Aufgaben:\n")
            assert run(house, "--done", "1", "--by", "Mara").output.startswith("Erledigt: neue Batterie")
        finally:
            choose_language("en")

    def test_a_job_stands_until_it_is_done(self, house: Path) -> None:
        assert "No jobs are open" in run(house).output
        assert run(house, "new battery for radio 1", "--job", "--source", "keys", "--by", "Ana").output == (
            "Job 1: keys: new battery for radio 1 (Ana)\n"
        )
        run(house, "the piano was tuned", "--by", "Ben")
        shown = run(house, "--list").output
        assert shown.index("Open jobs:") < shown.index("new battery") < shown.index("Notes:") < shown.index("piano")
        assert run(house, "--done", "1", "--by", "Mara").output.startswith("Done: keys: new battery")
        assert "new battery for radio 1 (Ana); done by Mara" in run(house).output
        assert run(house, "--open", "1").exit_code == 0
        assert "Open jobs:" in run(house).output
        run(house, "--take-back", "1")
        assert "battery" not in run(house, "--list", "--all").output

    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            ((" \n ",), "the note: is empty"),
            (("x" * (MOST_LETTERS + 1),), f"the note: has {MOST_LETTERS + 1} letters"),
            (("x", "--source", "tuba"), '--source "tuba": is no input of the house file'),
            (("x", "--done", "1"), "does one thing at a time"),
            (("x", "--date", "yesterday"), "--date"),
            (("--done", "7"), "note 7: is not there"),
            (("--done", "2"), "note 2: is a note and no job"),
            (("--open", "1"), "job 1: is open"),
            (("--take-back", "0"), "note 0: is not there"),
        ],
        ids=["empty", "long", "source", "two", "date", "number", "note", "open", "nought"],
    )
    def test_what_cannot_be_is_one_line(self, house: Path, arguments: tuple[str, ...], said: str) -> None:
        run(house, "a job", "--job")
        run(house, "a note")
        done = run(house, *arguments)
        assert done.exit_code == 2
        assert said in done.output
        assert done.output.count("\n") == 1

    def test_nothing_was_left_yet(self, house: Path) -> None:
        done = run(house, "--done", "1")
        assert (done.exit_code, done.output.count("\n")) == (2, 1)
        assert not (house.parent / "history.sqlite").exists()


class TestWhatStands:
    def note(self, date: str | None, *, job: bool = False, done_at: str | None = None) -> HandoverNote:
        said_at = f"{date or '2026-03-01'}T22:00:00+00:00"
        by = "Ana" if done_at else None
        return HandoverNote(
            date=date, text="x", is_job=job, said_by="Ana", said_at=said_at, done_by=by, done_at=done_at
        )

    def test_a_note_for_a_week_and_a_job_until_it_is_done(self) -> None:
        new, old, undated = self.note("2026-03-01"), self.note("2026-02-22"), self.note(None)
        job = self.note("2025-03-02", job=True)
        done = self.note("2025-03-02", job=True, done_at="2026-03-01T20:00:00+00:00")
        assert standing([old, job, new, done, undated], "2026-03-08") == ([job], [new, done, undated])

    def test_a_line_is_one_line(self) -> None:
        assert one_line(" new\n\tskin\x1b[2J ") == "new skin [2J"


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_the_store_keeps_all_of_it(tmp_path: Path, kind: str) -> None:
    if kind == "sqlite":
        keeps_all(f"sqlite:///{tmp_path / 'history.sqlite'}")
        return
    with running() as server:
        keeps_all(server.new_database())


def keeps_all(url: str) -> None:
    history = open_history(url, create=True)
    assert history is not None
    hall, other = "Tern Street Hall", "another house"
    notes = [
        HandoverNote(date="2026-03-01", source="keys", text="ö <b>", is_job=True, said_by="Ana"),
        HandoverNote(date=None, text="second", said_by="Ben"),
    ]
    first, second = add_handover_notes(history, notes, house=hall)
    add_handover_notes(history, [HandoverNote(date=None, text="theirs", said_by="x")], house=other)
    finish_job(history, first, house=hall, by="Mara")
    take_back_note(history, second, house=hall)
    (kept,) = handover_notes(history, house=hall)
    assert (kept.text, kept.source, kept.date, kept.is_job, kept.said_by, kept.done_by) == (
        "ö <b>", "keys", "2026-03-01", True, "Ana", "Mara",
    )  # fmt: skip
    history.close()


class TestThePage:
    @pytest.fixture
    def hall(self, tmp_path: Path) -> Path:
        return small_hall(tmp_path / "hall")

    def test_it_is_left_ticked_and_printed(self, hall: Path) -> None:
        page = Asker(hall)
        left = {"act": "leave", "id": page.id, "text": "tune the <piano>", "source": "piano", "by": "Ana", "job": True}
        assert page.told("handover", **left) == {}
        assert "piano: tune the &lt;piano&gt; (Ana)" in page.get(f"/show/{page.id}").text
        request = SimpleNamespace(path_params={"id": page.id}, query_params={})
        assert "piano: tune the <piano> (Ana)" in SheetPages(page.pages)._sheet(request).jobs
        page.told("handover", act="done", number=1)
        assert "done by" in page.get(f"/show/{page.id}").text
        assert "is done already" in page.refused("handover", act="done", number=1)
        page.told("handover", act="open", number=1)
        page.told("handover", act="take-back", number=1)
        assert "tune the" not in page.get(f"/show/{page.id}").text

    @pytest.mark.parametrize(
        "data",
        [
            {},
            {"act": "done"},
            {"act": "done", "number": "1"},
            {"act": "done", "number": True},
            {"act": "leave", "text": 3},
        ],
        ids=["nothing", "no-number", "text", "truth", "no-text"],
    )
    def test_what_is_no_change_is_refused(self, hall: Path, data: dict[str, Any]) -> None:
        assert Asker(hall).tell("handover", **data).status_code == 400


def test_what_was_noted_at_the_line_check_is_handed_over(house: Path) -> None:
    from deskhand.live.board import BoardNote
    from deskhand.live.sharing import hand_over

    notes = [BoardNote(text="new skin", by="", source="keys", time_s=3.0)]
    assert hand_over(notes, date="2026-03-01", house_file=house, history=None, by="Ana") == 1
    assert "keys: new skin (Ana)" in run(house, "--list", "--all").output
    assert hand_over([], date=None, house_file=house, history=None, by="Ana") == 0
    assert leave_notes([], house_file=house, history=None) == []
