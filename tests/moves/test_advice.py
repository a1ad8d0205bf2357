"""Advice on level: what is clipped, what is set back beside a gain, and what is left once it is carried out.

Covers, in this order: clipping; headroom; level at and after line check; fader and sends; raising an open microphone; polarity;
the equaliser's level; thresholds; sentences. Moves before the tap are carried out on the audio with numpy, those behind it by the house
file that is written, and everything is judged again.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from deskhand.chain.shaped import equaliser_db
from deskhand.house import make_block, parse_house
from deskhand.measure.readings import read_source
from deskhand.measure.uncut import uncut_peaks
from deskhand.moves.level import agreed
from deskhand.moves.text import remark_text, with_sentences
from tests.support.advice import Check, house_text
from tests.support.feed import figures_of
from tests.support.signals import RATE_HZ, pink, plucks, sine, speech_like

Array = np.ndarray

LENGTH_S: Final = 16.0


@functools.cache
def voice(level_dbfs: float, seed: int = 5) -> Array:
    """Speech-like noise at a level by its own reading; not to be written into."""
    sound = speech_like(np.random.default_rng(seed), LENGTH_S, level_dbfs)
    level = read_source(figures_of(sound), (0,), strikes=False, mains_hz=50.0).readings.level_dbfs
    assert level is not None
    return sound * 10 ** ((level_dbfs - level) / 20)


def gain(db: float) -> float:
    return float(10 ** (db / 20))


def too_hot(sound: Array, hot_db: float) -> Array:
    """A take whose highest peak lies above full scale by that much, clipped there."""
    return np.clip(sound / np.abs(sound).max() * gain(hot_db), -1.0, 1.0)


@pytest.mark.source("Geometry: a sine of amplitude A cut at 1 would have reached A")
@pytest.mark.parametrize("over_db", [1.0, 3.0, 6.0, 10.0, 15.0])
def test_the_peak_of_a_cut_sine_is_told_from_below(over_db: float) -> None:
    wave = np.clip(sine(200.0, 0.2, level_dbfs=over_db), -1.0, 1.0).astype(np.float32)
    cut = np.abs(wave) == 1.0
    starts = np.flatnonzero(cut[1:] & ~cut[:-1])[1:-1] + 1
    told_db = 20 * np.log10(uncut_peaks(wave, starts).astype(np.float64))
    assert np.all(told_db <= over_db + 0.1)
    assert np.all(told_db >= over_db - 2.5)


@pytest.mark.parametrize("hot_db", [5.0, 8.0, 16.0, 25.0, 35.0])
@pytest.mark.parametrize("line_check", [True, False])
def test_a_clipped_input_is_turned_down_by_at_least_what_shows(hot_db: float, line_check: bool) -> None:
    sound = voice(-18.0)
    take = Check(too_hot(sound, hot_db), house_text("lead vocal"), line_check=line_check)
    [clipped] = [finding for finding in take.findings if finding.kind == "clipped"]
    # common practice, no source: peaks at -10 dBFS; never more than what takes them there, or the level to nominal
    assert clipped.change_db is not None
    assert -max(hot_db + 10.0, 0.0) - 1.0 <= clipped.change_db <= -10.0 or clipped.facts["peak_dbfs"] < -10.0
    assert not [finding for finding in take.findings if finding.kind.startswith("level")]
    preamp = take.plan.moves[0]
    assert preamp.where == "preamp"
    assert preamp.settings["gain"].after == pytest.approx(clipped.change_db)
    assert f"preamp down by at least {-clipped.change_db:.0f} dB, until its peaks read about" in take.texts[0]
    assert "with the singer at full voice" in take.texts[0]
    assert "if it is on a radio link, begin with the receiver's output" in take.texts[0]
    assert ("set them again by ear" in take.texts[0]) == (not line_check)
    assert "at least" in with_sentences(preamp, take.findings).effect
    # one number for one knob
    assert [move.block for move in take.plan.moves].count("gain") == 1
    assert all(move.settings["gain"].after <= 4.0 for move in take.plan.moves if move.block == "trim")

    # the hand turns until peaks read -10, and follows the second step; the second take needs one move at most
    again = sound / np.abs(sound).max() * gain(min(-10.0, float(clipped.facts["peak_dbfs"])))
    text = take.week(house_text("lead vocal"))
    second = Check(again, text, line_check=line_check)
    assert not {"clipped", "headroom"} & {finding.kind for finding in second.findings}
    assert len(second.plan.moves) <= 1
    if second.plan.moves:
        third = Check(again, second.week(text), line_check=False)
        assert second.plan.moves[0].where == "preamp" or not third.plan.moves


@pytest.mark.parametrize(("length_s", "sure"), [(14.0, False), (3.0, True)])
def test_a_level_that_is_mostly_clipped_is_turned_down_only_and_judged_again(length_s: float, sure: bool) -> None:
    """Dense and loud, after line check: its level is known from below, so that it may come down, and is not told to go up."""
    sound = sine(220.0, LENGTH_S, level_dbfs=-1.0) + pink(np.random.default_rng(6), LENGTH_S, -40.0)
    sound[: round(length_s * RATE_HZ)] *= gain(4.0)
    for nominal_dbfs, turned in ((-18.0, ["preamp", "trim"]), (-6.0, ["preamp", "trim"] if sure else ["preamp"])):
        take = Check(np.clip(sound, -1.0, 1.0), house_text("keys", f'nominal = "{nominal_dbfs} dBFS"'))
        assert not [finding for finding in take.findings if finding.kind.startswith("level")]
        assert [move.where for move in take.plan.moves] == turned
        assert ("judge its level again after that" in take.texts[0]) == (not sure)
        if len(turned) == 2:
            assert (take.plan.moves[1].settings["gain"].after < 0) == (nominal_dbfs == -18.0)


def test_what_a_clipped_input_lacks_then_is_the_trim_s_as_a_second_step() -> None:
    sound = voice(-24.0)
    # a few peaks are cut, and most of the level is sure
    sound = np.clip(sound / np.abs(sound).max() * gain(5.0), -1.0, 1.0)
    take = Check(sound, house_text("lead vocal"), line_check=True)
    assert [move.where for move in take.plan.moves] == ["preamp", "trim"]
    assert take.texts[1].startswith("then trim +")
    # peaks at -10 dBFS leave 4 dB up to -6 dBTP
    assert 0.0 < take.plan.moves[1].settings["gain"].after <= 4.0
    # once the preamp is ticked as done, the second step of the same take is left, and once that is saved, nothing
    text, done_db = house_text("lead vocal"), take.plan.moves[0].settings["gain"].after
    ticked = Check(sound, text, line_check=True, done_db=done_db)
    assert [(move.where, move.settings) for move in ticked.plan.moves] == [("trim", take.plan.moves[1].settings)]
    assert not Check(sound, ticked.week(text), line_check=True, done_db=done_db, standing=text).plan.moves


def test_a_level_known_from_below_goes_up_only_as_far_as_peaks_decide() -> None:
    """Mostly clipped, and so far below nominal behind the preamp that its level does not matter: the trim goes up by the room."""
    sound = sine(220.0, LENGTH_S, level_dbfs=-1.0) + pink(np.random.default_rng(6), LENGTH_S, -40.0)
    clipped = np.clip(sound * gain(4.0), -1.0, 1.0)
    take = Check(clipped, house_text("keys", 'nominal = "-2 dBFS"'))
    assert [move.where for move in take.plan.moves] == ["preamp", "trim"]
    # common practice, no source: peaks at -10 dBFS by ear, -6 dBTP behind the trim
    assert take.plan.moves[1].settings["gain"].after == pytest.approx(4.0)
    again = sound / np.abs(sound).max() * gain(-10.0)
    assert not Check(again, take.week(house_text("keys", 'nominal = "-2 dBFS"'))).plan.moves


def test_a_trim_that_is_there_makes_room_for_what_the_preamp_takes() -> None:
    """Near full scale at nominal, with a trim down: the preamp's 6 dB are made up at once, not asked for by the next take."""
    sound = voice(-18.0)
    sound = sound / np.abs(sound).max() * gain(-0.2)
    text = house_text("lead vocal", chain='[[source.chain]]\nblock = "trim"\ngain = "-5 dB"\n')
    take = Check(sound, text)
    assert [move.where for move in take.plan.moves] == ["preamp", "trim"]
    after = Check(sound * gain(take.plan.moves[0].settings["gain"].after), take.week(text))
    assert not after.plan.moves
    assert not {"level-low", "headroom"} & {finding.kind for finding in after.findings}


