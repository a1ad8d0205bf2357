"""Who gives way to a voice: the cheapest list there is, inside the limits, and nothing when nothing is needed.

The feeds are made of numbers here; what a list is worth is worked out again with the scalar index, and the cheapest is looked
for by trying every one.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.dsp.intelligibility import BANDS_HZ, IMPORTANCE, NORMAL_SPEECH_DB, audible_shares, level_distortion
from deskhand.mix.clearance import TrialPhrase
from deskhand.moves.giving import MOST_DB, Abilities, Bell, Giving, PhraseOfSource, bands_of
from deskhand.moves.space import make_space

few = settings(max_examples=25, deadline=None, derandomize=True, database=None)
LIMIT_DB = -3.0


def held(
    maskers: dict[str, np.ndarray],
    *,
    voice_db: float = 15.0,
    side: dict[str, float] | None = None,
    voice_side: float = 0.0,
) -> list[TrialPhrase]:
    """A voice of normal spectrum, raised, against steady maskers given by their (18,) spectrum levels."""
    names = tuple(maskers)
    speech = NORMAL_SPEECH_DB + voice_db
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


def audible_pct(maskers: dict[str, np.ndarray], down_db: dict[str, np.ndarray], *, voice_db: float = 15.0) -> float:
    """By the scalar procedure of the standard (ANSI S3.5-1997), without the term for loud speech."""
    noise = sum(10 ** ((level + down_db.get(name, 0.0)) / 10) for name, level in maskers.items())
    shares = audible_shares(NORMAL_SPEECH_DB + voice_db, 10 * np.log10(noise))
    return 100.0 * float(np.sum(IMPORTANCE * shares))


def band(level_db: float, low_hz: float, high_hz: float) -> np.ndarray:
    """Spectrum level in some bands, next to nothing outside."""
    hz = np.array(BANDS_HZ)
    return np.where((hz >= low_hz) & (hz <= high_hz), level_db, level_db - 60.0)


def space(feed: list[TrialPhrase], able: dict[str, Abilities], wanted_pct: float):
    return make_space(feed, able, wanted_pct=wanted_pct, indexed=False, mono_loss_limit_db=LIMIT_DB)


FADER = Abilities(fader_step_db=1.0)


@few
@given(
    levels=st.lists(st.floats(20.0, 60.0), min_size=3, max_size=3),
    lows=st.lists(st.sampled_from([160.0, 315.0, 630.0, 1250.0]), min_size=3, max_size=3),
    highs=st.lists(st.sampled_from([2000.0, 4000.0, 8000.0]), min_size=3, max_size=3),
    more=st.floats(2.0, 15.0),
)
def test_no_cheaper_list_of_faders_is_found_by_trying_all(levels, lows, highs, more):
    maskers = {f"m{at}": band(*one) for at, one in enumerate(zip(levels, lows, highs, strict=True))}
    before = audible_pct(maskers, {})
    wanted = before + more
    found = space(held(maskers), dict.fromkeys(maskers, FADER), wanted)
    best = None
    most = 0.0
    for steps in itertools.product(range(int(MOST_DB) + 1), repeat=3):
        reached = audible_pct(
            maskers, {name: np.full(18, -float(down)) for name, down in zip(maskers, steps, strict=True)}
        )
        most = max(most, reached)
        if reached >= wanted and (best is None or sum(steps) < best):
            best = sum(steps)
    if found is None:
        # nothing that can be turned gives anything
        assert most - before < 0.1
        return
    down = {name: np.full(18, giving.fader_db) for name, giving in found.giving.items()}
    assert found.after_pct == pytest.approx(audible_pct(maskers, down), abs=1e-3)
    if best is None:
        assert not found.reached
        assert found.after_pct >= most - 0.1
    else:
        assert found.reached
        # each source that is touched costs half a decibel besides: a list of fewer sources may be that much longer
        assert found.change_db <= best + 1.0 + 1e-6
        assert found.plain_db is None or found.change_db <= found.plain_db + 1e-6


def test_who_does_not_cover_is_not_turned():
    maskers = {"guitar": band(50.0, 1000.0, 4000.0), "bass": band(60.0, 0.0, 160.0)}
    found = space(held(maskers), dict.fromkeys(maskers, FADER), audible_pct(maskers, {}) + 5.0)
    assert list(found.giving) == ["guitar"]
    assert found.reached


def test_a_cut_where_it_covers_is_less_than_its_fader():
    """A keyboard that is loud everywhere and above the voice in one band only."""
    maskers = {"keys": np.maximum(band(44.0, 2000.0, 2500.0), np.full(18, 20.0))}
    able = Abilities(bells=(Bell(frequency_hz=2240.0, q=1.4),))
    found = space(held(maskers), {"keys": able}, audible_pct(maskers, {}) + 1.5)
    [giving] = found.giving.values()
    assert giving.bell is not None
    assert giving.fader_db == 0.0
    down = {"keys": 10 * np.log10(bands_of(giving.bell, giving.bell_db))}
    assert audible_pct(maskers, down) >= audible_pct(maskers, {}) + 1.4


def test_a_bell_does_in_each_band_what_the_filter_does():
    """Against scipy's response of the analogue prototype H(s) = (s² + s A/Q + 1) / (s² + s/(A Q) + 1), A² the gain."""
    import scipy.signal as ss

    gain_db, q, hz = -4.0, 1.4, 2000.0
    root = 10 ** (gain_db / 40)
    fine = np.array(BANDS_HZ)[:, None] * 2.0 ** np.linspace(-1 / 6, 1 / 6, 41)
    _, response = ss.freqs([1, root / q, 1], [1, 1 / (root * q), 1], worN=fine.ravel() / hz)
    wanted = (np.abs(response.reshape(fine.shape)) ** 2).mean(axis=1)
    found = bands_of(Bell(frequency_hz=hz, q=q), gain_db)
    assert 10 * np.log10(found) == pytest.approx(10 * np.log10(wanted), abs=0.2)


