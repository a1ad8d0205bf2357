"""Moves of a source: order of causes, the desk's abilities, thresholds by running, this week's file.

Covers, in this order: instructions before settings; level; reduction; tone; who hears it; writing the week.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.baseline.predict import Predictive
from deskhand.chain.nominal import nominal_point
from deskhand.chain.run import run
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings import say
from deskhand.house import Desk, Source, make_block, parse_house, with_edits
from deskhand.measure.passages import tone_of
from deskhand.moves.equaliser import band_levels_db
from deskhand.moves.fine import fine_power
from deskhand.moves.level import agreed
from deskhand.moves.move import who_hears
from deskhand.moves.plan import plan
from deskhand.moves.reduction import reduction_db, solve
from deskhand.moves.state import SourceState
from deskhand.moves.text import remark_text, with_sentences
from deskhand.moves.tone import lowest_note_hz
from deskhand.moves.week import edit_of
from tests.support.examples import example
from tests.support.feed import figures_of, reading_of
from tests.support.once import drawn_once

if TYPE_CHECKING:
    from deskhand.findings import Finding

RATE_HZ = 48000
COMPRESSOR = {
    "block": "compressor", "threshold": "-20 dBFS", "ratio": 4, "knee": "6 dB", "attack": "10 ms", "release": "150 ms",
    "reduction": "2 to 4 dB",
}  # fmt: skip


@drawn_once
def _music(rng: np.random.Generator, seconds: float = 20.0) -> np.ndarray:
    """Notes of a second each with overtones, at levels that differ."""
    out = np.zeros(round(seconds * RATE_HZ))
    time_s = np.arange(RATE_HZ) / RATE_HZ
    for beat in range(int(seconds)):
        hz = 110.0 * 2 ** (float(rng.integers(24)) / 12)
        note = sum(np.sin(2 * np.pi * hz * n * time_s + n) / n for n in range(1, 40) if hz * n < 15000)
        level = 10 ** (float(rng.uniform(-4, 4)) / 20)
        out[beat * RATE_HZ : (beat + 1) * RATE_HZ] = (
            level * note * np.exp(-1.5 * time_s) * np.minimum(1, time_s / 0.005)
        )
    return (0.2 * out / np.sqrt(np.mean(out**2)))[None]


def _finding(kind: str, severity: str = "fix", **rest: object) -> Finding:
    return example(kind, severity, source="bass", **rest)


def _measured(signal: np.ndarray) -> tuple:
    pairs = [(0, 1)] if len(signal) == 2 else []
    return figures_of(signal, pairs=pairs), reading_of(signal)


def _level_dbfs(signal: np.ndarray, blocks: tuple = ()) -> float:
    """Median level of what plays, by the readings of what comes out of a chain."""
    samples = run(signal.astype(np.float64), blocks, sample_rate_hz=RATE_HZ) if blocks else signal
    level_dbfs = reading_of(samples).readings.level_dbfs
    assert level_dbfs is not None
    return level_dbfs


def _off(signal: np.ndarray, blocks: tuple = (), **rest: object) -> Finding:
    """Finding of its level, as `findings.faults.level` writes it, for a nominal level of -18 dBFS."""
    level_dbfs = _level_dbfs(signal, blocks)
    kind, change_db = ("level-low" if level_dbfs < -18 else "level-high"), -18.0 - level_dbfs
    facts = {"off_db": abs(change_db), "after_gains": "", "turned": "trim", "turn_db": abs(change_db)}
    return _finding(kind, measured=level_dbfs, expected=-18.0, change_db=change_db, facts=facts, **rest)


def _heard(signal: np.ndarray, blocks: list[dict], findings: list[Finding], **rest: object) -> SourceState:
    chain = [make_block(block) for block in blocks]
    source = Source(name="bass", role="bass", tracks=["bass"] if len(signal) == 1 else ["l", "r"], chain=chain)
    figures, reading = _measured(signal)
    values: dict = {
        "nominal_at": lambda blocks: nominal_point(blocks, reading, figures, standing=chain),
        "source": source, "desk": Desk(), "blocks": chain, "skipped": 0, "excerpt": signal.astype(np.float32),
        "playing": np.ones(signal.shape[1] * 10 // RATE_HZ, bool), "sample_rate_hz": RATE_HZ, "folder": None, "findings": findings,
        "before_tone_db": None, "after_tone_db": None, "home": None, "wanted_tone_db": None, "line_check": False,
    }  # fmt: skip
    return SourceState(**(values | rest))


@pytest.mark.parametrize("kind", ["one-sided", "swapped", "wrong-patch", "hum", "dropout"])
def test_nothing_is_turned_before_what_arrives_is_right(rng, kind):
    level = _finding("level-low", measured=-30.0, expected=-18.0, change_db=12.0)
    found = plan(_heard(_music(rng), [COMPRESSOR], [_finding(kind), level]))
    assert [move.where for move in found.moves] == ["patch" if kind in ("swapped", "wrong-patch") else "rig"]
    assert not found.changed


@pytest.mark.parametrize(
    ("line_check", "clipped", "where"), [(False, False, "trim"), (True, False, "preamp"), (False, True, "preamp")]
)
def test_the_preamp_is_left_alone_after_line_check(rng, line_check, clipped, where):
    """Common practice, no source: a preamp changes every player's mix."""
    signal = _music(rng)
    if clipped:
        # at nominal once the preamp is down: nothing is left for the trim
        signal = signal * 10 ** ((-4.0 - _level_dbfs(signal)) / 20)
        findings = [_finding("clipped", change_db=-14.0)]
    else:
        level = _off(signal)
        turned = {"facts": {**level.facts, "turned": "gain"}} if line_check else {}
        findings = [replace(level, **turned)]
    found = plan(_heard(signal, [], findings, line_check=line_check))
    [move] = found.moves
    assert move.where == where
    assert move.settings["gain"].after == pytest.approx(-18.0 - _level_dbfs(signal), abs=0.51)
    assert "tell the stage first" in with_sentences(move, findings).text
    assert "monitors" in move.who_hears