@pytest.mark.parametrize(("room_db", "raised"), [(2.5, False), (3.5, True)])
def test_peaks_that_leave_next_to_no_room_leave_a_low_level_alone(room_db: float, raised: bool) -> None:
    """What takes played alike differ by is no room: it would be taken back by the next one. Common practice, no source."""
    sound = voice(-40.0)
    sound = sound / np.abs(sound).max() * gain(-6.0 - room_db)
    take = Check(sound, house_text("lead vocal", 'nominal = "-8 dBFS"'))
    assert bool([finding for finding in take.findings if finding.kind == "level-low"]) == raised
    assert [move.where for move in take.plan.moves] == (["trim"] if raised else [])


@pytest.mark.parametrize("line_check", [True, False])
def test_headroom_that_was_done_is_not_counted_twice(line_check: bool) -> None:
    sound = voice(-18.0)
    sound = sound / np.abs(sound).max() * gain(-0.2)
    text = house_text("lead vocal", 'nominal = "-28 dBFS"')
    take = Check(sound, text, line_check=line_check)
    preamp = next(move for move in take.plan.moves if move.where == "preamp").settings["gain"].after
    ticked = Check(sound, text, line_check=line_check, done_db=preamp)
    left = [move.settings["gain"].after for move in take.plan.moves if move.where == "trim"]
    assert [move.settings["gain"].after for move in ticked.plan.moves] == left
    assert bool(left) != line_check


