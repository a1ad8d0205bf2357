"""Sentences of moves and the house file they are written into.

Covers, in this order: the catalogue; one sentence of each form; a fault's own words; cautions; a chain that is written in one line.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from deskhand.findings import KINDS, Finding, say
from deskhand.house import SourceEdit, parse_house, with_edits
from deskhand.moves.answers import with_answers
from deskhand.moves.move import Move, Setting, cautions
from deskhand.moves.text import with_sentences
from deskhand.moves.week import edit_of
from tests.support.examples import example

CATALOGUE = tomllib.loads(resources.files("deskhand.moves").joinpath("texts.toml").read_text("utf-8"))
BELL = Move(
    where="channel",
    block="bell",
    index=1,
    on="both",
    settings={
        "frequency": Setting(before=1410.0, after=1590.0, unit="Hz"),
        "gain": Setting(before=-2.5, after=-4.0, unit="dB"),
        "q": Setting(before=1.4, after=2.0, unit="1"),
    },
    who_hears=("house", "stream"),
    action="bell-or-shelf",
    facts={"off_db": 3.14, "off_after_db": 1.27},
)


@pytest.mark.parametrize("side", ["left", "right", "mid", "side", "both"])
def test_a_move_of_one_side_is_written_for_that_side(side: str) -> None:
    setting = {"gain": Setting(before=0.0, after=-3.0, unit="dB")}
    move = replace(BELL, id="x", block="trim", index=None, place=0, on=side, settings=setting)
    [(place, block)] = edit_of([move]).new_blocks
    assert (place, block["block"], block.get("on", "both")) == (0, "trim", side)


@pytest.mark.parametrize("action", CATALOGUE["move"])
def test_every_action_says_what_to_turn_what_it_does_and_how_to_undo_it(action: str) -> None:
    assert set(CATALOGUE["move"][action]) == {"answers", "text", "effect", "undo"}
    assert all(CATALOGUE["move"][action].values())


def test_every_action_was_read_against_three_kinds_of_house() -> None:
    assert set(CATALOGUE["reading"]) == set(CATALOGUE["move"])
    for action, entry in CATALOGUE["reading"].items():
        assert set(entry) <= {"who", "ears", "wedges", "stream"}, action
        assert all(entry.values())


ANSWERS = {kind.answered_by for kind in KINDS.values() if kind.answered_by}


@pytest.mark.parametrize("action", CATALOGUE["move"])
def test_every_action_answers_a_kind_of_finding(action: str) -> None:
    """Each names what it answers, and stands under a finding of such a kind, not under a more urgent one of its source."""
    answer = CATALOGUE["move"][action]["answers"]
    if action == "instruction":
        assert answer == "its finding"
        return
    assert answer in ANSWERS
    kind = next(kind for kind in KINDS.values() if kind.answered_by == answer)
    answered = example(kind.name, "listen", source="x", metric=kind.answered_metric)
    louder = example("hum", "fix", source="x")
    assert answered.kind != louder.kind
    [move] = with_answers([replace(BELL, action=action)], [louder, answered])
    assert move.finding == "x/" + kind.name
    # room for a voice is given by others
    [move] = with_answers([replace(BELL, action=action)], [louder], [answered])
    assert move.finding == "x/" + kind.name


def test_a_move_that_only_follows_another_answers_the_same() -> None:
    level = example("level-low", "listen", source="bass")
    moves = with_answers([replace(BELL, action="trim"), replace(BELL, action="threshold")], [level])
    assert [move.finding for move in moves] == ["bass/level-low", "bass/level-low"]
    assert with_answers([replace(BELL, action="threshold")], [])[0].finding is None
    reduction = example("dynamics", "note", source="bass")
    moves = with_answers([replace(BELL, action="trim"), replace(BELL, action="threshold")], [level, reduction])
    assert [move.finding for move in moves] == ["bass/level-low", "bass/dynamics"]


def test_sentences_are_made_of_the_settings_and_the_facts() -> None:
    told = with_sentences(BELL, [])
    assert told.text == "bell from −2.5 dB at 1.41 kHz, Q 1.4 to −4 dB at 1.59 kHz, Q 2"
    assert told.effect == "tone from 3.1 to 1.3 dB off what is usual on average, with those above"
    assert told.undo == "set it back to −2.5 dB at 1.41 kHz, Q 1.4"
    side = replace(
        BELL, block="trim", on="right", action="side-trim",
        facts={"change_db": -4.0, "back_db": 4.0, "balance_db": 6.04, "balance_after_db": 2.04, "usual_db": 2.0},
    )  # fmt: skip
    told = with_sentences(side, [])
    assert told.text == "right trim −4 dB, once the two gains at the player's end are seen to be right"
    assert told.effect == "right against left from +6 dB to +2 dB, where +2 dB is usual"
    assert told.undo == "set its right trim back by +4 dB"


def test_an_action_or_a_number_that_is_not_there_is_no_empty_sentence() -> None:
    for wrong in (replace(BELL, action="dance"), replace(BELL, facts={})):
        with pytest.raises(KeyError):
            with_sentences(wrong, [])


def test_what_is_no_setting_says_what_its_finding_says() -> None:
    finding = Finding(
        id="voice 3/unmatched-track", kind="unmatched-track", stage="tap", severity="note", what="track", track="vox 3"
    )
    other = replace(finding, id="voice 3/unmatched-track-2", what="near", facts={"near": "vox 2"})
    move = replace(BELL, block=None, settings={}, action="instruction", facts={"finding": finding.id})
    assert with_sentences(move, [other, finding]).text == say(finding)


@pytest.mark.parametrize(
    ("raises", "microphone", "monitors", "names"),
    [
        (True, True, True, ("feedback", "tell-stage")),
        (True, True, False, ("feedback",)),
        (True, False, True, ("tell-stage",)),
        (False, True, False, ()),
    ],
)
def test_cautions(raises: bool, microphone: bool, monitors: bool, names: tuple[str, ...]) -> None:
    """Common practice, no source: only what gets louder feeds back, and players are told of what they hear."""
    hearers = ("house", "monitors", "stream") if monitors else ("house", "stream")
    named = cautions(hearers, raises=raises, open_microphone=microphone)
    assert named == names
    told = with_sentences(replace(BELL, cautions=named), [])
    assert ("mind feedback" in told.text, "the players hear it" in told.text) == (raises and microphone, monitors)


@pytest.mark.source("TOML 1.0.0, Inline Table and Array: read back by Python's tomllib")
def test_a_chain_in_one_line_takes_new_blocks_and_changes() -> None:
    text = (
        '[house]\nname = "Tern Street Hall"\n[[source]]\nname = "bass"\nrole = "bass"\ntracks = ["bass"]\n'
        'chain = [{ block = "bell", frequency = "400 Hz", gain = "-2 dB", q = 1 }]  # boxy\n'
    )
    edit = SourceEdit(
        keys={"fader": "-4 dB"},
        settings=[(0, {"gain": "-3 dB"})],
        new_blocks=[
            (0, {"block": "trim", "gain": "2 dB"}),
            (2, {"block": "high-shelf", "frequency": "8 kHz", "gain": "1 dB"}),
        ],
    )
    written = with_edits(text, {"Bass": edit})
    assert "# boxy" in written
    [source] = tomllib.loads(written)["source"]
    assert source["fader"] == "-4 dB"
    assert [(block["block"], block["gain"]) for block in source["chain"]] == [
        ("trim", "2 dB"), ("bell", "-3 dB"), ("high-shelf", "1 dB")
    ]  # fmt: skip
    assert len(parse_house(written, Path("week.toml")).source[0].chain) == 3
