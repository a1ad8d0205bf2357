"""Level of sources whose soft and loud playing lie far apart: said only where two readings of it agree."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.house import ROLES
from deskhand.measure.activity import activity, loose_level_dbfs
from tests.support.judged import findings_of
from tests.support.signals import RATE_HZ, amplitude, white

NOMINAL_DBFS: Final = -46.0
LOUD_DB: Final = 16.0
"""Crashes stand so far above the rest of the playing."""


def playing(*, off_db: float, loud_share: float) -> np.ndarray:
    """Noise at nominal with louder stretches of 400 ms; the share of them differs from week to week."""
    rng = np.random.default_rng(8)
    sound = white(rng, 30.0, NOMINAL_DBFS + off_db)
    step = round(0.4 * RATE_HZ)
    for first in range(0, sound.size - step, step):
        if rng.random() < loud_share:
            sound[first : first + step] *= amplitude(LOUD_DB)
    sound[: 2 * RATE_HZ] *= amplitude(-40.0)
    return sound


def levels_said(sound: np.ndarray, role: str) -> list[tuple[str, str]]:
    findings = findings_of(sound, role=role, nominal_dbfs=NOMINAL_DBFS)[0]
    return [(finding.kind, finding.severity) for finding in findings if finding.kind.startswith("level")]


LOUD_SHARES: Final = {"overheads": 0.06, "keys": 0.25, "guitar": 0.25}
"""Role to the share of its loud moments. A kit's level is that of its loud strokes (common practice, no source): a few crashes are no loud kit, crashes
for a quarter of the song are."""
BY_ROLE: Final = [pytest.param(role, share, id=role) for role, share in LOUD_SHARES.items()]


@pytest.mark.source("known truth: most of the playing lies at nominal, by construction")
@pytest.mark.parametrize(("role", "loud_share"), BY_ROLE)
def test_a_few_loud_moments_are_no_wrong_gain(role: str, loud_share: float) -> None:
    assert levels_said(playing(off_db=0.0, loud_share=loud_share), role) == []


@pytest.mark.source("known truth: all of it lies 8 dB above nominal")
@pytest.mark.parametrize(("role", "loud_share"), BY_ROLE)
def test_a_wrong_gain_is_said_all_the_same(role: str, loud_share: float) -> None:
    for share in (0.0, loud_share):
        assert levels_said(playing(off_db=8.0, loud_share=share), role) == [("level-high", "fix")]


@pytest.mark.source("arithmetic: half of the playing is louder, the median of all lies between, or at, the two")
def test_the_loose_level_is_that_of_all_windows() -> None:
    blocks = np.full(100, 1e-4, np.float32)
    blocks[:30] = 1e-2
    # 1e-4 is a level of -40 dBFS of RMS, -36.99 dBFS as a sine reads (AES17)
    assert loose_level_dbfs(activity(blocks)) == pytest.approx(-36.99, abs=0.01)
    assert loose_level_dbfs(activity(np.full(100, 1e-12, np.float32))) is None


@pytest.mark.source("common practice, no source: overheads hear the whole kit, a close microphone one drum")
def test_who_hears_the_whole_kit() -> None:
    assert {name for name, role in ROLES.items() if role.hears_kit} == {"overheads"}


@pytest.mark.source("known truth: a fifth of the playing is 20 dB louder than the rest")
def test_a_whole_kit_is_not_parted_into_loud_and_soft() -> None:
    blocks = np.full(200, 1e-4, np.float32)
    blocks[:20] = 1e-9
    blocks[20::20] = blocks[21::20] = blocks[22::20] = blocks[23::20] = 1e-2
    assert activity(blocks, parted=True).fraction < 0.4
    assert activity(blocks, parted=False).fraction > 0.85


def talk(off_db: float) -> np.ndarray:
    """Six seconds of talk whose syllables lie 20 dB apart, after a pause."""
    rng = np.random.default_rng(11)
    sound = white(rng, 20.0, -100.0)
    step = round(0.3 * RATE_HZ)
    for syllable, apart_db in enumerate(rng.permutation(np.linspace(-10.0, 10.0, 20))):
        first = 4 * RATE_HZ + syllable * step
        sound[first : first + step] += white(rng, 0.3, NOMINAL_DBFS + off_db + float(apart_db))
    return sound


@pytest.mark.source(
    "arithmetic: the median of 20 values spread evenly over 20 dB is sure to about 2 x 20 / (2 sqrt(22)) = 4 dB"
)
def test_a_few_words_do_not_tell_a_level_to_two_decibels() -> None:
    assert levels_said(talk(1.9), "speech") == []
    assert [kind for kind, _ in levels_said(talk(12.0), "speech")] == ["level-high"]
