"""Ring-out that several people look on at: begun from the line check, answered by either, left again, and gone on with after the computer failed.

Covers, in this order: a whole one as the page shows it; presses that come too late; a tone that was none, a microphone that is muted; leaving and going
on; what stands on disk; the soundcheck beside it; the keys of the terminal; a tone during soundcheck and show.

Levels and margins are worked by hand from the levels that are answered: margin = send when it rang - send for the show.
"""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from rich.console import Console

from deskhand.language import choose_language
from deskhand.live.display import AudioFeed
from deskhand.live.picture import picture_of
from deskhand.live.ring import Ring
from deskhand.live.ring_out_file import FILE_NAME, RingOutFile
from deskhand.live.session import LiveOptions, listen_live
from deskhand.live.sharing import Sharing
from deskhand.live.soundcheck import Soundcheck
from deskhand.live.watch import Watch
from deskhand.tasks.check import CheckOptions
from tests.support.ring_out import HOUSE, INPUTS, NAMES, RATE_HZ, RingOutHall, ringing

if TYPE_CHECKING:
    from collections.abc import Iterator


def test_a_whole_one_from_the_line_check_and_back() -> None:
    hall = RingOutHall()
    assert hall.shown()["begin"] == "Ring out the wedges"
    assert hall.begin().accepted
    shown = hall.shown()
    said = " ".join(shown["cautions"]).lower()
    for word in (
        "head near a wedge",
        "in-ears out",
        "headphones off",
        "mute",
        "hearing protection",
        "rules of the place",
    ):
        assert word in said
    assert hall.labels() == ["Yes, all of that is so"]
    hall.pressed("yes")
    # the level of the house file is offered, another one may be typed
    assert hall.labels() == ["At −6 dB", "Leave this microphone out"]
    assert hall.shown()["level"] == "-6"
    hall.pressed("-6", "-5", "-4")
    assert hall.labels()[0] == "Up: at −3 dB now"
    hall.hear(ringing(2500.0))
    shown = hall.shown()
    assert shown["stop"]
    assert "Send down 6 dB now; mute lead voice" in shown["sentence"]
    assert shown["rang"] == ["First: 2.5 kHz (high middle, a whistle), growing by 20 dB a second"]
    hall.pressed("-4")
    shown = hall.shown()
    # the send was 2 dB above its level for the show
    assert shown["left"].startswith("Margin left: 2 dB,")
    assert shown["cuts"] == ["Bell at 2.5 kHz, −3 dB, Q 5.6"]
    assert shown["rang"] == [
        "First: 2.5 kHz (high middle, a whistle), 6 dB above the level now; 2 dB above its level for the show"
    ]
    hall.pressed("yes")
    # 6 dB down from where it rang, and up again
    assert hall.labels()[0] == "Up: at −9 dB now"
    assert hall.shown()["rang"][0].endswith("6 dB above the level now; 2 dB above its level for the show")
    hall.pressed("-1")
    assert hall.shown()["rang"][0].endswith("3 dB below the level now; 2 dB above its level for the show")
    hall.pressed("enough")
    assert hall.labels() == ["Send back at −6 dB: next microphone"]
    assert hall.shown()["to_come"] == ["choir into its nearest wedge"]
    hall.pressed("next")
    # no send is written down: none is offered
    assert hall.labels() == ["Leave this microphone out"]
    assert "5 dB are left before it rings" in hall.shown()["found"][0]
    hall.pressed("skip")
    shown = hall.shown()
    assert (shown["answers"], shown["question"], shown["leave"]) == ([], "", "Back to the line check")
    assert "1 of 2" in shown["sentence"]
    assert hall.leave().accepted
    shown = hall.shown()
    assert (shown["open"], shown["begin"], shown["anew"]) == (False, "Ring out the wedges", "")
    assert len(shown["found"]) == len(hall.ring_out.notes) == 1
    hall.listener.advance()
    assert picture_of(hall.listener, device="desk", state="running")["hand"]["source"] == "kick"


