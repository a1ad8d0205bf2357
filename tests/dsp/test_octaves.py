"""Octave filters: the limits of the standard, no delay, many signals."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.dsp.octaves import exact_octave_hz, in_octaves, octave_magnitude
from tests.support.tables import rows


@pytest.mark.source("IEC 61260-1:2014, Table 1, class 1 (iec61260_class_limits.csv)")
@pytest.mark.parametrize("limits", rows("iec61260_class_limits"), ids=lambda row: f"{row['exponent_x']} {row['where']}")
@pytest.mark.parametrize("side", [1, -1])
def test_the_magnitude_is_inside_class_1(limits, side):
    inside = {"just inside": 1 - 1e-4, "just outside": 1 + 1e-4}.get(limits["where"], 1.0)
    ratio = (float(limits["omega_octave"]) * inside) ** side
    attenuation_db = -20 * np.log10(octave_magnitude(np.array([1000.0 * ratio]), 1000.0)[0])
    assert float(limits["class1_min_db"]) <= attenuation_db <= float(limits["class1_max_db"])


@pytest.mark.source("IEC 61260-1:2014, formula 2 and Annex E")
def test_exact_middles():
    middles_hz = [exact_octave_hz(hz) for hz in (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)]
    assert middles_hz == pytest.approx([63.10, 125.89, 251.19, 501.19, 1000.0, 1995.26, 3981.07, 7943.28], abs=0.005)


def test_a_click_stays_where_it_is():
    click = np.zeros(9600)
    click[4800] = 1.0
    filtered = in_octaves(click, (125.9, 1000.0), sample_rate_hz=48000)
    assert list(np.argmax(np.abs(filtered), axis=1)) == [4800, 4800]
    assert np.allclose(filtered[:, 4801:9500], filtered[:, 4799:100:-1], atol=1e-12)


def test_a_middle_above_half_the_rate_gives_nothing():
    assert not in_octaves(np.ones(100), (8000.0,), sample_rate_hz=8000).any()
