"""The course of a line check: turns, who came at whose, and what is told and taken back. Levels and findings are made up here.

Covers, in this order: turns; who is passed over or comes late; exchanged inputs, and those that only look like it; what a
microphone overhears; findings that settle; the summary.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

from deskhand.findings import say
from deskhand.house import Source
from deskhand.live.line import ARRIVED_S, PatchList, not_heard_yet, summary
from tests.support.examples import example

if TYPE_CHECKING:
    from deskhand.findings import Finding

STEP_S = 0.1
FLOOR_DBFS = -85.0
NAMES = ("a", "b", "c", "d")


@dataclass
class Stretch:
    findings: tuple[Finding, ...] = ()


@dataclass
class Check:
    """A line check that is told who plays."""

    line: PatchList
    now_s: float = 0.0
    found: dict[str, list[Finding]] = field(default_factory=dict)

    def play(
        self, name: str | None, length_s: float, *, level_dbfs: float = -20.0, hears: dict[str, float] | None = None
    ) -> None:
        """Someone plays, or nobody; each input is looked at every half second while it sounds."""
        for _ in range(round(length_s / STEP_S)):
            self.now_s = round(self.now_s + STEP_S, 6)
            levels = [
                level_dbfs if one.source.name == name else (hears or {}).get(one.source.name, FLOOR_DBFS)
                for one in self.line.inputs
            ]
            self.line.sound(self.now_s, levels, [FLOOR_DBFS] * len(levels), step_s=STEP_S)
            for one in self.line.inputs:
                if (
                    one.sounding
                    and not one.overhears
                    and self.line.playing_s(one) >= 2.0
                    and round(self.now_s * 10) % 5 == 0
                ):
                    self.look(one.source.name)

    def look(self, name: str, **options: Any) -> list[Finding]:
        stretch: Any = Stretch(findings=tuple(self.found.get(name, ())))
        return self.line.look(self.line.by_name[name], stretch, (), self.now_s, **options)

    def turn(self, name: str, length_s: float = 6.0) -> None:
        """Someone plays for a while, and stops."""
        self.play(name, length_s)
        self.play(None, 2.5)

    def of(self, name: str) -> Any:
        return self.line.by_name[name]


def check(*roles: str) -> Check:
    given = roles or ("guitar",) * len(NAMES)
    sources = [Source(name=name, role=role, tracks=[name]) for name, role in zip(NAMES, given, strict=False)]
    return Check(line=PatchList([(source, (at,)) for at, source in enumerate(sources)]))


CASES = {
    "clipped": ("full-scale", {"count_words": "3"}),
    "hum": ("hum", {"below_db": 30.0, "lines_hz": [50.0, 100.0]}),
    "level-high": ("above", {"off_db": 6.0, "after_gains": ""}),
    "level-low": ("below", {"off_db": 6.0, "after_gains": ""}),
    "one-sided": ("silent", {}),
}


def finding(kind: str, severity: str = "fix") -> Finding:
    return example(kind, severity, source="x")


def test_one_after_the_other():
    run = check()
    for name in NAMES:
        assert run.line.awaited is run.of(name)
        run.turn(name)
        assert run.of(name).state == "arrived"
        assert run.of(name).arrived_s - run.of(name).began_s <= ARRIVED_S + 0.6
    assert run.line.awaited is None
    assert all(one.verdict == "well" and not one.reported for one in run.line.inputs)
    assert summary(run.line) == "4 of 4 arrived, all clean"


def test_a_knock_is_no_player():
    run = check()
    run.play("a", 0.4)
    run.play(None, 3.0)
    assert run.of("a").state == "waiting"
    assert run.of("a").began_s is None
    run.turn("a")
    assert run.of("a").state == "arrived"


def test_the_operator_skips_and_comes_back():
    run = check()
    run.line.skip()
    assert run.of("a").state == "skipped"
    run.turn("b")
    assert run.line.awaited is run.of("c")
    run.line.not_tonight()
    assert run.line.awaited is run.of("d")
    run.line.back()
    # leaving it out is taken back, and done again by whoever goes on back
    assert (run.line.awaited, run.of("c").state) == (run.of("c"), "waiting")
    run.line.back()
    assert run.line.awaited is run.of("b")
    assert run.of("c").state == "not tonight"
    run.line.back()
    assert run.line.awaited is run.of("a")
    run.turn("a")
    assert run.of("a").state == "arrived"
    assert not run.of("a").reported
    assert "2 of 3 arrived" in summary(run.line)


def test_what_was_left_out_by_mistake_is_taken_back():
    run = check()
    run.found["a"] = [finding("level-low")]
    run.turn("a")
    run.line.back()
    run.line.not_tonight()
    assert run.of("a").verdict == "not tonight"
    assert not run.of("a").findings
    run.line.back()
    # arrived, with what was told of it
    assert run.line.awaited is run.of("a")
    assert (run.of("a").state, [told.kind for told in run.of("a").findings]) == ("arrived", ["level-low"])
    run.line.skip()
    run.line.not_tonight()
    run.line.back()
    run.turn("b")
    assert run.of("b").state == "arrived"
    assert "2 of 4 arrived" in summary(run.line)


def test_the_inputs_whose_turn_has_not_come_are_not_heard_yet():
    run = check("guitar", "audience", "guitar", "guitar")
    assert not_heard_yet(run.line) == ["a", "b", "c", "d"]
    run.turn("a")
    assert not_heard_yet(run.line) == ["b", "c", "d"]
    run.turn("c")
    # only the last was asked, and nothing came: that is no breaking off
    assert not_heard_yet(run.line) == []
    run.turn("d")
    assert not_heard_yet(run.line) == []


def test_who_comes_late_is_not_accused():
    run = check()
    run.line.skip()
    run.turn("a")
    assert run.of("a").state == "arrived"
    assert not run.of("a").reported
    # and it is still the turn of the one who was asked
    assert run.line.awaited is run.of("b")


def test_two_inputs_at_each_others_turn_are_asked_about():
    """Crossed cables, or players out of order: the signals are the same, so that a person has to say who played."""
    run = check()
    run.turn("a")
    run.turn("d")
    [told] = run.of("d").reported.values()
    assert (told.kind, told.severity) == ("swapped", "listen")
    assert (told.track, told.other) == ("d", "b")
    assert "b was expected, but d is the input that played: who was playing?" in say(told)
    assert "who was playing? If it was b, its cable is in d's input" in say(told)
    # said while it plays, well within five seconds
    assert run.of("d").reported_s["swapped/turn"] - run.of("d").began_s <= 2.0
    run.turn("c")
    assert not run.of("c").reported
    run.turn("b")
    # one question for both
    assert not run.of("b").reported
    [told] = run.of("d").reported.values()
    assert (told.kind, told.severity) == ("swapped", "listen")
    assert "b was expected, but d is the input that played, and the other way round: who was playing?" in say(told)
    assert "If it was b, its cable is in d's input, and d's in b's" in say(told)
    assert summary(run.line) == "4 of 4 arrived, 2 clean; ask who was playing: b, d"


@pytest.mark.parametrize("order", [pytest.param(order, id="".join(order)) for order in itertools.permutations(NAMES)])
def test_players_out_of_order_are_no_fault(order: tuple[str, ...]):
    """All cables are right: whatever the order, nobody is told to pull one, and nothing is to fix before doors."""
    run = check()
    for name in order:
        run.turn(name)
        told = [finding for one in run.line.inputs for finding in one.findings]
        assert all(finding.severity == "listen" for finding in told)
        assert not any(
            "ask-then-swap" in finding.advice or "swap" in say(finding) or "exchange" in say(finding)
            for finding in told
        )
    assert all(one.state == "arrived" for one in run.line.inputs)
    assert all(one.verdict in ("well", "listen") for one in run.line.inputs)


def test_the_summary_does_not_call_the_place_right_while_it_is_asked_about():
    run = check()
    for name in "bacd":
        run.turn(name)
    assert summary(run.line) == ("4 of 4 arrived, 2 clean; ask who was playing: a, b")


def test_half_a_second_of_pause_ends_a_turn_only_where_another_plays():
    """A singer breathes for 1.2 s with nobody else sounding: the turn is still theirs; where the next one begins, it is over."""
    breath = check()
    breath.play("a", 4.0)
    breath.play(None, 1.2)
    assert breath.line.awaited is breath.of("a")
    following = check()
    following.play("a", 4.0)
    following.play(None, 0.3)
    following.play("b", 0.9)
    assert following.line.awaited is following.of("b")


def test_neighbours_exchanged():
    run = check()
    run.turn("b")
    run.turn("a")
    assert run.of("b").reported["swapped/turn"].severity == "listen"
    assert not run.of("a").reported
    run.turn("c")
    run.turn("d")
    assert not run.of("c").reported
    assert not run.of("d").reported


@pytest.mark.parametrize("heard_itself", ["b", "a"], ids=["first", "second"])
def test_who_sounds_like_itself_is_not_asked_about(heard_itself: str):
    """With kept weeks the sound answers; the question waits for it, and is put when the playing ends without an answer."""
    run = check()
    run.line = PatchList([(entry.source, entry.rows) for entry in run.line.inputs], ask_after_s=5.0)
    run.play("b", 4.0)
    assert not run.of("b").reported
    assert run.line.rivals(run.of("b")) == ["a"]
    if heard_itself == "b":
        run.line.answer(run.of("b"))
    run.play("b", 4.0)
    assert bool(run.of("b").reported) == (heard_itself == "a")
    run.play(None, 2.5)
    run.play("a", 4.0)
    if heard_itself == "a":
        # a is not b: so nor can b be a
        assert run.line.rivals(run.of("a")) == ["b"]
        run.line.answer(run.of("a"))
    run.play(None, 2.5)
    assert not any(entry.reported for entry in run.line.inputs)
    assert summary(run.line) == "2 of 4 arrived, all clean"


def test_a_question_that_the_sound_has_not_answered_is_put_when_the_playing_ends():
    run = check()
    run.line = PatchList([(entry.source, entry.rows) for entry in run.line.inputs], ask_after_s=5.0)
    run.play("b", 3.0)
    assert not run.of("b").reported
    run.play(None, 2.5)
    assert [told.what for told in run.of("b").findings] == ["turn"]


def test_who_was_only_early_is_let_off():
    run = check()
    run.play("b", 4.0)
    assert run.of("b").reported
    run.play(None, 0.3)
    run.turn("a")
    assert not run.of("b").reported
    assert not run.of("a").reported
    run.turn("c")
    run.turn("d")
    assert not any(one.reported for one in run.line.inputs)


def test_inputs_that_nobody_plays_when_asked():
    run = check("audience", "guitar", "guitar", "guitar")
    run.turn("b")
    assert run.of("b").state == "arrived"
    assert not run.of("b").reported
    assert run.of("a").state == "waiting"


def test_what_a_microphone_overhears_is_not_its_player():
    run = check()
    run.turn("a")
    run.found["a"] = [finding("level-low")]
    # b plays, and the microphone of a, already checked, hears it 10 dB below
    run.play("b", 6.0, hears={"a": -30.0, "c": -45.0})
    run.play(None, 2.5)
    assert not run.of("a").reported
    assert run.of("c").state == "waiting"
    assert run.of("b").state == "arrived"


@pytest.mark.parametrize(
    ("below_db", "sounds"), [pytest.param(14.0, True, id="14-db"), pytest.param(16.0, False, id="16-db")]
)
def test_how_far_below_the_loudest_an_input_still_sounds_itself(below_db: float, sounds: bool):
    # both are far above their floor, and nobody has had a turn: only the distance tells
    run = check()
    run.play("a", 1.0, hears={"b": -20.0 - below_db})
    assert run.of("a").sounding
    assert run.of("b").sounding is sounds


def test_a_finding_is_told_when_seen_twice_and_taken_back_when_missed_three_times():
    run = check()
    run.play("a", 2.4)
    run.found["a"] = [finding("clipped")]
    one = run.of("a")
    assert run.look("a") == []
    assert [finding.kind for finding in run.look("a")] == ["clipped"]
    assert one.verdict != "fix"
    run.play("a", 1.0)
    assert one.verdict == "fix"
    run.found["a"] = []
    run.look("a")
    run.look("a")
    assert one.reported
    run.look("a")
    assert not one.reported


def test_what_is_heard_in_pauses_stands_while_there_is_none():
    run = check()
    run.play("a", 3.0)
    run.found["a"] = [finding("hum"), finding("level-high")]
    for _ in range(2):
        run.look("a")
    run.found["a"] = []
    for _ in range(3):
        run.look("a", with_pause=False)
    assert [told.kind for told in run.of("a").reported.values()] == ["hum"]
    for _ in range(3):
        run.look("a", with_pause=True)
    assert not run.of("a").reported


def test_the_summary_names_what_is_to_be_done():
    run = check()
    run.found["b"] = [finding("one-sided")]
    for name in "abc":
        run.turn(name)
    assert summary(run.line) == "3 of 4 arrived, 2 clean; b: keys r is silent"


def test_digital_silence_is_no_floor():
    import numpy as np

    from deskhand.live.levels import Levels

    levels = Levels(1)
    for _ in range(20):
        levels.take(np.zeros((1, 4800), np.float32))
    assert levels.floor_dbfs()[0] == pytest.approx(-50.0)
    rng = np.random.default_rng(1)
    # white noise of -70 dBFS (AES17: a sine's RMS is 0)
    noise = (10 ** (-70 / 20) / 2**0.5 * rng.standard_normal((1, 40, 4800))).astype(np.float32)
    for hop in range(40):
        levels.take(noise[:, hop])
    assert levels.newest_dbfs()[0] == pytest.approx(-70.0, abs=0.2)
    assert levels.floor_dbfs()[0] == pytest.approx(-70.0, abs=0.3)
    for hop in range(40 * 40):
        levels.take(noise[:, hop % 40])
    assert levels.count == 20 + 41 * 40
    # it plays for six of seven seconds: what lies under it is heard in the others
    loud = (10 ** (-20 / 20) / 2**0.5 * rng.standard_normal((1, 4800))).astype(np.float32)
    for hop in range(700):
        levels.take(loud if hop % 70 < 60 else noise[:, hop % 40])
    assert levels.floor_dbfs()[0] == pytest.approx(-70.0, abs=0.5)