@pytest.mark.parametrize(
    ("role", "keys", "words"),
    [
        ("lead vocal", 'microphone = "radio 2"', "turn its receiver's output down first"),
        ("lead vocal", 'microphone = "dynamic"', "turn its preamp down by at least"),
        ("keys", "", "turn its output down first, or use a pad or the line input"),
        ("speech", "", "with the speaker at full voice"),
        ("bass", "", "when it is played at its loudest"),
    ],
)
def test_where_a_clipped_input_is_turned_down_first(role: str, keys: str, words: str) -> None:
    take = Check(too_hot(plucks(np.random.default_rng(3), LENGTH_S, level_dbfs=-18.0), 8.0), house_text(role, keys))
    [sentence] = [text for text in take.sentences if text.startswith("clipped")]
    assert words in sentence
    assert "at least" in sentence


@pytest.mark.parametrize(("line_check", "kinds"), [(True, ["preamp"]), (False, ["trim"])])
def test_near_full_scale_and_too_loud_is_one_number(line_check: bool, kinds: list[str]) -> None:
    sound = voice(-18.0)
    sound = sound / np.abs(sound).max() * gain(-1.6)
    take = Check(sound, house_text("lead vocal", 'nominal = "-24 dBFS"'), line_check=line_check)
    assert [move.where for move in take.plan.moves] == kinds
    numbers = {finding.change_db for finding in take.findings if finding.change_db is not None}
    assert numbers == {take.plan.moves[0].settings["gain"].after}