def test_a_flip_says_what_mono_loses_with_it_and_without(rng):
    stereo = np.concatenate([_music(rng)] * 2)
    for before_db, words in ((-9.3, "9.3 dB"), (None, "everything")):
        finding = _finding("polarity", metric="mono_loss_db", measured=before_db, expected=-0.4, unit="dB", track="r")
        [move] = plan(_heard(stereo, [], [finding])).moves
        assert (move.block, move.on) == ("polarity", "right")
        assert (
            with_sentences(move, [finding]).effect
            == f"the two sides add up again: mono loses 0.4 dB instead of {words}"
        )
    # what is only to be listened to is not flipped
    assert not plan(_heard(stereo, [], [_finding("polarity", "listen", measured=-0.4, expected=-9.3)])).moves


def test_level_in_the_steps_of_the_desk(rng):
    signal = _music(rng)
    signal *= 10 ** ((-14.63 - _level_dbfs(signal)) / 20)
    desk = Desk(trim_step="0.5 dB")
    [move] = plan(_heard(signal, [], [_off(signal)], desk=desk)).moves
    assert move.settings["gain"].after == pytest.approx(-3.5)


def test_an_existing_trim_is_changed_not_doubled(rng):
    signal = _music(rng)
    signal *= 10 ** ((-17.0 - _level_dbfs(signal)) / 20)
    chain = [{"block": "trim", "gain": "2 dB"}]
    found = plan(_heard(signal, chain, [_off(signal, tuple(map(make_block, chain)))]))
    [move] = found.moves
    assert (move.index, move.settings["gain"].before, move.settings["gain"].after) == (0, 2.0, -1.0)
    assert len(found.blocks) == 1


def _pair(rng: np.random.Generator, right_db: float) -> np.ndarray:
    one = _music(rng)[0]
    return np.stack([one, 10 ** (right_db / 20) * np.roll(one, 480)])


def _off_balance(measured: float, expected: float = 0.0) -> Finding:
    return _finding("width", "listen", metric="balance_db", measured=measured, expected=expected, unit="dB")


def _powers_db(found, signal: np.ndarray) -> tuple[float, float]:
    """Mean level of both sides, and right against left, behind the chain with the moves."""
    out = run(signal.astype(np.float64), found.blocks, sample_rate_hz=RATE_HZ) if found.blocks else signal
    left, right = np.mean(np.square(out), axis=1)
    return 10 * np.log10((left + right) / 2), 10 * np.log10(right / left)


TWO_CHANNELS = {"name": "keys", "role": "keys", "tracks": ["l", "r"], "channel": "9/10"}


