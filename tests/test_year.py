"""The made year of validations/year.py: its truth against scipy, and its first evenings, checked and kept."""

from __future__ import annotations

import re

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.tasks import keep as keeping
from deskhand.tasks.check import check
from tests.support.year import (
    DRIFTS,
    NO_DATE,
    OVER_MIDNIGHT,
    RATE_HZ,
    RENAMED_SOURCE,
    evening,
    house_text,
    keep_at,
    shelf_db,
    shelved,
    write_week,
)


@pytest.mark.source("scipy.signal.welch of noise before and behind the shelf")
@pytest.mark.parametrize("gain_db", [-10.0, -3.0, 6.0])
def test_the_shelf_is_what_the_truth_says(rng, gain_db):
    noise = rng.standard_normal(20 * RATE_HZ)
    hertz, before = ss.welch(noise, RATE_HZ, nperseg=4800)
    _, behind = ss.welch(shelved(noise, gain_db), RATE_HZ, nperseg=4800)
    for frequency_hz in (500.0, 2000.0, 8000.0):
        line = int(np.argmin(np.abs(hertz - frequency_hz)))
        near = slice(line - 3, line + 4)
        assert 10 * np.log10(behind[near].sum() / before[near].sum()) == pytest.approx(
            shelf_db(gain_db, frequency_hz), abs=0.1
        )


def test_when_a_drift_leaves_two_decibels():
    level, tone, noise = DRIFTS
    # 0.4 dB a week after week 13: 2.4 dB in week 19; 1 dB a week after week 11: 3 dB in week 14
    assert (level.leaves(), noise.leaves()) == (19, 14)
    assert level.at_db(40) == pytest.approx(0.4 * 14)
    assert tone.at_db(tone.after) == 0.0
    # a flat spectrum: an octave far above the corner falls by nearly the whole shelf, less what most octaves do
    flat_db = np.full(31, -15.0)
    assert tone.a_week_db < tone.pace_db(flat_db) < 0.5 * tone.a_week_db
    assert tone.leaves(flat_db) < tone.until


def test_evenings_without_a_note(tmp_path):
    """The noise of the bass goes up by 3 dB a week after the eighth; one evening has no date, one is recorded over midnight."""
    told = ""
    weeks = [1, 2, 3, 4, 5, 6, 7, 8, NO_DATE, 10, 11, OVER_MIDNIGHT]
    for place, week in enumerate(weeks):
        text = house_text(week, sources=("bass",))
        (tmp_path / "house.toml").write_text(text, "utf-8")
        recording = write_week(tmp_path, week, seed=5, sources=("bass",), noise_db=3.0 * max(0, place - 7))
        checked = check(recording)
        assert checked.result.show.date == (None if week == NO_DATE else evening(week).isoformat())
        kept = keeping.keep(checked, recording, history=None, terms=keeping.KeepTerms(by="Mara", with_faults=True))
        keep_at(tmp_path, kept.number, place + 1 if week == NO_DATE else week)
        (source,) = checked.result.sources
        assert source.name == ("bass DI" if week >= RENAMED_SOURCE else "bass")
        told = " ".join(finding.text for finding in source.findings)
    # the last of them half a year later: a step, or a rise
    assert re.search(r"its noise has (crept up by|been .* higher)", told), told