@pytest.mark.parametrize("off_db", [-12.0, -8.0, -5.0, -3.0, 3.0, 5.0, 8.0, 12.0])
def test_a_level_carried_out_leaves_no_move(off_db: float) -> None:
    sound = voice(-36.0 + off_db)
    text = house_text("lead vocal", 'nominal = "-36 dBFS"')
    trim = Check(sound, text)
    assert [move.where for move in trim.plan.moves] == ["trim"]
    [level] = [finding for finding in trim.findings if finding.kind.startswith("level")]
    assert agreed(level, trim.plan).change_db == level.change_db == trim.plan.moves[0].settings["gain"].after
    after = Check(sound, trim.week(text), standing=text)
    assert not after.plan.moves
    # at line check it is the preamp, which lies before the tap
    preamp = Check(sound, text, line_check=True)
    [move] = preamp.plan.moves
    assert move.where == "preamp"
    assert preamp.week(text) == text
    assert not Check(sound * gain(move.settings["gain"].after), text, line_check=True).plan.moves
    # nothing follows yet
    assert not move.advice or move.advice == ("in-steps",)


def test_what_the_reading_does_not_know_is_not_turned() -> None:
    rng = np.random.default_rng(8)
    steps_db = np.repeat(rng.choice([-4.0, 4.0], 8), round(LENGTH_S * RATE_HZ / 8))
    sound = pink(rng, LENGTH_S, -34.0)[: steps_db.size] * 10 ** (steps_db / 20)
    probe = Check(sound, house_text("bass", 'nominal = "-30 dBFS"')).reading.readings
    assert probe.level_dbfs is not None
    assert probe.level_dbfs_pm is not None
    for off_db, asked in ((0.8, False), (1.2, True)):
        nominal = probe.level_dbfs - off_db * probe.level_dbfs_pm
        take = Check(sound, house_text("bass", f'nominal = "{nominal:.2f} dBFS"'))
        assert bool([finding for finding in take.findings if finding.kind.startswith("level")]) == asked


SENDS = '\n[[source.send]]\nmix = "wedge 1"\nlevel = "-10 dB"\n[[source.send]]\nmix = "ears"\nlevel = "-4 dB"\n[[source.send]]\nmix = "reverb"\nlevel = "-12 dB"\nafter_fader = true\n'


@pytest.mark.parametrize("off_db", [-6.0, 6.0])
def test_sends_before_the_fader_are_set_back_reductions_first(off_db: float) -> None:
    text = house_text("lead vocal", 'nominal = "-30 dBFS"', chain=SENDS)
    take = Check(voice(-30.0 + off_db), text)
    order = [move.where for move in take.plan.moves]
    assert order == (["send", "send", "trim"] if off_db < 0 else ["trim", "send", "send"])
    trim = next(move for move in take.plan.moves if move.where == "trim").settings["gain"].after
    week = parse_house(take.week(text), Path("week.toml")).source[0]
    levels = {send.mix: send.level_db for send in week.send}
    # each mix hears what it heard: send and trim together
    assert levels["wedge 1"] + trim == pytest.approx(-10.0)
    assert levels["ears"] + trim == pytest.approx(-4.0)
    assert levels["reverb"] == -12.0
    assert not Check(voice(-30.0 + off_db), take.week(text), standing=text).plan.moves
    # nothing is set back at line check
    assert [move.where for move in Check(voice(-30.0 + off_db), text, line_check=True).plan.moves] == ["preamp"]


def test_a_send_is_told_one_number_beside_two_gains() -> None:
    """Near full scale and too loud after line check: preamp and trim, and what each mix hears of both."""
    sound = voice(-18.0)
    sound = sound / np.abs(sound).max() * gain(-0.2)
    take = Check(sound, house_text("lead vocal", 'nominal = "-28 dBFS"', chain=SENDS))
    assert [move.where for move in take.plan.moves] == ["preamp", "trim", "send", "send"]
    turned = sum(move.settings["gain"].after for move in take.plan.moves[:2])
    assert take.plan.moves[2].settings["send"].after == pytest.approx(-10.0 - turned)
    # beside what clipped, they are set by ear
    hot = Check(too_hot(sound, 8.0), house_text("lead vocal", 'nominal = "-40 dBFS"', chain=SENDS))
    assert [move.where for move in hot.plan.moves] == ["preamp", "trim"]
    assert "set them again by ear" in hot.texts[0]
    assert not any("first turn its sends" in text or "then turn its sends" in text for text in hot.texts)