@pytest.mark.parametrize("right_db", [-7.3, -4.0, 4.0, 7.3])
@pytest.mark.parametrize("usual_db", [0.0, 1.5])
def test_the_stronger_side_is_turned_down(rng, right_db, usual_db):
    signal = _pair(rng, right_db)
    heard = _heard(
        signal,
        [],
        [_off_balance(right_db, usual_db)],
        source=Source(**TWO_CHANNELS),
        nominal_dbfs=None,
    )
    found = plan(heard)
    [move] = found.moves
    assert (move.where, move.block) == ("trim", "trim")
    assert move.on == ("right" if right_db > usual_db else "left")
    assert move.settings["gain"].after < 0
    # within half a step of the desk's trim
    assert _powers_db(found, signal)[1] == pytest.approx(usual_db, abs=0.26)
    assert "tell the stage first" in with_sentences(move, []).text


@pytest.mark.source("Definition: the level of a pair is the power mean of its sides")
@pytest.mark.parametrize(("above_db", "side"), [(-0.5, "left"), (3.0, "right")])
def test_the_side_that_brings_the_pair_nearer_to_nominal_is_turned(rng, above_db, side):
    """6 dB off the stronger side take 4 dB off the pair; 6 dB more on the weaker add 2 dB."""
    signal = 0.1 * _pair(rng, 6.0)
    nominal_dbfs = _level_dbfs(signal) - above_db
    found = plan(_heard(signal, [], [_off_balance(6.0)], source=Source(**TWO_CHANNELS), nominal_dbfs=nominal_dbfs))
    assert found.moves[0].on == side
    assert _powers_db(found, signal)[1] == pytest.approx(0.0, abs=0.26)


def test_the_weaker_side_stays_where_its_peaks_leave_no_room(rng):
    signal = _pair(rng, 6.0)
    signal *= 10 ** (-3 / 20) / np.abs(signal).max()
    nominal_dbfs = _level_dbfs(signal)
    found = plan(_heard(signal, [], [_off_balance(6.0)], source=Source(**TWO_CHANNELS), nominal_dbfs=nominal_dbfs))
    assert found.moves[0].on == "right"
    moved = run(signal.astype(np.float64), found.blocks, sample_rate_hz=RATE_HZ)
    assert 20 * np.log10(np.abs(moved).max()) <= -6.0 + 0.01


@pytest.mark.parametrize("right_db", [-6.0, 6.0])
@pytest.mark.parametrize("level_db", [-7.0, -2.5, 0.0, 5.0])
def test_balance_and_level_are_solved_together(rng, right_db, level_db):
    """Run on the audio, both are where they should be, and nothing is left to turn."""
    signal = _pair(rng, right_db) * 0.1
    signal *= 10 ** ((-18.0 + level_db - _level_dbfs(signal)) / 20)
    findings = [_off_balance(right_db)] + ([_off(signal)] if abs(level_db) >= 2 else [])
    found = plan(_heard(signal, [], findings, source=Source(**TWO_CHANNELS)))
    assert _powers_db(found, signal)[1] == pytest.approx(0.0, abs=0.26)
    assert abs(_level_dbfs(signal, tuple(found.blocks)) + 18.0) < 2.0
    # where the trim of both is turned at all, it ends at nominal, or where its peaks allow no more
    if any(move.on == "both" for move in found.moves):
        peak_dbfs = 20 * np.log10(np.abs(run(signal.astype(np.float64), found.blocks, sample_rate_hz=RATE_HZ)).max())
        assert peak_dbfs <= -6.0 + 0.01 or max(move.settings["gain"].after for move in found.moves) <= 0
        assert _level_dbfs(signal, tuple(found.blocks)) == pytest.approx(-18.0, abs=0.3) or peak_dbfs > -6.8
    assert len({(move.block, move.on) for move in found.moves}) == len(found.moves)
    # finding and move say one number
    for finding in findings[1:]:
        told = agreed(finding, found)
        trims = [move.settings["gain"].after for move in found.moves if move.on == "both"]
        assert ([told.change_db] if told.change_db is not None else []) == pytest.approx(trims)


