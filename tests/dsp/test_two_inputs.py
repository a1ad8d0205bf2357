"""Responses from two inputs: against scipy's spectra, against least squares by hand, and the random error that is promised."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from deskhand.dsp.two_inputs import CrossSpectra, cross_spectra, solve_responses


@pytest.mark.source("scipy.signal.csd and welch: Hann, half overlapping, no detrending")
def test_spectra_of_one_input_are_those_of_scipy(rng: np.random.Generator) -> None:
    feed, noise = rng.standard_normal((2, 8192))
    seat = signal.lfilter([0.5, 0.25, -0.1], [1.0], feed) + 0.1 * noise
    spectra = cross_spectra(feed[None], seat, segment=512)
    settings = {"fs": 1.0, "window": "hann", "nperseg": 512, "detrend": False}
    _, cross = signal.csd(feed, seat, **settings)
    _, power = signal.welch(feed, **settings)
    ratio = spectra.cross[0] / spectra.inputs[0, 0]
    assert np.allclose(ratio, cross / power)
    assert np.allclose(solve_responses(spectra).response[0], ratio, rtol=1e-6)


@pytest.mark.source("numpy.linalg.lstsq on the segments' spectra, line by line")
def test_two_inputs_are_least_squares(rng: np.random.Generator) -> None:
    feed = rng.standard_normal((2, 4096))
    feed[1] += 0.7 * feed[0]
    seat = 0.5 * feed[0] - 0.3 * np.roll(feed[1], 5) + 0.2 * rng.standard_normal(4096)
    solved = solve_responses(cross_spectra(feed, seat, segment=256))
    window = signal.get_window("hann", 256)
    rows = np.array([np.fft.rfft(window * np.vstack([feed, seat])[:, at : at + 256]) for at in range(0, 3841, 128)])
    for line in (5, 60, 100):
        by_hand = np.linalg.lstsq(rows[:, :2, line], rows[:, 2, line], rcond=None)[0]
        assert np.allclose(solved.response[:, line], by_hand, rtol=1e-4)


@pytest.mark.source(
    "Bendat & Piersol, Random Data, 4th ed. 2010, 9.3: the variance of a response from coherence and averages, met by repeated draws"
)
def test_the_random_error_is_as_promised(rng: np.random.Generator) -> None:
    errors, promised = [], []
    for _ in range(40):
        feed = rng.standard_normal((2, 64 * 64))
        seat = feed[0] + 0.5 * feed[1] + rng.standard_normal(feed.shape[1])
        solved = solve_responses(cross_spectra(feed, seat, segment=128))
        errors.append(np.mean(np.abs(solved.response - np.array([[1.0], [0.5]]))[:, 2:-2] ** 2))
        promised.append(np.mean(solved.covariance[[0, 1], [0, 1]].real[:, 2:-2]))
    assert np.mean(promised) == pytest.approx(np.mean(errors), rel=0.1)


def test_parts_add_up_to_the_whole(rng: np.random.Generator) -> None:
    feed = rng.standard_normal((2, 2048))
    seat = rng.standard_normal(2048)
    parts = [cross_spectra(feed[:, at : at + 1024], seat[at : at + 1024], segment=256) for at in (0, 1024)]
    total = CrossSpectra.total(parts)
    assert total.segments == 14
    assert np.allclose(total.cross, parts[0].cross + parts[1].cross)


def test_sides_that_are_alike_leave_their_sum(rng: np.random.Generator) -> None:
    feed = np.tile(rng.standard_normal(8192), (2, 1))
    solved = solve_responses(cross_spectra(feed, 0.8 * feed[0], segment=512))
    assert np.allclose(solved.response.sum(axis=0), 0.8, atol=1e-3)
