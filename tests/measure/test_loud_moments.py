"""Loudness of the loudest moments: the run-in of the method's filters does not count, and the level is that of the whole."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.measure.loud_moments import exceeded_loudness_sone
from tests.support.signals import RATE_HZ, sine


@pytest.mark.source("ISO 532-1:2017, 3.17 and annex B.3: a tone of 1 kHz at 60 dB has 4 sone")
def test_a_steady_tone_has_its_loudness() -> None:
    tone = sine(1000.0, 1.5, level_dbfs=-20.0)[None]
    assert exceeded_loudness_sone(tone, sample_rate_hz=RATE_HZ, level_dba=60.0) == pytest.approx(4.0, rel=0.03)


def test_the_first_three_tenths_of_a_second_do_not_count(rng: np.random.Generator) -> None:
    # 100 ms at the start that are 20 dB louder than the rest, more than the twentieth part that is asked for
    noise = 0.05 * rng.standard_normal((1, round(1.4 * RATE_HZ)))
    burst = noise.copy()
    burst[:, : RATE_HZ // 10] *= 10.0
    found = exceeded_loudness_sone(burst, sample_rate_hz=RATE_HZ, level_dba=70.0)
    # the level is of the whole: what comes behind the burst is as loud as it would be alone at its own level
    rest = burst[:, round(0.3 * RATE_HZ) :]
    rest_dba = 70.0 + 10 * np.log10(np.mean(rest**2) / np.mean(burst**2))
    alone = exceeded_loudness_sone(rest, sample_rate_hz=RATE_HZ, level_dba=rest_dba)
    assert found == pytest.approx(alone, rel=0.1)


def test_less_than_a_second_and_silence_say_nothing() -> None:
    assert exceeded_loudness_sone(np.ones((1, RATE_HZ - 1)), sample_rate_hz=RATE_HZ, level_dba=60.0) is None
    assert exceeded_loudness_sone(np.zeros((1, 2 * RATE_HZ)), sample_rate_hz=RATE_HZ, level_dba=60.0) is None