def test_a_press_counts_for_the_question_it_was_made_for() -> None:
    hall = RingOutHall()
    hall.begin()
    hall.pressed("yes", "-6")
    key = hall.shown()["key"]
    # of two who press at once one raises the level; a thumb that taps twice raises it once
    assert hall.press("-5", key, by="Ana").accepted
    second = hall.press("-5", key, by="Ben")
    assert (second.accepted, second.text) == (False, "somebody was quicker: read what stands there now")
    assert str(hall.listener.messages[-1]).endswith("lead voice: Ana: Up: at −5 dB now")
    # a ring that comes between a question and its answer
    key = hall.shown()["key"]
    hall.hear(ringing(900.0))
    assert not hall.press("-4", key).accepted
    assert hall.shown()["answers"][0]["answer"] == "-5"
    # neither a word nor an end is smuggled in where a level is asked
    for wrong in ("stop", "yes", "loud", "99", "nan", ""):
        refused = hall.press(wrong)
        assert (refused.accepted, refused.text[:23]) == (False, "type a level in dB, suc")
    assert hall.press(" \N{MINUS SIGN}4,5 dB").accepted
    assert hall.shown()["left"].startswith("Margin left: 1.5 dB,")


def test_what_was_no_ring_is_taken_back_and_what_does_not_stop_is_muted() -> None:
    hall = RingOutHall()
    hall.begin()
    hall.pressed("yes", "-6", "-5")
    hall.hear(ringing(900.0))
    assert hall.labels() == [
        "Yes, that was it; down, and quiet (it rang at −5 dB)",
        "Yes, and it is muted (it rang at −5 dB)",
        "No, that was no ring",
    ]
    hall.pressed("no")
    assert (hall.shown()["rang"], hall.labels()[0]) == ([], "Up: at −4 dB now")
    hall.hear(np.zeros(3 * RATE_HZ))
    hall.hear(ringing(1500.0))
    assert hall.shown()["rang"][0].startswith("First: 1.5 kHz")
    hall.pressed("muted")
    shown = hall.shown()
    # 6 dB below where it rang, before the microphone is opened
    assert shown["sentence"].endswith("lead voice is muted: its send to −11 dB before it is opened again.")
    hall.pressed("yes")
    assert "is muted" not in hall.shown()["sentence"]


def test_a_tone_that_goes_on_is_urgent() -> None:
    hall = RingOutHall()
    hall.begin()
    hall.pressed("yes", "-6")
    hall.hear(ringing(1500.0, 6.0, 12.0))
    picture = picture_of(hall.listener, device="desk", state="running", ring_out=hall.ring_out.picture())
    assert picture["urgent"] == "lead voice: 1.5 kHz builds up: mute lead voice now"


def test_the_line_check_hears_nothing_meanwhile() -> None:
    hall = RingOutHall()
    hall.begin()
    noise = 0.1 * np.random.default_rng(1).standard_normal(8 * RATE_HZ)
    hall.hear(noise, row=0)
    hall.leave()
    hall.listener.advance()
    assert isinstance(hall.listener, Watch)
    assert [entry.state for entry in hall.listener.line.inputs] == ["waiting"] * 3
    assert hall.listener.now_s == 8.0
    assert hall.listener.follower.late == 0
    hall.hear(noise, row=0)
    assert hall.listener.line.inputs[0].state == "arrived"


def test_it_is_left_and_gone_on_with_all_cautions_first() -> None:
    hall = RingOutHall()
    assert not hall.press("yes", "0 safe 0 None []").accepted
    hall.begin()
    hall.pressed("yes", "-6", "-5")
    hall.leave()
    assert picture_of(hall.listener, device="desk", state="running")["urgent"] == (
        "lead voice: Bring the send of lead voice to wedge 1 back to −6 dB"
    )
    shown = hall.shown()
    assert shown["begin"] == "Go on with the ring-out: lead voice into wedge 1"
    assert shown["anew"] == "Ring out from the start"
    hall.begin()
    assert hall.labels() == ["Yes, all of that is so"]
    hall.pressed("yes")
    assert "number 1 of 2" in hall.shown()["sentence"]
    hall.leave()
    hall.begin("anew")
    assert hall.ring_out.state is not None
    assert hall.ring_out.state.pairs[0].stands_db is None


