"""Hands that are moved for a voice: their order, their number, their size, and nothing when nothing is needed.

The feeds are made of numbers here; what a list of hands is worth is worked out again with the scalar index.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.dsp.intelligibility import BANDS_HZ, IMPORTANCE, NORMAL_SPEECH_DB, audible_shares, level_distortion
from deskhand.mix.clearance import TrialPhrase
from deskhand.moves.giving import MOST_DB, Abilities, Bell, PhraseOfSource, bands_of
from deskhand.moves.space import MOST_HANDS, RoomLimits, Space, make_space
from deskhand.moves.voice_limits import below_limit_db, headroom_db
from tests.support.hypotheses import examples

few = settings(max_examples=examples(25), deadline=None, derandomize=True, database=None)
VOICE_DB = 15.0
NOTHING_DB = -200.0
NEAR_PCT = 0.01
"""Below what a setting gives exactly: the rounding of two ways to work it out."""


def held(
    maskers: dict[str, np.ndarray], *, side: dict[str, float] | None = None, voice_side: float = 0.0
) -> list[TrialPhrase]:
    """A voice of normal spectrum, raised, against steady maskers given by their (18,) spectrum levels."""
    names = tuple(maskers)
    speech = NORMAL_SPEECH_DB + VOICE_DB
    noise = np.array([np.tile(10 ** (maskers[name] / 10), (4, 1)) for name in names])
    middle = np.array([10 ** (maskers[name] / 10) for name in names])
    wide = np.array([(side or {}).get(name, 0.0) for name in names])
    return [
        TrialPhrase(
            speech_db=speech, distortion=level_distortion(speech), names=names, noise=noise, middle=middle,
            side=middle * wide[:, None], voice_middle=float((10 ** (speech / 10)).sum()),
            voice_side=voice_side * float((10 ** (speech / 10)).sum()), frames=12,
        )
    ]  # fmt: skip


def audible_pct(maskers: dict[str, np.ndarray], change_db: dict[str, float] | None = None, voice_db: float = 0.0):
    """By the scalar procedure of the standard (ANSI S3.5-1997), without the term for loud speech."""
    noise = sum(10 ** ((level + (change_db or {}).get(name, 0.0)) / 10) for name, level in maskers.items())
    shares = audible_shares(NORMAL_SPEECH_DB + VOICE_DB + voice_db, 10 * np.log10(noise))
    return 100.0 * float(np.sum(IMPORTANCE * shares))


def band(level_db: float, low_hz: float, high_hz: float) -> np.ndarray:
    """Spectrum level in some bands, next to nothing outside."""
    hz = np.array(BANDS_HZ)
    return np.where((hz >= low_hz) & (hz <= high_hz), level_db, level_db - 60.0)


LIMITS = RoomLimits(wanted_pct=0.0, indexed=False, mono_loss_limit_db=-3.0, voice_step_db=1.0)
FADER = Abilities(fader_step_db=1.0)


def again_pct(maskers: dict[str, np.ndarray], space: Space) -> float:
    """Clearance with the faders and mutes of a space, worked out again."""
    change_db = {
        name: NOTHING_DB if giving.muted else giving.fader_db for name, giving in space.settings.giving.items()
    }
    return audible_pct(maskers, change_db, space.settings.voice_db)


def kinds(space: Space) -> list[tuple[str, tuple[str, ...]]]:
    return [(hand.kind, hand.sources) for hand in space.hands]


@few
@given(down_db=st.integers(2, 8), level_db=st.floats(35.0, 50.0))
def test_a_low_voice_is_raised_by_as_much_and_nothing_else(down_db, level_db):
    maskers = {"guitar": np.full(18, level_db), "keys": np.full(18, level_db - 3.0)}
    wanted = audible_pct(maskers, voice_db=float(down_db)) - NEAR_PCT
    space = make_space(
        held(maskers), dict.fromkeys(maskers, FADER), replace(LIMITS, wanted_pct=wanted, voice_up_db=12.0)
    )
    assert kinds(space) == [("voice", ())]
    assert space.settings.voice_db == down_db
    assert space.after_pct == pytest.approx(again_pct(maskers, space), abs=1e-3)


def test_what_the_voice_may_not_go_up_comes_down_at_the_one_source_that_covers_it():
    maskers = {"guitar": band(52.0, 400.0, 5000.0), "bass": band(50.0, 0.0, 200.0)}
    able = dict.fromkeys(maskers, FADER)
    limits = replace(LIMITS, wanted_pct=audible_pct(maskers, {"guitar": -4.0}, 3.0) - NEAR_PCT, voice_up_db=3.0)
    space = make_space(held(maskers), able, limits)
    assert kinds(space) == [("voice", ()), ("fader", ("guitar",))]
    assert [hand.change_db for hand in space.hands] == [3.0, -4.0]
    # no margin at all: the source comes down at once
    limits = replace(LIMITS, wanted_pct=audible_pct(maskers, {"guitar": -4.0}) - NEAR_PCT)
    space = make_space(held(maskers), able, limits)
    assert kinds(space) == [("fader", ("guitar",))]
    assert space.hands[0].change_db == -4.0


def test_a_source_that_left_its_kept_weeks_goes_back_and_the_voice_stays():
    maskers = {"guitar": np.full(18, 48.0), "keys": np.full(18, 42.0)}
    limits = replace(
        LIMITS, wanted_pct=audible_pct(maskers, {"guitar": -6.0}), voice_up_db=6.0, back_db={"guitar": -6.0}
    )
    space = make_space(held(maskers), dict.fromkeys(maskers, FADER), limits)
    assert kinds(space) == [("back", ("guitar",))]
    assert space.settings.voice_db == 0.0
    # one that covers nothing stays where it is, whatever its weeks were
    maskers["bass"] = band(55.0, 0.0, 160.0) - 40.0
    limits = replace(limits, back_db={"bass": -6.0}, wanted_pct=audible_pct(maskers, voice_db=3.0))
    assert kinds(make_space(held(maskers), dict.fromkeys(maskers, FADER), limits)) == [("voice", ())]


def test_an_open_microphone_that_nobody_uses_is_muted_first_and_only_where_it_covers():
    maskers = {"guitar": np.full(18, 40.0), "lectern": np.full(18, 44.0)}
    wanted = audible_pct(maskers, {"lectern": NOTHING_DB}) - 0.5
    limits = replace(LIMITS, wanted_pct=wanted, voice_up_db=12.0, unused=["lectern"])
    space = make_space(held(maskers), {"guitar": FADER}, limits)
    assert kinds(space) == [("mute", ("lectern",))]
    assert space.after_pct == pytest.approx(again_pct(maskers, space), abs=0.05)
    maskers["lectern"] = np.full(18, 15.0)
    limits = replace(limits, wanted_pct=audible_pct(maskers, voice_db=4.0))
    assert kinds(make_space(held(maskers), {"guitar": FADER}, limits)) == [("voice", ())]


def test_a_group_is_one_hand_and_comes_down_where_its_members_together_cover_the_voice():
    maskers = {name: np.full(18, 43.0) for name in ("guitar a", "guitar b", "guitar c", "piano")}
    able = dict.fromkeys(maskers, FADER)
    guitars = ("guitar a", "guitar b", "guitar c")
    wanted = audible_pct(maskers, dict.fromkeys(guitars, -3.0)) - NEAR_PCT
    space = make_space(held(maskers), able, replace(LIMITS, wanted_pct=wanted, groups={"guitars": guitars}))
    assert kinds(space) == [("group", guitars)]
    assert space.hands[0].change_db == -3.0
    # without the group no single one is enough: more hands
    assert len(make_space(held(maskers), able, replace(LIMITS, wanted_pct=wanted)).hands) > 1


@few
@given(
    levels=st.lists(st.floats(30.0, 60.0), min_size=4, max_size=4),
    lows=st.lists(st.sampled_from([160.0, 315.0, 630.0, 1250.0]), min_size=4, max_size=4),
    highs=st.lists(st.sampled_from([2000.0, 4000.0, 8000.0]), min_size=4, max_size=4),
    more=st.floats(1.5, 25.0),
    up_db=st.integers(0, 6),
)
def test_three_hands_at_most_worth_what_is_told_and_the_last_no_further_than_needed(levels, lows, highs, more, up_db):
    maskers = {f"m{number}": band(*shape) for number, shape in enumerate(zip(levels, lows, highs, strict=True))}
    wanted = audible_pct(maskers) + more
    able = dict.fromkeys(maskers, FADER)
    space = make_space(held(maskers), able, replace(LIMITS, wanted_pct=wanted, voice_up_db=float(up_db)))
    if space is None:
        assert audible_pct(maskers, dict.fromkeys(maskers, -MOST_DB)) - audible_pct(maskers) < 3 * 1.0 + 1.0
        return
    assert len(space.hands) <= MOST_HANDS
    assert space.after_pct == pytest.approx(again_pct(maskers, space), abs=1e-3)
    assert 0.0 <= space.settings.voice_db <= up_db
    assert all(-MOST_DB <= giving.fader_db <= 0.0 for giving in space.settings.giving.values())
    last = space.hands[-1]
    if space.after_pct >= wanted and last.kind == "fader":
        [name] = last.sources
        change_db = {source: giving.fader_db for source, giving in space.settings.giving.items()}
        change_db[name] += 1.0
        assert audible_pct(maskers, change_db, space.settings.voice_db) < wanted + 1e-6


def test_what_three_hands_cannot_reach_is_said():
    maskers = {f"m{number}": np.full(18, 40.0) for number in range(6)}
    space = make_space(held(maskers), dict.fromkeys(maskers, FADER), replace(LIMITS, wanted_pct=95.0, voice_up_db=3.0))
    assert len(space.hands) == MOST_HANDS
    assert not space.reached


def test_nothing_is_moved_when_the_voice_is_clear():
    maskers = {"pad": np.full(18, 10.0)}
    limits = replace(LIMITS, wanted_pct=audible_pct(maskers) - 1.0, voice_up_db=6.0)
    assert make_space(held(maskers), {"pad": FADER}, limits) is None
    assert make_space(held(maskers), {}, replace(LIMITS, wanted_pct=100.0)) is None


def test_an_equaliser_comes_after_a_fader():
    """A pad that covers one band: its fader is at its end, and the band's bell does what is missing."""
    maskers = {"pad": band(60.0, 1600.0, 2500.0)}
    able = {"pad": Abilities(fader_step_db=1.0, bell_step_db=1.0, bells=(Bell(frequency_hz=2000.0, q=1.4),))}
    wanted = audible_pct(maskers, {"pad": -9.0})
    space = make_space(held(maskers), able, replace(LIMITS, wanted_pct=wanted))
    assert [hand.kind for hand in space.hands] == ["fader", "bell"]
    assert space.reached