def test_a_side_s_trim_of_this_week_is_not_asked_again(rng):
    """What the kept weeks had too is part of what is usual, and counts for nothing."""
    signal = _pair(rng, 6.0)
    chain = [{"block": "trim", "gain": "-4 dB", "on": "right"}]
    how = {"source": Source(**TWO_CHANNELS), "nominal_dbfs": None}
    [rest] = plan(_heard(signal, chain, [_off_balance(6.0)], **how)).moves
    assert (rest.settings["gain"].before, rest.settings["gain"].after) == (-4.0, -6.0)
    assert not plan(_heard(signal, chain, [_off_balance(4.0)], **how)).moves
    [whole] = plan(_heard(signal, chain, [_off_balance(6.0)], usual_balance_db=-4.0, **how)).moves
    assert (whole.index, whole.settings["gain"].before, whole.settings["gain"].after) == (0, -4.0, -10.0)


def test_a_side_is_not_turned_where_the_desk_sets_both_at_once(rng):
    signal, finding = _pair(rng, 6.0), _off_balance(6.0)
    alone = Source(name="keys", role="keys", tracks=["l", "r"], channel="9")
    found = plan(_heard(signal, [], [finding], source=alone))
    assert not found.moves
    assert "both at once" in remark_text(found.left_over[0])
    desk = Desk(equaliser={"per_side": True})
    assert plan(_heard(signal, [], [finding], source=alone, desk=desk)).moves
    # a note is no reason to turn anything
    quiet = _finding("width", "note", metric="balance_db", measured=6.0, expected=0.0)
    assert not plan(_heard(signal, [], [quiet], source=Source(**TWO_CHANNELS))).moves


@pytest.mark.parametrize("middle_db", [1.5, 3.0, 5.0, 7.5])
def test_threshold_takes_off_what_is_wanted(rng, middle_db):
    low, high = middle_db - 0.5, middle_db + 0.5
    block = make_block(COMPRESSOR | {"reduction": f"{low} to {high} dB"})
    signal = _music(rng)
    playing = np.ones(200, bool)
    found = solve(
        lambda dbfs: reduction_db(signal, make_block(COMPRESSOR | {"threshold": f"{dbfs} dBFS"}), RATE_HZ, playing),
        low,
        high,
    )
    assert found.reached
    again = reduction_db(
        signal, make_block(COMPRESSOR | {"threshold": f"{found.threshold_dbfs} dBFS"}), RATE_HZ, playing
    )
    assert low <= again <= high
    assert block.reduction_db == (low, high)


def test_a_lower_threshold_never_takes_off_less(rng):
    signal = _music(rng)
    taken = [
        reduction_db(signal, make_block(COMPRESSOR | {"threshold": f"{dbfs} dBFS"}), RATE_HZ, np.ones(200, bool))
        for dbfs in range(-45, -4, 5)
    ]
    assert all(later <= earlier + 1e-6 for earlier, later in zip(taken, taken[1:], strict=False))


def test_what_no_threshold_can_do_is_said(rng):
    soft = COMPRESSOR | {"ratio": 1.05, "reduction": "6 to 8 dB"}
    said = _finding("dynamics", "note", metric="reduction_db")
    found = plan(_heard(_music(rng), [soft], [said]))
    assert not found.moves
    assert any("no threshold" in remark_text(remark) for remark in found.left_over)


def test_reduction_within_its_range_is_left_alone(rng):
    signal = _music(rng)
    dbfs = solve(
        lambda value: reduction_db(
            signal, make_block(COMPRESSOR | {"threshold": f"{value} dBFS"}), RATE_HZ, np.ones(200, bool)
        ),
        2,
        4,
    )
    block = COMPRESSOR | {"threshold": f"{dbfs.threshold_dbfs} dBFS"}
    assert not plan(_heard(signal, [block], [_finding("dynamics", "note", metric="reduction_db")])).moves


def _tone(signal: np.ndarray) -> dict[str, float]:
    levels = band_levels_db(fine_power(signal, RATE_HZ))
    levels = levels - 10 * np.log10((10 ** (levels / 10)).sum())
    return {f"{band:g}": float(level) for band, level in zip(NOMINAL_HZ, levels, strict=True)}


