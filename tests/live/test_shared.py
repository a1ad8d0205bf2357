"""A line check that several people look on at: what they see, what they ask for, and that it goes on after the computer failed."""

from __future__ import annotations

import json
import threading
import time
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from deskhand.findings import Finding
from deskhand.house import parse_house
from deskhand.live.board import MOST_NOTE, MOST_NOTES, Board, BoardAnswer, BoardNote, BoardRequest
from deskhand.live.line import finding_key
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.live.result import result_of
from deskhand.live.resume import FILE_NAME, CourseFile, broken_off
from deskhand.live.ring import Ring
from deskhand.live.watch import Watch

if TYPE_CHECKING:
    from pathlib import Path

RATE_HZ = 48000
NAMES = ("kick", "bass", "keys", "lectern")
HOUSE = '[house]\nname = "Tern Street Hall"\n' + "".join(
    f'[[source]]\nname = "{name}"\nrole = "{role}"\ntracks = [{number}]\nchannel = {number}\n'
    for number, (name, role) in enumerate(zip(NAMES, ("kick", "bass", "keys", "speech"), strict=True), 1)
)


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    house = parse_house(HOUSE, tmp_path / "house.toml")
    return Watch(
        house=house,
        inputs=[(source, (row,)) for row, source in enumerate(house.source)],
        ring=Ring.of(len(NAMES), 40 * RATE_HZ),
        sample_rate_hz=RATE_HZ,
        taps=dict.fromkeys(NAMES, "preamp"),
        players={},
    )


def at_hand(watch: Watch) -> str:
    return watch.line.awaited.source.name if watch.line.awaited is not None else ""


def picture(watch: Watch, **how: Any) -> dict[str, Any]:
    return picture_of(watch, device="desk", state="running", **how)


class TestRequests:
    def test_either_may_say_that_an_input_is_heard(self, watch: Watch) -> None:
        requests = Requests(watch, [])
        assert requests.answer(BoardRequest(act="heard", source="kick", by="Ana")).accepted
        assert at_hand(watch) == "bass"
        assert str(watch.messages[-1]).endswith("Ana: kick is heard")
        # nothing of it was measured: it is neither well nor wrong
        (kick, *_) = picture(watch)["inputs"]
        assert (kick["word"], kick["sentence"]) == (
            "listen", "said to be heard by Ana; too little of it came to be measured",
        )  # fmt: skip

    def test_two_who_press_at_once_pass_one_input(self, watch: Watch) -> None:
        requests = Requests(watch, [])
        first = requests.answer(BoardRequest(act="heard", source="kick", by="Ana"))
        second = requests.answer(BoardRequest(act="heard", source="kick", by="Ben"))
        assert (first.accepted, second.accepted) == (True, False)
        assert second.text == "kick has had its turn: bass is at hand"
        assert at_hand(watch) == "bass"

    def test_back_takes_it_back(self, watch: Watch) -> None:
        requests = Requests(watch, [])
        requests.answer(BoardRequest(act="heard", source="kick"))
        assert requests.answer(BoardRequest(act="back", source="bass")).accepted
        assert at_hand(watch) == "kick"
        assert watch.line.awaited is not None
        assert watch.line.awaited.state == "waiting"
        assert not requests.answer(BoardRequest(act="back", source="kick")).accepted

    def test_to_the_last_and_back_from_there(self, watch: Watch) -> None:
        requests = Requests(watch, [])
        for name in NAMES:
            assert requests.answer(
                BoardRequest(act="not-tonight" if name == "lectern" else "heard", source=name)
            ).accepted
        assert picture(watch)["hand"]["sentence"] == "Everybody has had a turn"
        assert not requests.answer(BoardRequest(act="heard", source="")).accepted
        assert requests.answer(BoardRequest(act="back", source="")).accepted
        assert at_hand(watch) == "lectern"
        # of two who go back at once, one does
        second = requests.answer(BoardRequest(act="back", source=""))
        assert (second.accepted, second.text) == (False, "somebody went back: lectern is at hand")
        assert at_hand(watch) == "lectern"

    def test_notes_have_an_end(self, watch: Watch) -> None:
        requests = Requests(watch, [])
        answers = [requests.answer(BoardRequest(act="note", text="x")).accepted for _ in range(MOST_NOTES + 2)]
        assert answers == [True] * MOST_NOTES + [False] * 2
        assert len(picture(watch)["messages"]) == 6

    @pytest.mark.parametrize(
        ("request_", "said"),
        [
            (BoardRequest(act="heard", source="tuba"), "there is no input of that name"),
            (BoardRequest(act="player", source="tuba", text="Ana"), "there is no input of that name"),
            (BoardRequest(act="player", source="keys", text="A" * 81), "too long: 80 letters at most"),
            (BoardRequest(act="note", text=" \n"), "write something first"),
            (BoardRequest(act="note", text="x" * (MOST_NOTE + 1)), f"too long: {MOST_NOTE} letters at most"),
            (BoardRequest(act="note", text="x", by="y" * 81), "too long: 80 letters at most"),
            (BoardRequest(act="check"), "that is for the soundcheck"),
        ],
        ids=["no-input", "nobody-s-input", "long-player", "empty-note", "long-note", "long-name", "no-soundcheck"],
    )
    def test_what_cannot_be_done_is_said(self, watch: Watch, request_: BoardRequest, said: str) -> None:
        notes: list[BoardNote] = []
        answer = Requests(watch, notes).answer(request_)
        assert (answer.accepted, answer.text) == (False, said)
        assert (at_hand(watch), notes, watch.players) == ("kick", [], {})

    def test_who_plays_and_what_was_noted(self, watch: Watch) -> None:
        notes: list[BoardNote] = []
        requests = Requests(watch, notes)
        requests.answer(BoardRequest(act="player", source="keys", text=" Ana\u0000 \x1b[2J"))
        requests.answer(BoardRequest(act="note", source="kick", by="Ben", text="new\nskin"))
        assert watch.players == {"keys": "Ana [2J"}
        assert [str(note) for note in notes] == ["kick: new skin (Ben)"]
        shown = picture(watch, notes=notes)
        assert shown["notes"] == ["kick: new skin (Ben)"]
        assert shown["inputs"][2]["player"] == "Ana [2J"
        requests.answer(BoardRequest(act="player", source="keys", text=""))
        assert watch.players == {}

    def test_the_result_says_that_nothing_was_measured(self, watch: Watch) -> None:
        Requests(watch, []).answer(BoardRequest(act="heard", source="kick", by="Ana"))
        result = result_of(watch, name="line check", date=None, phase="line-check", tap="preamp", players={}, notes=())
        (kick,) = [source for source in result.sources if source.name == "kick"]
        assert kick.status == "listen"
        assert "said to be heard by Ana" in kick.findings[0].text