@pytest.mark.parametrize(
    ("off_db", "monitors", "words"),
    [
        (-6.0, "after-gain", "first turn its sends to wedges and in-ear monitors down by 6 dB"),
        (6.0, "after-gain", "then turn its sends to wedges and in-ear monitors up by 6 dB"),
        (6.0, "after-chain", "then turn its sends to wedges and in-ear monitors up by 6 dB"),
        (6.0, "preamp", None),
    ],
)
def test_where_sends_are_not_known_one_sentence_says_it(off_db: float, monitors: str, words: str | None) -> None:
    text = house_text("lead vocal", 'nominal = "-30 dBFS"', desk=f'monitors = "{monitors}"')
    [sentence] = Check(voice(-30.0 + off_db), text).texts
    assert ("sends" in sentence) == (words is not None)
    assert words is None or words in sentence


@pytest.mark.parametrize(
    ("week_db", "usual_db", "after_db"),
    [("1", "-5", -5.0), ("-2", "-5", -5.0), ("4", "-5", -2.0), ("-5", "-5", None), ("-9", "-5", None)],
)
def test_a_fader_goes_back_only_where_it_makes_up(week_db: str, usual_db: str, after_db: float | None) -> None:
    """6 dB low: a fader that stands above its usual place makes up for it; one that stands there does not."""
    keys = 'nominal = "-30 dBFS"\nfader = "{} dB"'
    take = Check(
        voice(-36.0),
        house_text("lead vocal", keys.format(week_db)),
        standing=house_text("lead vocal", keys.format(usual_db)),
    )
    faders = [move for move in take.plan.moves if move.where == "fader"]
    assert [move.settings["fader"].after for move in faders] == ([] if after_db is None else [after_db])
    assert not any("fader was" in text for text in take.texts)
    # the raise comes last
    assert take.plan.moves[-1].where == "trim"
    unknown = Check(voice(-36.0), house_text("lead vocal", 'nominal = "-30 dBFS"'))
    assert "if its fader was raised to make up for it, first bring that back by 6 dB" in unknown.texts[0]


@pytest.mark.parametrize(("role", "steps"), [("lead vocal", True), ("bass", False)])
def test_an_open_microphone_is_raised_in_steps(role: str, steps: bool) -> None:
    """Common practice, no source."""
    [text] = Check(voice(-37.0), house_text(role, 'nominal = "-30 dBFS"')).texts
    assert ("in steps of 3 dB, listening for feedback after each" in text) == steps
    assert ("mind feedback" in text) == steps


@pytest.mark.parametrize(
    ("channel", "words"), [("9/10", "invert the polarity of channel 10 (its right side)"), ("9", "its right side")]
)
def test_polarity_names_the_channel_and_its_hearers(channel: str, words: str) -> None:
    sound = plucks(np.random.default_rng(4), LENGTH_S, level_dbfs=-24.0)
    text = house_text("keys", f'channel = "{channel}"\nnominal = "-24 dBFS"', sides=2)
    pair = np.stack([sound, -sound])
    take = Check(pair, text)
    flip = next(move for move in take.plan.moves if move.block == "polarity")
    told = with_sentences(flip, take.findings).text
    assert words in told
    # at the input: mixes taken after gain follow it
    assert "monitors" in flip.who_hears
    assert "tell the stage" in told
    after = Check(pair, take.week(text), standing=text)
    assert not [move for move in after.plan.moves if move.block == "polarity"]
    low = text.replace("[desk]\n", '[desk]\nmonitors = "preamp"\n')
    assert "monitors" not in next(m for m in Check(pair, low).plan.moves if m.block == "polarity").who_hears