def test_a_bell_does_in_each_band_what_the_filter_does():
    """Against scipy's response of the analogue prototype H(s) = (s² + s A/Q + 1) / (s² + s/(A Q) + 1), A² the gain."""
    import scipy.signal as ss

    gain_db, q, hz = -4.0, 1.4, 2000.0
    root = 10 ** (gain_db / 40)
    fine = np.array(BANDS_HZ)[:, None] * 2.0 ** np.linspace(-1 / 6, 1 / 6, 41)
    _, response = ss.freqs([1, root / q, 1], [1, 1 / (root * q), 1], worN=fine.ravel() / hz)
    wanted = (np.abs(response.reshape(fine.shape)) ** 2).mean(axis=1)
    gains = bands_of(Bell(frequency_hz=hz, q=q), gain_db)
    assert 10 * np.log10(gains) == pytest.approx(10 * np.log10(wanted), abs=0.2)


@few
@given(
    levels=st.lists(st.floats(30.0, 60.0), min_size=2, max_size=2), more=st.floats(1.5, 12.0), wide=st.floats(0.7, 4.0)
)
def test_no_hand_takes_mono_below_its_limit(levels, more, wide):
    """A voice that is wider than what covers it: each fader turned down takes the middle away."""
    maskers = {"low": band(levels[0], 315.0, 1600.0), "high": band(levels[1], 1250.0, 6300.0)}
    limits = replace(LIMITS, wanted_pct=audible_pct(maskers) + more)
    space = make_space(held(maskers, voice_side=wide), dict.fromkeys(maskers, FADER), limits)
    if space is not None:
        assert space.mono_loss_after_db >= min(LIMITS.mono_loss_limit_db, space.mono_loss_before_db) - 1e-6


