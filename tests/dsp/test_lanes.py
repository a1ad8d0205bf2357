"""The vectorised filters against their scalar reference and against scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp import lanes
from deskhand.dsp.loudness import k_weighting_sos, weighted_energy
from deskhand.dsp.spectrum import octave_sos

FILTERS = (
    k_weighting_sos(48000),
    octave_sos(2000.0, 8000.0, sample_rate_hz=48000),
    octave_sos(88.0, 177.0, sample_rate_hz=48000),
)


@pytest.mark.parametrize("step", [pytest.param(step, id=f"{step}-frames-a-step") for step in (1, 441, 480, 4800)])
@pytest.mark.parametrize("first", [pytest.param(first, id=f"from-{first}") for first in (0, 7)])
def test_equal_to_the_scalar_kernel_to_the_last_bit(rng: np.random.Generator, step: int, first: int) -> None:
    signal = (rng.standard_normal((4, 4 * 4800)) * [[1.0], [1e-4], [0.0], [0.3]]).astype(np.float32)
    state = np.zeros((3, 5, 4))
    state[:, :4] = rng.standard_normal((3, 4, 4)) * 1e-3
    before = state.copy()
    out = np.empty((3, (signal.shape[1] - first) // step, 4))
    lanes.energies(signal, first, step, lanes.coefficients(*FILTERS), state, out)
    for at, sos in enumerate(FILTERS):
        for lane in range(4):
            alone_state = before[at, :4, lane].copy()
            alone = np.empty(out.shape[1])
            weighted_energy(signal[lane, first:].copy(), step, alone_state, sos, alone)
            np.testing.assert_array_equal(out[at, :, lane], alone)
            np.testing.assert_array_equal(state[at, :4, lane], alone_state)


def test_against_scipy(rng: np.random.Generator) -> None:
    """scipy.signal.sosfilt, a general-purpose library, filters the same sections."""
    signal = rng.standard_normal((4, 48000)).astype(np.float32)
    out, state = np.empty((3, 100, 4)), np.zeros((3, 5, 4))
    lanes.energies(signal, 0, 480, lanes.coefficients(*FILTERS), state, out)
    for at, sos in enumerate(FILTERS):
        expected = (ss.sosfilt(sos, signal.astype(np.float64), axis=1) ** 2).reshape(4, 100, 480).sum(axis=2)
        np.testing.assert_allclose(out[at].T, expected, rtol=1e-9)


@pytest.mark.source("Butterworth 1930: second order, 3.01 dB down at its corner; scipy.signal.butter designs the same")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 48000, 96000)])
def test_octave_filters_are_butterworth(rate_hz: int) -> None:
    expected = np.vstack(
        [ss.butter(2, 707.0, "high", fs=rate_hz, output="sos"), ss.butter(2, 1414.0, "low", fs=rate_hz, output="sos")]
    )
    np.testing.assert_allclose(octave_sos(707.0, 1414.0, sample_rate_hz=rate_hz), expected, rtol=1e-9, atol=1e-12)