def test_what_cannot_be_reached_is_approached_and_said():
    maskers = {"band": np.full(18, 90.0), "pad": np.full(18, 85.0)}
    found = space(held(maskers), dict.fromkeys(maskers, FADER), 95.0)
    assert found is None or not found.reached
    soft = {"band": np.full(18, 40.0), "pad": np.full(18, 38.0)}
    found = space(held(soft), dict.fromkeys(soft, FADER), 99.0)
    assert not found.reached
    assert all(giving.fader_db == -MOST_DB for giving in found.giving.values())


def test_nothing_is_turned_when_the_voice_is_clear():
    maskers = {"pad": np.full(18, 10.0)}
    assert space(held(maskers), {"pad": FADER}, audible_pct(maskers, {}) - 1.0) is None
    assert space(held(maskers), {}, 100.0) is None


def test_middles_are_not_given_away_beyond_the_mono_loss():
    """A pair whose sides are as strong as its middle: room is made by its middle only while mono keeps enough of the feed."""
    maskers = {"wide": np.full(18, 42.0)}
    feed = held(maskers, voice_db=0.0, side={"wide": 1.5})
    only_middle = Abilities(fader=False, middle=True)
    found = space(feed, {"wide": only_middle}, 95.0)
    assert found is None or found.mono_loss_after_db >= min(LIMIT_DB, found.mono_loss_before_db) - 1e-6
    roomy = make_space(feed, {"wide": only_middle}, wanted_pct=95.0, indexed=False, mono_loss_limit_db=-60.0)
    assert roomy.giving == {"wide": Giving(middle_db=-MOST_DB)}
    assert roomy.mono_loss_after_db < roomy.mono_loss_before_db - 1.0


@few
@given(
    levels=st.lists(st.floats(30.0, 60.0), min_size=2, max_size=2),
    more=st.floats(1.0, 12.0),
    wide=st.floats(0.7, 4.0),
)
def test_no_list_takes_mono_below_its_limit(levels, more, wide):
    """A voice that is wider than what covers it: each fader turned down takes the middle away, all of them alike as well."""
    maskers = {"low": band(levels[0], 315.0, 1600.0), "high": band(levels[1], 1250.0, 6300.0)}
    feed = held(maskers, voice_side=wide)
    wanted = audible_pct(maskers, {}) + more
    found = space(feed, dict.fromkeys(maskers, FADER), wanted)
    if found is not None:
        assert found.mono_loss_after_db >= min(LIMIT_DB, found.mono_loss_before_db) - 1e-6