class TestBoard:
    def test_requests_of_many_are_answered_one_after_the_other(self, watch: Watch) -> None:
        board = Board()
        requests = Requests(watch, [])
        answers = []
        people = [
            threading.Thread(
                target=lambda name=name: answers.append(board.ask(BoardRequest(act="heard", source="kick", by=name)))
            )
            for name in ("Ana", "Ben", "Mara", "Noor")
        ]
        for person in people:
            person.start()
        count = 0
        while count < len(people):
            count += board.answer(requests.answer)
        for person in people:
            person.join()
        assert sorted(answer.accepted for answer in answers) == [False, False, False, True]
        assert at_hand(watch) == "bass"

    def test_whoever_was_not_answered_in_time_did_nothing(self, watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("deskhand.live.board._WAIT_S", 0.01)
        board = Board()
        assert not board.ask(BoardRequest(act="heard", source="kick")).accepted
        assert board.answer(Requests(watch, []).answer) == 0
        assert at_hand(watch) == "kick"

    def test_what_is_being_done_is_not_called_undone(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("deskhand.live.board._WAIT_S", 0.05)
        board, begun = Board(), threading.Event()

        def slowly(_: BoardRequest) -> BoardAnswer:
            begun.set()
            time.sleep(0.2)
            return BoardAnswer(accepted=True)

        listening = threading.Thread(target=lambda: [board.answer(slowly) for _ in iter(begun.is_set, True)])
        listening.start()
        assert board.ask(BoardRequest(act="heard", source="kick")).accepted
        listening.join()

    def test_what_breaks_the_session_leaves_nobody_waiting(self) -> None:
        board = Board()
        answers: list[BoardAnswer] = []
        person = threading.Thread(target=lambda: answers.append(board.ask(BoardRequest(act="heard", source="kick"))))
        person.start()

        def listen() -> None:
            while not board.answer(lambda _: BoardAnswer(accepted=bool(1 // 0))):
                pass

        with pytest.raises(ZeroDivisionError):
            listen()
        person.join(2.0)
        assert [answer.text for answer in answers] == ["the desk's computer does not answer; press again"]

    def test_it_is_over(self) -> None:
        board = Board()
        board.publish({"kind": "line-check"})
        assert board.newest()[:2] == (1, {"kind": "line-check"})
        board.end()
        assert board.ask(BoardRequest(act="heard")).text == "it is over: nothing is listened to any more"


class TestTheCourse:
    def test_it_goes_on_where_it_stopped(self, watch: Watch, tmp_path: Path) -> None:
        notes = [BoardNote(text="new skin", by="Ben", source="kick", time_s=3.0)]
        requests = Requests(watch, notes)
        for act, source in (("heard", "kick"), ("not-tonight", "bass")):
            requests.answer(BoardRequest(act=act, source=source, by="Ana"))  # type: ignore[arg-type]
        requests.answer(BoardRequest(act="player", source="keys", text="Ana"))
        CourseFile(tmp_path / ".deskhand", "2026-03-01", watch).write(notes, at_once=True)
        fresh = Watch(
            house=watch.house, inputs=watch.inputs, ring=watch.ring, sample_rate_hz=RATE_HZ, taps=watch.taps, players={}
        )
        left: list[BoardNote] = []
        told = CourseFile(tmp_path / ".deskhand", "2026-03-01", fresh).resume(left)
        assert told is not None
        assert broken_off(tmp_path / ".deskhand", "2026-03-01") == told[0]
        assert told[1] == 1
        assert (at_hand(fresh), fresh.players, left) == ("keys", {"keys": "Ana"}, notes)
        assert [row["word"] for row in picture(fresh)["inputs"]] == [row["word"] for row in picture(watch)["inputs"]]

    @pytest.mark.parametrize(
        "damage", ["another-evening", "other-inputs", "older", "from-the-future", "ended", "bytes", "turn", "state"]
    )
    def test_it_begins_anew(self, watch: Watch, tmp_path: Path, damage: str) -> None:
        course = CourseFile(tmp_path, "2026-03-01", watch)
        Requests(watch, []).answer(BoardRequest(act="heard", source="kick"))
        course.write([], at_once=True)
        file = tmp_path / FILE_NAME
        saved = json.loads(file.read_text("utf-8"))
        if damage == "ended":
            course.end()
        elif damage == "bytes":
            file.write_bytes(file.read_bytes()[:-30])
        else:
            saved |= {
                "another-evening": {"date": "2026-03-08"}, "older": {"saved": "2020-01-01T10:00:00+00:00"},
                "from-the-future": {"saved": "2999-01-01T10:00:00+00:00"}, "turn": {"turn": 99},
                "other-inputs": {"inputs": saved["inputs"][1:]}, "state": {"inputs": [saved["inputs"][0] | {"state": "x"}, *saved["inputs"][1:]]},
            }[damage]  # fmt: skip
            file.write_text(json.dumps(saved), "utf-8")
        fresh = Watch(
            house=watch.house, inputs=watch.inputs, ring=watch.ring, sample_rate_hz=RATE_HZ, taps=watch.taps, players={}
        )
        assert CourseFile(tmp_path, "2026-03-01", fresh).resume([]) is None
        if damage in ("another-evening", "older", "from-the-future", "ended", "bytes"):
            assert broken_off(tmp_path, "2026-03-01") == ""
        assert at_hand(fresh) == "kick"
        assert fresh.line.inputs[0].state == "waiting"

    def test_a_full_disk_keeps_nobody_from_going_on(self, watch: Watch, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("", "utf-8")
        CourseFile(tmp_path / "file" / "none", "2026-03-01", watch).write([], at_once=True)


def test_a_drum_is_not_soft_between_its_strokes(watch: Watch) -> None:
    """A stroke of 100 ms at -20 dBFS, then a second of silence: the loudest 300 ms hold a third of its power."""
    sine = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ // 10) / RATE_HZ)
    audio = np.zeros((len(NAMES), 11 * RATE_HZ // 10), np.float32)
    audio[0, : sine.size] = sine
    watch.ring.write(audio)
    watch.advance()
    assert float(watch.levels.newest_dbfs()[0]) < -100
    assert watch.levels.loudest_dbfs(0) == pytest.approx(-20 - 10 * np.log10(3), abs=0.05)


def test_a_device_that_is_gone_is_said(watch: Watch) -> None:
    shown = picture_of(watch, device="desk", state="gone")
    assert shown["gone"]
    assert shown["device"] == "desk is gone. Waiting for it; what was heard and recorded stands"


def test_what_is_urgent_stands_out_for_a_while(watch: Watch) -> None:
    watch._report("kick", "clipped", urgent=True)
    assert picture(watch)["urgent"] == "kick: clipped"
    watch.ring.write(np.zeros((len(NAMES), 10 * RATE_HZ), np.float32))
    watch.advance()
    assert picture(watch)["urgent"] == ""
    assert SimpleNamespace(**picture(watch)).messages == ["0:00  kick: clipped"]


def test_what_was_taken_back_stands_out_no_more(watch: Watch) -> None:
    loud = Finding(
        id="kick/swapped", kind="swapped", stage="tap", severity="fix", what="turn", track="kick", other="bass"
    )
    entry = watch.line.by_name["kick"]
    entry.reported[finding_key(loud)] = loud
    watch._report("kick", "7 dB above nominal", urgent=True, finding=finding_key(loud))
    assert picture(watch)["urgent"] == "kick: 7 dB above nominal"
    del entry.reported[finding_key(loud)]
    assert picture(watch)["urgent"] == ""
    # that it was told stays among what happened
    assert picture(watch)["messages"] == ["0:00  kick: 7 dB above nominal"]
