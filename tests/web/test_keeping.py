"""Keeping a show on the page: what is wrong in it is said first, and every step can be undone.

In order: a show without faults kept, taken out and put back; one with faults; the history's page; a house file above the folder.
"""

from __future__ import annotations

import json
import re
import sqlite3
from dataclasses import replace
from html import unescape

import numpy as np
import pytest
import soundfile

from deskhand.baseline import numbers
from tests.support.small_hall import RATE_HZ, Asker, small_hall

# what is kept is made of the readings: a take is measured once, however often it is kept
pytestmark = pytest.mark.usefixtures("measured_once")


@pytest.fixture
def asker(tmp_path):
    with Asker(small_hall(tmp_path / "hall")) as made:
        yield made


@pytest.fixture
def faulty(tmp_path):
    """The same with a voice that is clipped."""
    hall = small_hall(tmp_path / "hall", checked=False)
    path = hall / "show-2026-03-01" / "vox.wav"
    samples, _ = soundfile.read(path)
    path.unlink()  # it is linked
    soundfile.write(path, np.clip(8.0 * samples, -1.0, 1.0), RATE_HZ, subtype="PCM_24")
    with Asker(hall) as made:
        done = made.checked(made.id)
        assert done["state"] == "done", done
        yield made


def page_of(asker, address: str | None = None) -> str:
    answer = asker.get(address or f"/show/{asker.id}")
    assert answer.status_code == 200
    return unescape(re.sub(r"\s+", " ", answer.text))


def rows(asker, statement: str) -> list[tuple]:
    connection = sqlite3.connect(asker.hall.root / "history.sqlite")
    try:
        return connection.execute(statement).fetchall()
    finally:
        connection.close()


def kept(asker, **data) -> dict:
    return asker.waited(asker.told("keep", id=asker.id, **data)["job"])


def faults_listed(page: str) -> list[str]:
    return re.findall(r'<li class="fix">(.*?)</li>', page[page.index('id="keeping"') :])


class TestWithoutFaults:
    @pytest.fixture(autouse=True)
    def _without(self, asker, monkeypatch):
        """Noise has no level that would be right: what it has is what the house wants."""
        for source in ("piano", "lead voice"):
            for kind in ("level-high", "level-low"):
                found = asker.tell("leave", id=asker.id, finding=f"{source}/{kind}")
                assert found.status_code in (200, 400)

    def test_it_is_kept_with_one_button(self, asker):
        page = page_of(asker)
        assert faults_listed(page) == []
        assert page.count("Keep this week</button>") == 1
        assert "data-forget" not in page

    def test_keeping_can_be_undone_and_that_too(self, asker):
        done = kept(asker, note="good", by="Ana")
        assert done == {"state": "done", "share": 1.0, "said": f"/show/{asker.id}#keeping"}
        page = page_of(asker)
        assert "by Ana. <button" in page
        assert 'data-forget="1"' in page
        assert 'id="keep"' not in page

        assert asker.told("forget", id=asker.id, take=1) == {"to": f"/show/{asker.id}#keeping"}
        page = page_of(asker)
        assert "and taken out again by Mara." in page
        assert 'data-restore="1"' in page
        assert 'id="keep"' in page
        assert rows(asker, "SELECT id, forgotten_by FROM take") == [(1, "Mara")]

        assert asker.told("restore", id=asker.id, take=1) == {"to": f"/show/{asker.id}#keeping"}
        assert 'data-forget="1"' in page_of(asker)
        assert rows(asker, "SELECT id, forgotten_by, restored_by FROM take") == [(1, None, "Mara")]
        assert rows(asker, "SELECT count(*) > 50 FROM value") == [(1,)]

    def test_twice_is_refused(self, asker):
        assert kept(asker)["state"] == "done"
        done = kept(asker)
        assert done["state"] == "failed"
        assert "is kept already, as number 1" in done["said"]
        asker.told("forget", id=asker.id, take=1)
        assert "no kept show has this number" in asker.refused("forget", id=asker.id, take=1)
        # kept once more, the first cannot come back beside it
        assert kept(asker)["state"] == "done"
        assert "is kept already, as number 2" in asker.refused("restore", id=asker.id, take=1)

    @pytest.mark.parametrize("name", ["forget", "restore"])
    def test_what_is_no_number(self, asker, name):
        assert kept(asker)["state"] == "done"
        for take in (None, "1", 1.5, True, [1], {"x": 1}, "'; DROP TABLE take; --"):
            assert "is no number" in asker.refused(name, id=asker.id, take=take), take
            assert rows(asker, "SELECT forgotten_by FROM take") == [(None,)], take