def others(feed: list[TrialPhrase], name: str, taken_db: dict[float, np.ndarray]) -> dict[float, list[PhraseOfSource]]:
    """What a lower threshold leaves of a source: (frames,) decibels off its middle."""
    place = feed[0].names.index(name)
    out = {}
    for threshold_db, off_db in taken_db.items():
        gain = 10 ** (-off_db / 10)
        out[threshold_db] = [
            PhraseOfSource(
                noise=gain[:, None] * one.noise[place], middle=gain.mean() * one.middle[place], side=one.side[place]
            )
            for one in feed
        ]
    return out


def test_a_middle_that_follows_its_level_is_lowered_no_further_than_needed():
    """Loud in half of the frames: only there the threshold takes something off. Worked out again frame by frame."""
    maskers = {"pad": np.full(18, 42.0)}
    feed = held(maskers, side={"pad": 1.0})
    loud = np.array([0.0, 1.0, 0.0, 1.0])
    ways = others(feed, "pad", {-float(step): step * loud for step in range(1, 7)})

    def then(step: int) -> float:
        return float(np.mean([audible_pct(maskers, {"pad": np.full(18, -step * one)}) for one in loud]))

    wanted = then(3) - 0.05
    able = Abilities(fader=False, thresholds=ways)
    found = space(feed, {"pad": able}, wanted)
    assert found.giving == {"pad": Giving(threshold_db=-3.0)}
    # what is masked before and behind a loud frame is added by the index: not below what each frame alone gives
    assert found.after_pct == pytest.approx(then(3), abs=0.5)
    assert found.reached
    # its sides stay: the change of its level is less than what its middle gives
    assert 0.0 < found.change_db < 3.0
    # a fader would take more from the feed for the same
    by_fader = space(feed, {"pad": Abilities(fader_step_db=1.0)}, wanted)
    both = space(feed, {"pad": Abilities(fader_step_db=1.0, thresholds=ways)}, wanted)
    assert both.change_db <= min(found.change_db, by_fader.change_db) + 1e-6
    assert space(feed, {"pad": able}, then(6) + 5.0).giving == {"pad": Giving(threshold_db=-6.0)}


def test_a_lower_threshold_keeps_mono_inside_its_limit():
    maskers = {"wide": np.full(18, 42.0)}
    feed = held(maskers, voice_db=0.0, side={"wide": 1.5})
    ways = others(feed, "wide", {-float(step): np.full(4, 2.0 * step) for step in range(1, 7)})
    found = space(feed, {"wide": Abilities(fader=False, thresholds=ways)}, 95.0)
    assert found is None or found.mono_loss_after_db >= min(LIMIT_DB, found.mono_loss_before_db) - 1e-6
    free = make_space(
        feed,
        {"wide": Abilities(fader=False, thresholds=ways)},
        wanted_pct=95.0,
        indexed=False,
        mono_loss_limit_db=-60.0,
    )
    assert free.giving == {"wide": Giving(threshold_db=-6.0)}
    assert free.mono_loss_after_db < free.mono_loss_before_db - 1.0


def test_those_that_help_most_come_first():
    maskers = {"little": band(40.0, 160.0, 400.0), "much": band(48.0, 500.0, 8000.0)}
    found = space(held(maskers), dict.fromkeys(maskers, FADER), audible_pct(maskers, {}) + 40.0)
    assert next(iter(found.giving)) == "much"


@few
@given(
    levels=st.lists(st.floats(30.0, 60.0), min_size=4, max_size=4),
    lows=st.lists(st.sampled_from([160.0, 315.0, 630.0, 1250.0]), min_size=4, max_size=4),
    highs=st.lists(st.sampled_from([2000.0, 4000.0, 8000.0]), min_size=4, max_size=4),
    more=st.floats(1.0, 20.0),
)
def test_nothing_is_turned_further_than_needed(levels, lows, highs, more):
    """One step less of anything, and the voice is not as clear as wanted."""
    maskers = {f"m{at}": band(*one) for at, one in enumerate(zip(levels, lows, highs, strict=True))}
    wanted = audible_pct(maskers, {}) + more
    found = space(held(maskers), dict.fromkeys(maskers, FADER), wanted)
    if found is None or not found.reached:
        return
    down_db = {name: giving.fader_db for name, giving in found.giving.items()}
    for name, fader_db in down_db.items():
        less = {other: np.full(18, db + (1.0 if other == name else 0.0)) for other, db in down_db.items()}
        assert fader_db <= -1.0
        assert audible_pct(maskers, less) < wanted + 1e-6