def test_a_middle_that_follows_its_level_comes_after_the_fader():
    """A pad that is loud in half of the frames, whose middle's threshold takes off there what is missing."""
    maskers = {"pad": np.full(18, 46.0)}
    feed = held(maskers, side={"pad": 1.0})
    off_db = np.array([0.0, 1.0, 0.0, 1.0])
    ways = {}
    for step in range(1, 7):
        gain = 10 ** (-step * off_db / 10)
        ways[-float(step)] = [
            PhraseOfSource(
                noise=gain[:, None] * feed[0].noise[0], middle=gain.mean() * feed[0].middle[0], side=feed[0].side[0]
            )
        ]
    able = {"pad": Abilities(fader_step_db=1.0, thresholds=ways)}
    wanted = audible_pct(maskers, {"pad": -6.0}) + 4.0
    space = make_space(feed, able, replace(LIMITS, wanted_pct=wanted))
    assert [hand.kind for hand in space.hands] == ["fader", "threshold"]
    assert space.reached


def test_headroom_is_counted_as_if_all_peaks_fell_together():
    """Arithmetic: a mix that peaks at 0.5 and a voice that peaks at 0.2 may be raised until 0.5 + 0.2 (g - 1) is 10^(-1/20)."""
    up_db = headroom_db(20 * np.log10(0.5), 0.2)
    assert 0.5 + 0.2 * (10 ** (up_db / 20) - 1) == pytest.approx(10 ** (-1 / 20))
    assert headroom_db(-0.5, 0.2) == 0.0


def test_the_rooms_limit_is_counted_with_the_voice_as_loud_as_the_rest():
    """Arithmetic: powers 1 and 1; 3.01 dB more of the whole is 2 more, a voice of 3: 4.77 dB."""
    [phrase] = held({"pad": np.zeros(18)})
    feed = [replace(phrase, middle=np.full((1, 18), 1 / 18), side=np.zeros((1, 18)), voice_middle=1.0, voice_side=0.0)]
    assert below_limit_db(feed, 10 * np.log10(2.0)) == pytest.approx(10 * np.log10(3.0))
    assert below_limit_db(feed, 0.0) == below_limit_db(feed, -2.0) == 0.0