class TestWithFaults:
    def test_they_are_listed_and_asked_about(self, faulty):
        page = page_of(faulty)
        lines = faults_listed(page)
        assert len(lines) == 2
        assert all(line.startswith("lead voice: ") for line in lines)
        assert "clip" in lines[0]
        assert "Keep it without lead voice</button>" in page
        assert "Keep all of it</button>" in page
        assert "Keep this week</button>" not in page

    def test_not_without_an_answer(self, faulty):
        done = kept(faulty)
        assert done["state"] == "failed"
        assert "is not kept: something is wrong at lead voice" in done["said"]
        assert not (faulty.hall.root / "history.sqlite").exists()

    def test_without_what_is_at_fault(self, faulty):
        assert kept(faulty, faults="leave out")["state"] == "done"
        assert rows(faulty, "SELECT left_out, faults FROM take") == [('["lead voice"]', "[]")]
        assert {row[0] for row in rows(faulty, "SELECT DISTINCT source FROM part")} == {"piano"}
        assert "Nothing is learned from: lead voice." in page_of(faulty)

    def test_with_all_that_was_listed(self, faulty):
        listed = [f"lead voice/{kind}" for kind in ("clipped", "dc")]
        page = faulty.get(f"/show/{faulty.id}").text
        assert json.loads(unescape(re.search(r'data-listed="(.*?)"', page)[1])) == listed
        assert kept(faulty, faults="keep", listed=listed)["state"] == "done"
        assert rows(faulty, "SELECT left_out, faults FROM take") == [("[]", json.dumps(listed))]
        assert "It was kept with something wrong in it." in page_of(faulty)

    def test_not_with_what_nobody_was_shown(self, faulty):
        """Settings may have changed since the page was opened, or the page was never looked at."""
        for listed in ([], ["lead voice/clipped"], None, "lead voice/clipped", 7):
            done = kept(faulty, faults="keep", listed=listed)
            assert done["state"] == "failed", listed
            assert "has other faults than the page listed" in done["said"], listed
            assert not (faulty.hall.root / "history.sqlite").exists(), listed


class TestHistoryPage:
    def test_takes_are_taken_out_and_put_back_there_too(self, faulty):
        assert kept(faulty, faults="leave out")["state"] == "done"
        page = page_of(faulty, "/weeks")
        assert 'data-forget="1"' in page
        assert "(without lead voice)" in page
        assert faulty.told("forget", take=1) == {"to": "/weeks"}
        page = page_of(faulty, "/weeks")
        assert 'data-restore="1"' in page
        assert "(taken out by Mara)" in page
        assert faulty.told("restore", take=1) == {"to": "/weeks"}
        assert 'data-forget="1"' in page_of(faulty, "/weeks")

    def test_earlier_definitions_are_told_and_measured_again(self, faulty, monkeypatch):
        assert kept(faulty, faults="leave out")["state"] == "done"
        monkeypatch.setitem(numbers.BY_NAME, "balance", replace(numbers.BY_NAME["balance"], version=2))
        page = page_of(faulty, "/weeks")
        assert "Numbers measured by an earlier definition are not compared with: balance (1)" in page
        assert 'id="measure-again"' in page
        done = faulty.waited(faulty.told("measure-again")["job"])
        assert (done["state"], done["said"]) == ("done", "/weeks")
        page = page_of(faulty, "/weeks")
        assert "earlier definition" not in page
        assert "(measured again as number 2)" in page
        assert rows(faulty, "SELECT id, left_out, replaced_by FROM take ORDER BY id") == [
            (1, '["lead voice"]', 2), (2, '["lead voice"]', None),
        ]  # fmt: skip
        # the one that was replaced is not offered to be put back
        assert 'data-restore="1"' not in page


def test_the_page_hides_no_house_file_above(tmp_path):
    hall = small_hall(tmp_path / "hall")
    with Asker(hall / "show-2026-03-01") as asker:
        line = asker.refused(
            "house", name="x", mains="50 Hz", sources=[{"name": "piano", "role": "keys", "left": "pno l"}]
        )
    assert line == (
        f"{hall / 'house.toml'}: is the house file of this recording already; a house.toml in show-2026-03-01 would hide it; open the "
        "page of that folder instead, with: deskhand serve FOLDER"
    )
    assert not (hall / "show-2026-03-01" / "house.toml").exists()


def test_what_is_ignored_on_the_page_is_ignored_tonight_and_by_name(asker):
    """Tonight and no longer: next week it is told again. Who did it stands beside it, and it can be taken back."""
    finding = "lead voice/level-low"
    assert asker.told("leave", id=asker.id, finding=finding)["to"] == f"/show/{asker.id}"
    columns = "source, kind, show, date, for_good, said_by, taken_back_at IS NULL"
    left = ("lead voice", "level-low", "Open night", "2026-03-01", 0, "Mara")
    assert rows(asker, f"SELECT {columns} FROM dismissal") == [(*left, 1)]
    asker.told("raise", id=asker.id, finding=finding)
    assert rows(asker, f"SELECT {columns} FROM dismissal") == [(*left, 0)]
    assert "was not left alone" in asker.refused("raise", id=asker.id, finding=finding)
    assert "is no finding of this show" in asker.refused("leave", id=asker.id, finding="piano/hum")
