"""Ring-out: a conversation that never turns anything; rings, margins and cuts of loops whose limits are known.

Covers, in this order: the cautions come first; a whole conversation; how many cuts and how deep; answers that are not understood; writing down and
reading back; a simulated loop raised by hand; the command.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import parse_house
from deskhand.live.ring import Ring
from deskhand.live.ring_out import RingOut, ring_out_of
from deskhand.live.ring_out_listener import RingOutListener
from tests.support.feedback import RATE_HZ, Loop, made_path

HOUSE_TEXT = """
[house]
name = "Tern Street Hall"
[desk]
equaliser = { bells = 4, gain_step = "0.5 dB", frequency_step = "1/12 octave", q = [0.7, 1.4, 2.8, 5.6, 11] }
[[source]]
name = "snare"
role = "snare"
tracks = ["sn"]
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
[[source.send]]
mix = "wedge 1"
level = "-6 dB"
[[source]]
name = "playback"
role = "playback"
tracks = ["play"]
"""
HOUSE = parse_house(HOUSE_TEXT, Path("house.toml"))


def answered(state: RingOut, *answers: str) -> RingOut:
    for answer in answers:
        state = state.answered(answer)
        assert not state.problem, (answer, state.problem)
    return state


def rung(state: RingOut, hz: float, send: str) -> RingOut:
    return answered(state.rang(hz, 20.0), send)


def test_open_microphones_only_voices_first_and_every_caution_before_anything_is_raised():
    state = ring_out_of(HOUSE)
    assert [(pair.source, pair.mix) for pair in state.pairs] == [
        ("lead voice", "wedge 1"),
        ("snare", "its nearest wedge"),
    ]
    said = " ".join(state.cautions)
    for word in ("head", "in-ears out", "headphones off", "mute", "house loudspeakers down"):
        assert word in said
    assert state.listens_to is None
    # a level is no confirmation, and nothing rings before the cautions are confirmed
    assert state.answered("-6").step == "safe"
    assert state.rang(1000.0, 20.0) == state
    raised = answered(state, "yes", "-6")
    assert raised.listens_to == "lead voice"
    assert any("mute" in caution for caution in raised.cautions)


def test_a_whole_conversation():
    state = answered(ring_out_of(HOUSE), "yes")
    assert state.answers[0] == "-6"
    state = answered(state, "-6", "-5", "-4")
    state = state.rang(2490.0, 31.0)
    assert "Send down 6 dB now; mute lead voice" in state.sentence
    assert "first at 2.5 kHz" in state.sentence
    state = answered(state, "-4")
    # two dB above where it stands; the desk's twelfths of an octave from 1 kHz; narrow, but no narrower than Q 8
    [cut] = state.pair.cuts
    assert (cut.frequency_hz, cut.gain_db, cut.q) == (pytest.approx(2519.8, abs=0.1), -3.0, 5.6)
    assert "2 dB above where it stands" in state.sentence
    state = answered(state, "yes")
    assert state.pair.now_db == -10.0
    state = rung(answered(state, "-3", "-1"), 640.0, "-1")
    assert "second at 640 Hz" in state.sentence
    # seven dB are enough: nothing more is cut, and the first is still due
    state = answered(
        rung(answered(state, "yes"), 4100.0, "1"),
    )
    assert state.step == "told"
    assert state.pair.left_db == 7.0
    assert [ring.frequency_hz for ring in state.pair.rings] == [2490.0, 640.0, 4100.0]
    assert (
        "first at 2.5 kHz (send at -4 dB), second at 640 Hz (send at -1 dB), third at 4.1 kHz"
        in state.sentence.replace("\N{MINUS SIGN}", "-")
    )
    state = answered(state, "next", "skip")
    assert state.step == "over"
    assert "1 of 2" in state.sentence
    assert "6 dB left" in state.sentence


def test_a_send_that_has_enough_is_left_alone():
    state = answered(ring_out_of(HOUSE), "yes", "-6", "0", "+4")
    assert state.step == "told"  # ten dB above: loud enough for anybody
    assert state.pair.cuts == ()
    assert "did not ring" in state.sentence
    assert "Leave it as it is" in state.sentence
    again = answered(ring_out_of(HOUSE), "yes", "-6", "-2", "enough")
    assert "4 dB above where it stands" in again.sentence


def test_what_rings_where_it_stands_has_to_come_down():
    state = rung(answered(ring_out_of(HOUSE), "yes", "-6"), 800.0, "-6")
    assert "nothing is left" in state.sentence
    state = answered(state, "next")
    assert "send has to come down by 6 dB" in state.sentence
    assert "Less than 6 dB left: lead voice into wedge 1" in answered(state, "stop").sentence


def test_no_more_than_three_cuts_none_twice_as_deep_as_is_of_use():
    state = answered(ring_out_of(HOUSE), "yes", "-6")
    for number, hz in enumerate((500.0, 505.0, 498.0)):
        state = rung(state, hz, "-5")
        assert [cut.gain_db for cut in state.pair.cuts] == [(-3.0, -6.0, -6.0)[number]]
        if number < 2:
            state = answered(state, "yes")
    assert "move the microphone or the wedge" in state.sentence
    assert answered(state, "yes").step == "told"
    state = answered(ring_out_of(HOUSE), "yes", "-6")
    for hz in (500.0, 1000.0, 2000.0):
        state = answered(rung(state, hz, "-5"), "yes")
    state = rung(state, 4000.0, "-5")
    assert len(state.pair.cuts) == 3
    assert "No further cut" in state.sentence
    few = replace(ring_out_of(HOUSE), equaliser=replace(ring_out_of(HOUSE).equaliser, bells=1))
    few = answered(rung(answered(few, "yes", "-6"), 500.0, "-5"), "yes")
    assert len(rung(few, 1000.0, "-5").pair.cuts) == 1


def test_an_answer_that_is_not_understood_is_asked_again():
    state = answered(ring_out_of(HOUSE), "yes")
    for answer in ("loud", "", "1e9", "nan"):
        again = state.answered(answer)
        assert again.step == "stands"
        assert "Type a level in dB" in again.problem
    assert answered(state, "\N{MINUS SIGN}6,5 dB").pair.stands_db == -6.5


def test_the_state_is_written_down_and_read_back_at_every_step():
    states = [ring_out_of(HOUSE)]
    for answer in ("yes", "-6", "-5"):
        states.append(states[-1].answered(answer))
    states.append(states[-1].near(2.2))
    states.append(states[-1].rang(910.0, 12.0))
    for answer in ("-5", "yes", "enough", "next", "stop"):
        states.append(states[-1].answered(answer))
    for state in states:
        data = json.loads(json.dumps(state.data()))
        assert RingOut.of_data(data) == state
        assert data["sentence"]
        assert bool(data["question"]) == bool(data["answers"]) == (state.step != "over")
    assert "about 2 dB are left" in states[4].sentence


def loop_of(rng: np.random.Generator) -> Loop:
    path = made_path(rng, delay_s=0.009, direct=0.1, t60_s=0.4, below_db=6.0)
    path[:128] = 0.0
    return Loop(paths=path[None], sends=np.ones(1))


def test_a_loop_that_is_raised_by_hand_rings_where_it_must():
    """1 dB every three seconds, from 3 dB below the limit: a ring is told within two steps of the limit, at a frequency that rings."""
    rng = np.random.default_rng(12)
    loop = loop_of(rng)
    limit_db, _ = loop.limit()
    steps = 6
    gain_db = np.repeat(limit_db - 3.5 + np.arange(steps), 3 * RATE_HZ)
    played = 0.01 * rng.standard_normal((1, gain_db.size)) * (np.sin(np.arange(gain_db.size) * 2 * np.pi / RATE_HZ) > 0)
    heard = loop.heard_in_blocks(played, gain_db)
    ring = Ring.of(1, 30 * RATE_HZ)
    lead = next(source for source in HOUSE.source if source.name == "lead voice")
    listener = RingOutListener(
        state=answered(ring_out_of(HOUSE), "yes", "-6"), inputs=[(lead, (0,))], ring=ring, sample_rate_hz=RATE_HZ
    )
    rang_step = None
    for step in range(steps):
        ring.write(heard[:, step * 3 * RATE_HZ : (step + 1) * 3 * RATE_HZ])
        listener.advance()
        if listener.state.step == "rang":
            rang_step = step
            break
        listener.answer(f"{-6 + step + 1}")
    assert rang_step in (4, 5)  # half a dB, or one and a half, over the limit
    frequencies_hz, limits_db = loop.critical()
    ringing_hz = frequencies_hz[limits_db < limit_db + 2.0]
    assert min(abs(1200 * np.log2(listener.state.pair.rings[0].frequency_hz / ringing_hz))) < 100


def test_the_command_talks_and_writes_what_was_found(tmp_path):
    (tmp_path / "house.toml").write_text(HOUSE_TEXT)
    take = tmp_path / "take"
    take.mkdir()
    for name in ("sn", "vox", "play"):
        soundfile.write(take / f"{name}.wav", np.zeros(RATE_HZ), RATE_HZ, subtype="PCM_24")
    arguments = ["live", "--ring-out", "--replay", str(take), "--house", str(tmp_path / "house.toml"), "--fast"]
    result = CliRunner().invoke(main, [*arguments, "--json", str(tmp_path / "ring.json")], input="")
    assert result.exit_code == 0, result.output
    assert "Ring out the wedges with a helper" in result.output
    assert "in-ears out" in result.output
    assert "Is all of that so?" in result.output
    assert RingOut.of_data(json.loads((tmp_path / "ring.json").read_text())).pairs[0].source == "lead voice"
    wrong = CliRunner().invoke(main, [*arguments, "--microphone", "flute"])
    assert wrong.exit_code == 2
    assert "no open microphone in use" in wrong.output
    assert "lead voice" in wrong.output
    alone = CliRunner().invoke(main, ["live", "--microphone", "snare", "--replay", str(take)])
    assert alone.exit_code == 2
    assert len(alone.output.strip().splitlines()) == 1