@pytest.mark.parametrize("blocks", [[], [COMPRESSOR]], ids=["plain", "behind-a-compressor"])
def test_a_wrong_tone_is_brought_home_and_proved(rng, blocks):
    from deskhand.chain.run import run

    clean = _music(rng)
    wrong = run(
        clean, [make_block({"block": "bell", "frequency": "1.2 kHz", "gain": "5 dB", "q": 1})], sample_rate_hz=RATE_HZ
    )
    chain = [make_block(block) for block in blocks]
    usual = _tone(run(clean, chain, sample_rate_hz=RATE_HZ))
    wanted = np.array([usual[f"{band:g}"] for band in NOMINAL_HZ])
    home = Predictive(location=tone_of(wanted), scale=0.3**2 * np.eye(8), dof=20.0)
    now = _tone(run(wrong, chain, sample_rate_hz=RATE_HZ))
    heard = _heard(
        wrong,
        blocks,
        [_finding("tone", "listen")],
        home=home,
        wanted_tone_db=wanted,
        after_tone_db=now,
        before_tone_db=_tone(wrong),
    )
    found = plan(heard)
    assert 1 <= len(found.moves) <= 2
    then = _tone(run(wrong, found.blocks, sample_rate_hz=RATE_HZ))
    before, after = (
        home.distance(tone_of(np.array([tone[f"{band:g}"] for band in NOMINAL_HZ]))) for tone in (now, then)
    )
    assert after < before / 10
    assert home.tail(tone_of(np.array([then[f"{band:g}"] for band in NOMINAL_HZ]))) > 0.05
    # a cut undoes a boost
    assert any(setting.after < 0 for name, setting in found.moves[0].settings.items() if name == "gain")


@pytest.mark.source("common practice, no source: too much of something is taken down where it is")
def test_too_much_of_something_is_never_answered_by_a_boost_of_the_rest(rng):
    clean = 0.1 * _music(rng)
    shelf = make_block({"block": "high-shelf", "frequency": "3 kHz", "gain": "3 dB", "q": 0.7})
    dip = make_block({"block": "bell", "frequency": "300 Hz", "gain": "-5 dB", "q": 1.0})
    wrong = run(clean, [shelf, dip], sample_rate_hz=RATE_HZ)
    usual, now = _tone(clean), _tone(wrong)
    wanted = np.array([usual[f"{band:g}"] for band in NOMINAL_HZ])
    home = Predictive(location=tone_of(wanted), scale=0.3**2 * np.eye(8), dof=20.0)
    for what in ("more", "less"):
        findings = [replace(_finding("tone", "listen"), what=what)]
        heard = _heard(wrong, [], findings, home=home, wanted_tone_db=wanted, after_tone_db=now, before_tone_db=now)
        gains_db = [move.settings["gain"].after for move in plan(heard).moves if move.where == "channel"]
        assert gains_db
        assert any(gain_db > 0 for gain_db in gains_db) == (what == "less"), (what, gains_db)


def test_a_wide_cut_of_more_than_6_db_is_a_question(rng):
    """Another pick-up in its place: octaves lie 14 dB apart from what is usual."""
    clean = 0.1 * _music(rng)
    shelf = make_block({"block": "high-shelf", "frequency": "236 Hz", "gain": "14 dB", "q": 0.7})
    wrong = run(clean, [shelf], sample_rate_hz=RATE_HZ)
    usual, now = _tone(clean), _tone(wrong)
    wanted = np.array([usual[f"{band:g}"] for band in NOMINAL_HZ])
    home = Predictive(location=tone_of(wanted), scale=0.3**2 * np.eye(8), dof=20.0)
    findings = [_finding("tone", "listen")]
    found = plan(_heard(wrong, [], findings, home=home, wanted_tone_db=wanted, after_tone_db=now, before_tone_db=now))
    assert not [move for move in found.moves if move.where == "channel"]
    assert [remark.name for remark in found.left_over] == ["other-sound"]