class TestOnDisk:
    def broken_off(self, folder: Path, *answers: str) -> None:
        hall = RingOutHall(file=RingOutFile(folder, "2026-03-01"))
        hall.begin()
        hall.pressed("yes", "-6", "-5")
        hall.hear(ringing(900.0))
        hall.pressed(*answers)

    def test_a_computer_that_fails_loses_nothing_that_was_found(self, tmp_path: Path) -> None:
        self.broken_off(tmp_path, "-5", "next", "next")
        hall = RingOutHall(file=RingOutFile(tmp_path, "2026-03-01"))
        hall.ring_out.resume()
        assert not hall.ring_out.is_open
        assert hall.shown()["begin"] == "Go on with the ring-out: choir into its nearest wedge"
        assert "rang first at 900 Hz (send at −5 dB)" in hall.shown()["found"][0]
        # where a send was left high, it is said before anything else
        assert "bring every send back" in picture_of(hall.listener, device="desk", state="running")["urgent"]

    def test_a_ring_that_nobody_answered_is_asked_again(self, tmp_path: Path) -> None:
        self.broken_off(tmp_path)
        hall = RingOutHall(file=RingOutFile(tmp_path, "2026-03-01"))
        hall.ring_out.resume()
        hall.begin()
        hall.pressed("yes", "-6")
        assert hall.shown()["rang"] == []

    @pytest.mark.parametrize(
        "damage", ["another-evening", "older", "bytes", "turn", "step", "number", "other-microphones"]
    )
    def test_what_is_not_tonight_s_is_passed_over(self, tmp_path: Path, damage: str) -> None:
        self.broken_off(tmp_path, "-5")
        file = tmp_path / FILE_NAME
        saved = json.loads(file.read_text("utf-8"))
        state = saved["ring_out"]
        if damage == "bytes":
            file.write_bytes(file.read_bytes()[:-30])
        else:
            pair = state["pairs"][0]
            saved |= {
                "another-evening": {"date": "2026-03-08"},
                "older": {"saved": "2020-01-01T10:00:00+00:00"},
                "turn": {"ring_out": state | {"turn": 7}},
                "step": {"ring_out": state | {"step": "loud"}},
                "number": {"ring_out": state | {"pairs": [pair | {"stands_db": "much"}, *state["pairs"][1:]]}},
                "other-microphones": {"ring_out": state | {"pairs": [pair | {"source": "flute"}]}},
            }[damage]
            file.write_text(json.dumps(saved), "utf-8")
        hall = RingOutHall(file=RingOutFile(tmp_path, "2026-03-01"))
        hall.ring_out.resume()
        assert hall.shown()["begin"] == "Ring out the wedges"

    def test_a_full_disk_keeps_nobody_from_going_on(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("", "utf-8")
        self.broken_off(tmp_path / "file" / "none", "-5")


def soundcheck(phase: str) -> Soundcheck:
    return Soundcheck(
        house=HOUSE,
        house_file=Path("house.toml"),
        names=list(NAMES),
        ring=Ring.of(len(NAMES), 40 * RATE_HZ),
        sample_rate_hz=RATE_HZ,
        request=CheckOptions(phase=phase),  # type: ignore[arg-type]
        inputs=INPUTS,
    )


@pytest.mark.parametrize(
    ("phase", "first"),
    [
        ("rehearsal", "mute it now, then turn down its send to wedge 1"),
        ("show", "its send to wedge 1 down 3 to 6 dB; mute it if it still grows"),
    ],
)
def test_what_builds_up_at_soundcheck_and_show_stands_while_it_sounds(phase: str, first: str) -> None:
    listener = soundcheck(phase)
    listener._due_s = 1e9  # tones alone
    hall = RingOutHall(listener)
    hall.hear(ringing(1500.0, 4.0, 15.0))
    level = 10 ** (-15.0 / 20)
    hall.hear(level * np.sin(2 * np.pi * 1500.0 * np.arange(9 * RATE_HZ) / RATE_HZ))
    picture = picture_of(hall.listener, device="desk", state="running")
    # longer than an urgent line stands by itself
    assert picture["urgent"].startswith("lead voice: 1.5 kHz")
    assert any(first in told for told in picture["rang"]), picture["rang"]
    hall.hear(np.zeros(9 * RATE_HZ))
    picture = picture_of(hall.listener, device="desk", state="running")
    assert picture["urgent"] == ""
    assert picture["rang"]


def test_a_soundcheck_checks_nothing_of_a_ring_out() -> None:
    hall = RingOutHall(soundcheck("rehearsal"))
    hall.hear(np.zeros(10 * RATE_HZ))
    hall.begin()
    assert hall.shown()["leave"] == "Leave it: back to the soundcheck"
    hall.hear(np.zeros(12 * RATE_HZ))
    hall.leave()
    hall.listener.advance()
    assert isinstance(hall.listener, Soundcheck)
    # 22 s have gone by, of which it heard ten, and those before the ring-out
    assert not hall.listener.checking
    hall.listener.command("c")
    assert not hall.listener.checking
    hall.listener.finish()


def test_a_session_begins_with_it_and_hears_no_line_check(tmp_path: Path) -> None:
    """A recording in which everybody plays from the first second: nobody has had a turn."""
    take = tmp_path / "take"
    take.mkdir()
    (tmp_path / "house.toml").write_text(
        "".join(f'[[source]]\nname = "{name}"\nrole = "lead vocal"\ntracks = ["{name}"]\n' for name in ("ana", "ben"))
        + '[house]\nname = "Tern Street Hall"\n'
    )
    for seed, name in enumerate(("ana", "ben")):
        noise = 0.1 * np.random.default_rng(seed).standard_normal(4 * RATE_HZ)
        soundfile.write(take / f"{name}.wav", noise, RATE_HZ, subtype="PCM_24")
    told = io.StringIO()
    options = LiveOptions(replay=take, house=tmp_path / "house.toml", fast=True, ring_out=True)
    outcome = listen_live(options, Console(file=told, width=200), keyboard=False)
    assert "the ring-out begins" in told.getvalue()
    assert "arrived" not in told.getvalue()
    assert not outcome.result.sources
    # practice leaves nothing behind
    assert not (tmp_path / ".deskhand").exists()


def test_nothing_is_rung_out_during_a_show() -> None:
    hall = RingOutHall(soundcheck("show"))
    refused = hall.begin()
    assert (refused.accepted, refused.text) == (False, "not during the show: a send is raised until it rings")
    assert (hall.shown()["begin"], hall.ring_out.is_open) == ("", False)


def test_keys_go_to_whoever_asks() -> None:
    """A name that is typed holds a q and an r; during a ring-out only q is for the session."""
    hall = RingOutHall()
    feed = AudioFeed(audio=None, track_names=None, label="desk")  # type: ignore[arg-type]  # nothing is listened to
    sharing = Sharing(None, None, hall.listener, feed, hall.ring_out)
    assert isinstance(hall.listener, Watch)
    assert [sharing.obey(pressed) for pressed in ("", "q", "n")] == [False, False, False]
    assert all(sharing.obey(pressed) for pressed in ("w", *"Qurro", "q", "\n"))
    assert hall.listener.players == {"kick": "Qurroq"}
    assert not hall.ring_out.is_open
    assert sharing.obey("r")
    assert hall.ring_out.is_open
    assert [sharing.obey(pressed) for pressed in ("n", "x", "q")] == [True, True, False]
    assert hall.listener.line.turn == 0
    assert all(sharing.obey(pressed) for pressed in "11")
    # the end of the session leaves nobody with a send that is raised
    sharing.end(is_ended=True)
    assert not hall.ring_out.is_open
    assert hall.listener.messages[-1].text == "Bring the send of lead voice to wedge 1 back to −6 dB"


def test_the_terminal_answers_by_number() -> None:
    hall = RingOutHall()
    for pressed in ("r", "1", "1", "1"):
        assert hall.ring_out.obey(pressed)
    assert hall.shown()["sentence"].startswith("lead voice into wedge 1: up 1 dB")
    assert hall.labels()[0] == "Up: at −4 dB now"
    hall.ring_out.obey("9")
    hall.ring_out.obey("r")
    assert not hall.ring_out.is_open
    assert not hall.ring_out.obey("1")


@pytest.fixture
def _german() -> Iterator[None]:
    choose_language("de")
    yield
    choose_language("en")


@pytest.mark.usefixtures("_german")
def test_it_is_told_in_german() -> None:
    hall = RingOutHall()
    hall.begin()
    hall.pressed("yes", "-6")
    hall.hear(ringing(900.0))
    assert hall.shown()["sentence"] == "Den Send jetzt 6 dB herunter; lead voice stumm, wenn es nicht aufhört."
    hall.pressed("muted", "yes")
    hall.hear(np.zeros(3 * RATE_HZ))
    hall.hear(ringing(300.0))
    first, second = hall.shown()["rang"]
    assert first.startswith("Zuerst: 900 Hz (Mitten, ein Heulen), beim Pegel")
    assert "Zweites: 300 Hz (tiefe Mitten, ein Hupen)" in second
    assert hall.shown()["to_come"] == ["choir auf seine nächste Monitorbox"]
