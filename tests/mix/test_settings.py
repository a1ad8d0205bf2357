"""Settings tried on a feed that is held: the same as when the whole chain is run again with them.

Each setting is made twice: on the energies that are held, and in the strips, whose chains then run over the recording.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest

from deskhand.dsp.intelligibility import BANDWIDTH_DB, audible_over_time, in_windows
from deskhand.errors import UsageError
from deskhand.house import MidSideBlock
from deskhand.mix.clearance import AudibilityLimits, FeedEnergies, clearance_of, measure_phrase, with_settings
from deskhand.mix.voices import hold_feeds, measure_voices, spans_of
from deskhand.recording import open_recording
from tests.support.signals import amplitude, at_level, plucks

from .test_voices import (
    CURVE,
    GUITAR_CHAIN,
    LENGTH_S,
    OFFSET_DB,
    SNARE_CHAIN,
    SUNG_S,
    VOICE_CHAIN,
    activity_of,
    band,
    house_of,
    source,
    strips_of,
    write,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.mix.clearance import Clearance
    from deskhand.mix.voices import FeedStrip
    from deskhand.recording import Recording

RATE_HZ: Final = 48000
NOTHING: Final[dict[str, Any]] = {"mid_down_db": {}, "fader_db": {}, "muted": ()}
ROUNDED_PCT: Final = 0.1001
"""Shares are said to a tenth of a point."""
TRIM_PCT: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """A recording of a voice, a pair and two single channels, each behind a chain, and its feed as it is held."""

    folder: Path
    recording: Recording
    strips: dict[str, FeedStrip]
    feeds: list[FeedEnergies]

    def again(self, strips: dict[str, FeedStrip]) -> Clearance:
        """Everything run over the recording again."""
        [found] = measure_voices(
            self.recording,
            strips,
            {"vox": activity_of(SUNG_S)},
            ["vox"],
            offset_db=OFFSET_DB,
            folder=self.folder,
            with_costs=False,
        )
        return found

    def tried(self, **settings: Any) -> Clearance:
        """The same settings on what is held."""
        return clearance_of([with_settings(feed, **(NOTHING | settings)) for feed in self.feeds], "vox",
                            offset_db=OFFSET_DB)  # fmt: skip


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    rng = np.random.default_rng(20260301)
    folder = tmp_path_factory.mktemp("settings") / "take"
    tracks = band(rng, RATE_HZ)
    # the left is in the right too: the pair has a middle and sides, which have much in common
    tracks["gtr r"] = 0.6 * tracks["gtr l"] + 0.5 * tracks["gtr r"]
    tracks["keys"] = at_level(plucks(rng, LENGTH_S, every_s=0.35, rate_hz=RATE_HZ), -30.0)
    write(folder, tracks, RATE_HZ)
    (folder / "curve.csv").write_text(CURVE)
    house = house_of(
        folder,
        source("vox", "lead vocal", chain=VOICE_CHAIN, fader="-3 dB"),
        source("guitar", "guitar", "gtr l", "gtr r", chain=GUITAR_CHAIN, fader="-2 dB"),
        source("snare", "snare", chain=SNARE_CHAIN, fader="2 dB"),
        source("keys", "keys", chain='[[source.chain]]\nblock = "pan"\nposition = "-60"\n'),
    )
    strips = strips_of(house, list(tracks))
    recording = open_recording(folder)
    feeds = hold_feeds(recording, strips, spans_of(activity_of(SUNG_S)), folder=folder)
    return Night(folder=folder, recording=recording, strips=strips, feeds=feeds)


def shares(found: Clearance) -> list[float]:
    """Everything that is said of how much is audible: whole and phrase by phrase, mono, left and right."""
    whole = (found.audible_pct, found.clearance_pct)
    return [
        *(value for sides in whole for value in (sides.mono, sides.left, sides.right)),
        *(value for one in found.phrases for value in (one.audible_pct, one.left_pct, one.right_pct)),
        *(one.clearance_pct for one in found.phrases),
    ]


def assert_alike(tried: Clearance, again: Clearance, within_pct: float) -> None:
    assert shares(tried) == pytest.approx(shares(again), abs=within_pct)
    assert [(one.start_s, one.end_s) for one in tried.phrases] == [(one.start_s, one.end_s) for one in again.phrases]
    assert tried.voice_to_rest_db == pytest.approx(again.voice_to_rest_db, abs=0.02)


def test_what_is_held(night: Night) -> None:
    assert [feed.start_s for feed in night.feeds] == [begin for begin, _ in spans_of(activity_of(SUNG_S))]
    for feed in night.feeds:
        assert feed.pairs == {"guitar"}
        for parts in feed.energies.values():
            # in single precision, and not a piece of something larger that stays with it
            assert all(part.dtype == np.float32 and part.base is None for part in parts)
        # a single channel in the centre takes a third; one that is panned has sides
        arrays = {name: len({id(part) for part in parts}) for name, parts in feed.energies.items()}
        assert arrays == {"vox": 1, "guitar": 3, "snare": 1, "keys": 3}


def test_nothing_changed_is_what_is_measured(night: Night) -> None:
    again = night.again(night.strips)
    held = clearance_of(night.feeds, "vox", offset_db=OFFSET_DB)
    assert_alike(held, again, ROUNDED_PCT)
    assert [one.word for one in held.phrases] == [one.word for one in again.phrases]
    assert night.tried() == held
    assert night.tried(mid_down_db={"guitar": 0.0}, fader_db={"snare": 0.0}) == held
    # the test itself: something is covered, not all of it, and the sides differ
    assert 15.0 < held.audible_pct.mono < 85.0
    assert abs(held.audible_pct.left - held.audible_pct.right) > 2.0


@pytest.mark.source("known truth: the house's own mid-side block behind the chain, and everything run again")
@pytest.mark.parametrize("down_db", [1.0, 3.0, 6.0, 12.0])
def test_a_middle_turned_down(night: Night, down_db: float) -> None:
    guitar = night.strips["guitar"]
    block = MidSideBlock(block="mid-side", mid=f"{-down_db:g} dB")
    again = night.again(night.strips | {"guitar": replace(guitar, blocks=(*guitar.blocks, block))})
    tried = night.tried(mid_down_db={"guitar": down_db})
    assert_alike(tried, again, TRIM_PCT)
    # further than what it may be off
    assert tried.audible_pct.mono > night.tried().audible_pct.mono + 2 * TRIM_PCT


@pytest.mark.source("known truth: the source left out of the feed, and everything run again")
@pytest.mark.parametrize("muted", [["guitar"], ["snare"], ["keys"], ["guitar", "keys"], ["guitar", "snare", "keys"]])
def test_sources_left_out(night: Night, muted: list[str]) -> None:
    again = night.again({name: strip for name, strip in night.strips.items() if name not in muted})
    tried = night.tried(muted=muted)
    assert_alike(replace(tried, voice_to_rest_db=None), replace(again, voice_to_rest_db=None), ROUNDED_PCT)
    assert (tried.voice_to_rest_db is None) == (again.voice_to_rest_db is None) == (len(muted) == 3)
    assert [one.source for one in tried.by_source] == [one.source for one in again.by_source]


@pytest.mark.source("known truth: the fader in the feed, and everything run again")
@pytest.mark.parametrize(
    "fader_db", [{"guitar": -6.0}, {"snare": 9.0}, {"keys": -20.0}, {"vox": 4.0}, {"vox": -3.0, "guitar": 2.5}]
)
def test_faders_moved(night: Night, fader_db: dict[str, float]) -> None:
    again = night.again(
        night.strips
        | {
            name: replace(night.strips[name], matrix=amplitude(by_db) * night.strips[name].matrix)
            for name, by_db in fader_db.items()
        }
    )
    tried = night.tried(fader_db=fader_db)
    assert_alike(tried, again, ROUNDED_PCT)
    assert tried.voice_to_rest_db != night.tried().voice_to_rest_db


@pytest.mark.source("known truth: block, fader and one source less, and everything run again")
def test_all_at_once(night: Night) -> None:
    guitar = night.strips["guitar"]
    block = MidSideBlock(block="mid-side", mid="-4 dB")
    strips = {name: strip for name, strip in night.strips.items() if name != "snare"}
    strips["guitar"] = replace(guitar, blocks=(*guitar.blocks, block), matrix=amplitude(3.0) * guitar.matrix)
    tried = night.tried(mid_down_db={"guitar": 4.0}, fader_db={"guitar": 3.0}, muted={"snare"})
    assert_alike(tried, night.again(strips), TRIM_PCT)


def test_what_is_held_stays_as_it_was(night: Night) -> None:
    feed = night.feeds[0]
    before = {name: [part.copy() for part in parts] for name, parts in feed.energies.items()}
    changed = with_settings(feed, mid_down_db={"guitar": 6.0}, fader_db={"guitar": 3.0, "vox": -1.0}, muted=["snare"])
    assert list(changed.energies) == ["vox", "guitar", "keys"]
    assert list(feed.energies) == ["vox", "guitar", "snare", "keys"]
    for name, parts in before.items():
        for old, now in zip(parts, feed.energies[name], strict=True):
            np.testing.assert_array_equal(now, old)
    # what is not changed is not copied, and what is the same everywhere is worked out once
    assert changed.energies["keys"][1] is feed.energies["keys"][1]
    assert len({id(part) for part in changed.energies["vox"]}) == 1
    assert changed.start_s == feed.start_s
    assert with_settings(feed, **(NOTHING | {"muted": ["guitar"]})).pairs == frozenset()


@pytest.mark.source("the same sums in double precision, by arithmetic")
def test_single_precision_is_no_coarser(rng: np.random.Generator) -> None:
    """A soft moment after a loud one: windows are differences of running sums, which single precision would spoil."""
    drop_db = np.where(np.arange(400) % 100 < 50, 0.0, -90.0)[:, None]
    # what is left in the soft moments covers some of the voice
    drops_db: dict[str, Any] = {"voice": 0.0, "drums": drop_db, "bass": -8.0}
    energies = {
        name: tuple((10.0 ** (0.1 * (drop + rng.normal(-40.0, 3.0, (400, 18))))).astype(np.float32) for _ in range(3))
        for name, drop in drops_db.items()
    }
    feed = FeedEnergies(start_s=0.0, energies=energies, pairs=frozenset({"drums"}))
    exactly = {name: [part.astype(np.float64) for part in parts] for name, parts in energies.items()}

    def assert_exact(feed: FeedEnergies, wanted: dict[str, list[NDArray[np.float64]]]) -> None:
        read = measure_phrase(feed, "voice", OFFSET_DB, with_costs=False)
        for place, side in enumerate(("mono", "left", "right")):
            spoken_db = 10.0 * np.log10(wanted["voice"][place].mean(axis=0)) + OFFSET_DB - BANDWIDTH_DB
            noise = in_windows(wanted["drums"][place] + wanted["bass"][place])
            heard = audible_over_time(spoken_db, noise * 10.0 ** (0.1 * (OFFSET_DB - BANDWIDTH_DB)))
            np.testing.assert_allclose(read.audible[side], heard, rtol=0.0, atol=1e-10)
            assert 0.1 < heard.mean() < 0.9
        assert read.voice_power == pytest.approx(wanted["voice"][0].sum(), rel=1e-12)
        assert read.rest_power == pytest.approx((wanted["drums"][0] + wanted["bass"][0]).sum(), rel=1e-12)

    assert_exact(feed, exactly)
    mono, left, right = exactly["drums"]
    gain, side, product = amplitude(-2.0), np.maximum(0.5 * (left + right) - mono, 0.0), 0.25 * (left - right)
    middle = gain**2 * mono
    down = [middle, middle + side + 2.0 * gain * product, middle + side - 2.0 * gain * product]
    assert_exact(
        with_settings(feed, mid_down_db={"drums": 2.0}, fader_db={"bass": -0.5}, muted=[]),
        exactly
        | {"drums": [np.maximum(part, 0.0) for part in down], "bass": [10.0**-0.05 * part for part in exactly["bass"]]},
    )


def test_the_house_s_own_words(night: Night) -> None:
    plain = clearance_of(night.feeds, "vox", offset_db=OFFSET_DB)
    edge = sorted(one.audible_pct for one in plain.phrases)[1]
    words = AudibilityLimits(clear_pct=edge + 0.05, covered_pct=edge - 0.05)
    found = clearance_of(night.feeds, "vox", offset_db=OFFSET_DB, words=words)
    assert [one.word for one in found.phrases] == [
        "covered" if one.audible_pct < edge - 0.05 else "clear" if one.audible_pct > edge + 0.05 else "strained"
        for one in plain.phrases
    ]
    assert {one.word for one in found.phrases} == {"covered", "strained", "clear"}
    assert found.words == words


@pytest.mark.parametrize("threads", [1, 3])
def test_threads_make_no_difference(night: Night, threads: int) -> None:
    held = hold_feeds(night.recording, night.strips, spans_of(activity_of(SUNG_S)), folder=night.folder,
                      threads=threads)  # fmt: skip
    found = clearance_of(held, "vox", offset_db=OFFSET_DB, threads=threads)
    assert found == clearance_of(night.feeds, "vox", offset_db=OFFSET_DB)


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"mid_down_db": {"piano": 3.0}}, "piano: is not in the feed; name one of: vox, guitar, snare, keys"),
        ({"fader_db": {"piano": 0.0}}, "piano: is not in the feed; name one of"),
        ({"muted": ["snare", "piano"]}, "piano: is not in the feed; name one of"),
        ({"mid_down_db": {"snare": 3.0}}, "snare: has no mid to turn down; turn down its fader"),
        ({"mid_down_db": {"keys": 3.0}}, "keys: has no mid to turn down; turn down its fader"),
    ],
)
def test_what_cannot_be_set(night: Night, settings: dict[str, Any], said: str) -> None:
    with pytest.raises(UsageError) as error:
        with_settings(night.feeds[0], **(NOTHING | settings))
    assert str(error.value).startswith(said)


def test_no_voice(night: Night) -> None:
    def refused(feeds: Sequence[FeedEnergies], voice: str) -> str:
        with pytest.raises(UsageError) as error:
            clearance_of(feeds, voice, offset_db=OFFSET_DB)
        return str(error.value)

    assert refused(night.feeds, "nobody").startswith("nobody: is not in the feed; name one of: vox, guitar")
    muted = [with_settings(feed, **(NOTHING | {"muted": ["vox"]})) for feed in night.feeds]
    assert refused(muted, "vox").startswith("vox: is not in the feed")
    assert refused([*night.feeds[:1], *muted], "vox").startswith("vox: is not in the feed; name one of: guitar")
    assert refused([], "vox").startswith("vox: has no phrase in this take")
