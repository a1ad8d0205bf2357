"""Filters in lanes against their scalar reference and against scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp import lanes
from deskhand.dsp.intelligibility import third_octave_sos
from deskhand.dsp.loudness import k_weighting_sos, weighted_energy
from deskhand.dsp.spectrum import octave_sos

BANDS = (
    octave_sos(2000.0, 8000.0, sample_rate_hz=48000),
    octave_sos(88.0, 177.0, sample_rate_hz=48000),
    third_octave_sos(160.0, sample_rate_hz=48000),
)


def run(
    bank: lanes.FilterBank, signal: np.ndarray, state: np.ndarray, *, first: int = 0, step: int = 480
) -> np.ndarray:
    sums = np.empty((bank.rows, (signal.shape[1] - first) // step, lanes.LANES))
    signal = np.ascontiguousarray(signal)
    lanes.energies(signal, first, step, bank.weighting, bank.poles, bank.scales, state, sums)
    return sums


@pytest.mark.parametrize("step", [pytest.param(step, id=f"{step}-frames-a-step") for step in (1, 441, 480, 4800)])
@pytest.mark.parametrize("first", [pytest.param(first, id=f"from-{first}") for first in (0, 7)])
def test_weighting_equals_the_scalar_kernel_to_the_last_bit(rng: np.random.Generator, step: int, first: int) -> None:
    signal = (rng.standard_normal((8, 4 * 4800)) * np.geomspace(1.0, 1e-6, 8)[:, None]).astype(np.float32)
    bank = lanes.filter_bank(weighting=k_weighting_sos(48000))
    state = bank.state()
    state[0] = rng.standard_normal((4, 8)) * 1e-3
    before = state.copy()
    sums = run(bank, signal, state, first=first, step=step)
    for lane in range(8):
        alone_state, alone = before[0, :, lane].copy(), np.empty(sums.shape[1])
        weighted_energy(signal[lane, first:].copy(), step, alone_state, k_weighting_sos(48000), alone)
        np.testing.assert_array_equal(sums[0, :, lane], alone)
        np.testing.assert_array_equal(state[0, :, lane], alone_state)


@pytest.mark.parametrize("tracks", [1, 5, 8])
@pytest.mark.parametrize("bands", [1, 2, 3])
def test_against_scipy(rng: np.random.Generator, tracks: int, bands: int) -> None:
    """scipy.signal.sosfilt, a general-purpose library, filters the same sections."""
    signal = rng.standard_normal((tracks, 48000)).astype(np.float32)
    bank = lanes.filter_bank(weighting=k_weighting_sos(48000), bands=BANDS[:bands])
    state = bank.state()
    # in two blocks, as it is used
    sums = np.concatenate([run(bank, part, state) for part in np.split(signal, [4800], axis=1)], axis=1)
    for row, sos in enumerate((k_weighting_sos(48000), *BANDS[:bands])):
        expected = (ss.sosfilt(sos, signal.astype(np.float64), axis=1) ** 2).reshape(tracks, 100, 480).sum(axis=2)
        np.testing.assert_allclose(sums[row, :, :tracks].T, expected, rtol=1e-8)
        assert not sums[row, :, tracks:].any()


def test_other_zeros_are_refused() -> None:
    with pytest.raises(ValueError, match="zeros"):
        lanes.filter_bank(bands=[k_weighting_sos(48000)])


@pytest.mark.source("Butterworth 1930: second order, 3.01 dB down at its corner; scipy.signal.butter designs the same")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 48000, 96000)])
def test_octave_filters_are_butterworth(rate_hz: int) -> None:
    expected = np.vstack(
        [ss.butter(2, 707.0, "high", fs=rate_hz, output="sos"), ss.butter(2, 1414.0, "low", fs=rate_hz, output="sos")]
    )
    np.testing.assert_allclose(octave_sos(707.0, 1414.0, sample_rate_hz=rate_hz), expected, rtol=1e-9, atol=1e-12)