def test_what_the_equaliser_takes_is_made_up_by_the_trim(rng):
    """Run on the audio, by its own reading: at nominal before the equaliser's moves and behind them."""
    clean = 0.1 * _music(rng)
    # narrow enough to be an equaliser's business
    boom = make_block({"block": "bell", "frequency": "160 Hz", "gain": "10 dB", "q": 1.4})
    wrong = run(clean, [boom], sample_rate_hz=RATE_HZ)
    usual, now = _tone(clean), _tone(wrong)
    wanted = np.array([usual[f"{band:g}"] for band in NOMINAL_HZ])
    home = Predictive(location=tone_of(wanted), scale=0.3**2 * np.eye(8), dof=20.0)
    nominal_dbfs = _level_dbfs(wrong)
    heard = _heard(
        wrong,
        [],
        [_finding("tone", "listen")],
        home=home,
        wanted_tone_db=wanted,
        after_tone_db=now,
        before_tone_db=now,
        nominal_dbfs=nominal_dbfs,
    )
    found = plan(heard)
    trim, *shapes = found.moves
    assert (trim.where, {move.where for move in shapes}) == ("trim", {"channel"})
    # the equaliser alone takes some of its level, and the trim gives it back
    equaliser = [block for block in found.blocks if block.block != "trim"]
    assert _level_dbfs(wrong, tuple(equaliser)) < nominal_dbfs - 2.0
    assert _level_dbfs(wrong, tuple(found.blocks)) == pytest.approx(nominal_dbfs, abs=1.0)
    # finding and move say one number, with what the equaliser takes
    for off_db in (6.0, 10.0):
        high = _finding("level-high", measured=nominal_dbfs, expected=nominal_dbfs - off_db, change_db=-off_db)
        together = plan(replace(heard, findings=[*heard.findings, high], nominal_dbfs=nominal_dbfs - off_db))
        [gain_db] = [move.settings["gain"].after for move in together.moves if move.where == "trim"]
        told = agreed(high, together)
        if gain_db < 0:
            assert told.change_db == gain_db > -6.0
            assert f"lower its trim by {-gain_db:g} dB" in say(told)
        else:
            # the boom was the level: nothing is said that its move does not do
            assert told.change_db is None
            assert "its moves bring the level back to nominal" in say(told)
    # where no level is judged it stays as it was
    unjudged = plan(replace(heard, nominal_dbfs=None))
    assert _level_dbfs(wrong, tuple(unjudged.blocks)) == pytest.approx(nominal_dbfs, abs=1.0)


def test_no_tone_move_without_kept_takes(rng):
    assert not plan(_heard(_music(rng), [], [_finding("tone", "listen")])).moves


@pytest.mark.parametrize(
    ("monitors", "block", "heard"),
    [
        ("after-gain", "trim", True),
        ("after-gain", "bell", False),
        ("after-chain", "bell", True),
        ("preamp", "trim", False),
        ("preamp", "gain", True),
    ],
)
def test_who_hears_it(monitors, block, heard):
    assert ("monitors" in who_hears(block, Desk(monitors=monitors))) == heard


def test_the_week_is_written_with_its_comments_and_runs_the_same(rng):
    text = (
        '[house]\nname = "Tern Street Hall"  # invented\n[[source]]\nname = "bass"  # the four-string\nrole = "bass"\ntracks = ["bass"]\n'
        '[[source.chain]]\nblock = "bell"\nfrequency = "400 Hz"  # boxy\ngain = "-2 dB"\nq = 1\n'
        '[[source.chain]]\nblock = "compressor"\nthreshold = "-40 dBFS"\nreduction = "2 to 4 dB"  # gently\n'
    )
    house = parse_house(text, Path("house.toml"))
    signal = _music(rng)
    findings = [_off(signal), _finding("dynamics", "note", metric="reduction_db")]
    heard = replace(_heard(signal, [], findings), blocks=house.source[0].chain)
    found = plan(heard)
    assert {move.block for move in found.moves} == {"trim", "compressor"}
    written = with_edits(text, {"bass": edit_of(found.with_ids("bass"))})
    for comment in ("# invented", "# the four-string", "# boxy", "# gently"):
        assert comment in written
    assert parse_house(written, Path("week.toml")).source[0].chain == found.blocks


@pytest.mark.parametrize("share", ["one pair", "twentieth"])
def test_a_part_of_the_study_of_reductions(share):
    """The whole of it is `validations/reduction.py`."""
    from tests.support import reductions as reduction

    count = 1 if share == "one pair" else reduction.PAIRS // 20
    found = list(reduction.pairs(count, kinds=("synthesised",), show_s=24.0))
    assert len(found) == count
    for one in found:
        assert one.said
        assert one.low_db <= one.excerpt_db <= one.low_db + 1.0
        assert one.low_db - 0.2 <= one.whole_db <= one.low_db + 1.2


def test_the_lowest_note_lies_within_25_db_of_the_loudest():
    """Docs, moves: a high-pass stays below it. A bass whose fundamentals are soft keeps them; rumble 26 dB down is no note."""
    tone_db = {"31.5": -46.0, "40": -44.0, "80": -30.0, "160": -20.0, "315": -25.0}
    assert lowest_note_hz(tone_db) == 40.0
    assert lowest_note_hz(tone_db | {"40": -46.0}) == 80.0
    # the low E of a bass guitar where nothing is known
    assert lowest_note_hz(None) == lowest_note_hz({}) == 40.0
