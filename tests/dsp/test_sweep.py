"""Exponential sweeps: the sweep itself, the response it gives back, harmonics apart in time, a clock that is off.

In order: the sweep; a delay and a gain; harmonics where Farina puts them and as strong as they are; the clock.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp.sweep import SweepShape, deconvolved, exponential_sweep

RATE_HZ = 48000
SHAPE = SweepShape(low_hz=50.0, high_hz=16000.0, length_s=3.0, fade_in_s=0.05, fade_out_s=0.01)


@pytest.mark.source("scipy.signal.chirp, method 'logarithmic'")
def test_the_sweep_is_the_chirp_of_scipy():
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    # scipy's starts as a cosine
    chirp = ss.chirp(time_s, 50.0, 3.0, 16000.0, method="logarithmic", phi=-90)
    inside = slice(round(0.06 * RATE_HZ), round(2.98 * RATE_HZ))
    assert np.abs(exponential_sweep(SHAPE, sample_rate_hz=RATE_HZ) - chirp)[inside].max() < 1e-6


@pytest.mark.parametrize("delay", [0, 4801])
def test_a_delay_and_a_gain_come_back(delay):
    sweep = exponential_sweep(SHAPE, sample_rate_hz=RATE_HZ)
    recording = np.concatenate([np.zeros(delay), 0.25 * sweep, np.zeros(RATE_HZ)])
    response = deconvolved(recording, SHAPE, sample_rate_hz=RATE_HZ)
    assert np.argmax(np.abs(response.samples)) == response.origin + delay
    frames = slice(response.origin + delay - 9600, response.origin + delay + 9600)
    spectrum = np.fft.rfft(response.samples[frames], 48000)[200:12001]
    assert np.abs(20 * np.log10(np.abs(spectrum) / 0.25)).max() < 0.05


@pytest.mark.source(
    "Farina 2000 (AES 108, 5093): harmonic n comes L ln n before the linear response; sin^2 and sin^3 by hand"
)
@pytest.mark.parametrize(("harmonic", "bend"), [(2, 0.02), (3, 0.04)])
def test_a_harmonic_stands_where_it_should_and_is_as_strong(harmonic, bend):
    sweep = exponential_sweep(SHAPE, sample_rate_hz=RATE_HZ)
    # x^2 = (1 - cos 2wt) / 2 and x^3 = (3 sin wt - sin 3wt) / 4
    strength = bend / {2: 2.0, 3: 4.0}[harmonic]
    recording = np.concatenate([sweep + bend * sweep**harmonic, np.zeros(RATE_HZ)])
    response = deconvolved(recording, SHAPE, sample_rate_hz=RATE_HZ)
    middle = response.origin - round(SHAPE.lead_s(harmonic) * RATE_HZ)
    near = response.samples[middle - 4800 : middle + 4800]
    assert abs(int(np.argmax(np.abs(ss.hilbert(near)))) - 4800) <= 2
    spectrum = np.abs(np.fft.rfft(near, 48000))[400:8001]
    assert np.median(spectrum) == pytest.approx(strength, rel=0.02)


def test_a_clock_that_is_off_is_a_rate_that_is_no_whole_number():
    """Known truth: the same sweep at a rate 500 ppm off comes back as one sharp peak once the rate is told."""
    rate_hz = RATE_HZ * (1 + 500e-6)
    recording = np.concatenate([exponential_sweep(SHAPE, sample_rate_hz=rate_hz), np.zeros(RATE_HZ)])
    told, untold = (
        np.abs(deconvolved(recording, SHAPE, sample_rate_hz=rate).samples).max() for rate in (rate_hz, RATE_HZ)
    )
    assert untold < 0.5 * told