@pytest.mark.source("Parseval: power behind a filter, from the samples run through scipy's own second-order sections")
@pytest.mark.parametrize("gain_db", [-9.0, -4.0, 5.0])
def test_the_level_an_equaliser_adds_is_told_from_the_tone(gain_db: float) -> None:
    import scipy.signal as ss

    sound = pink(np.random.default_rng(2), LENGTH_S, -20.0, low_hz=30.0)
    tone_db = read_source(figures_of(sound), (0,), strikes=False, mains_hz=50.0).readings.tone_db
    assert tone_db is not None
    # R. Bristow-Johnson, Audio EQ Cookbook: peaking filter
    amplitude, turn = 10 ** (gain_db / 40), 2 * np.pi * 400.0 / RATE_HZ
    alpha = np.sin(turn) / 2
    top = [1 + alpha * amplitude, -2 * np.cos(turn), 1 - alpha * amplitude]
    bottom = [1 + alpha / amplitude, -2 * np.cos(turn), 1 - alpha / amplitude]
    shaped = ss.lfilter(top, bottom, sound)
    block = make_block({"block": "bell", "frequency": "400 Hz", "gain": f"{gain_db} dB", "q": 1})
    expected_db = 10 * np.log10(np.mean(shaped**2) / np.mean(sound**2))
    assert equaliser_db([block], tone_db) == pytest.approx(expected_db, abs=0.1)


def test_what_this_week_s_equaliser_takes_is_part_of_the_level() -> None:
    """A bell of this week's file that takes level is made up by the trim; one of the standing file is usual."""
    bell = '[[source.chain]]\nblock = "bell"\nfrequency = "300 Hz"\ngain = "-12 dB"\nq = 0.5\n'
    keys = 'nominal = "-40 dBFS"'
    plain, shaped = house_text("bass", keys), house_text("bass", keys, chain=bell)
    sound = voice(-40.0)
    assert not Check(sound, shaped, standing=shaped).plan.moves
    take = Check(sound, shaped, standing=plain)
    [move] = take.plan.moves
    assert move.where == "trim"
    lost_db = equaliser_db(take.source.chain, take.reading.readings.tone_db)
    assert move.settings["gain"].after == pytest.approx(-lost_db, abs=0.26)
    assert not Check(sound, take.week(shaped), standing=plain).plan.moves


@pytest.mark.parametrize("line_check", [True, False])
def test_a_threshold_is_solved_behind_what_is_turned_before_it(line_check: bool) -> None:
    """At the preamp or the trim: what reaches the compressor is what it will be."""
    chain = (
        '[[source.chain]]\nblock = "compressor"\nthreshold = "-30 dBFS"\nratio = 3\nattack = "10 ms"\nrelease = "150 ms"\n'
        'reduction = "2 to 4 dB"\n'
    )
    text = house_text("bass", 'nominal = "-30 dBFS"', chain=chain)
    sound = voice(-38.0)
    take = Check(sound, text, line_check=line_check)
    assert [move.block for move in take.plan.moves] == ["gain" if line_check else "trim", "compressor"]
    turned_db = take.plan.moves[0].settings["gain"].after
    # carried out: the preamp on the audio, the rest from the file that is written
    heard = sound * gain(turned_db) if line_check else sound
    after = Check(heard, take.week(text), line_check=line_check, standing=text)
    assert not after.plan.moves
    # and without the gain before it the same threshold would be wrong
    wrong = replace(after.state, excerpt=(after.state.excerpt * gain(-turned_db)).astype(np.float32))
    from deskhand.moves.reduction import reduction_db

    compressor = after.source.chain[-1]
    behind = wrong.excerpt.astype(np.float64)
    if not line_check:
        behind = after.state.excerpt.astype(np.float64)
    assert not 2.0 <= reduction_db(behind, compressor, RATE_HZ, after.state.playing) <= 4.0


def test_remarks_are_said_last() -> None:
    take = Check(voice(-36.0), house_text("lead vocal", 'nominal = "-30 dBFS"'))
    [remark] = take.plan.why
    assert remark_text(remark) == (
        "level −36 dBFS, nominal −30: trim +6 dB; line check is over, so the digital trim is turned and not the preamp"
    )
    assert remark_text("as it is") == "as it is"
