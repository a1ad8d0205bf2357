"""Band centres and edges, how bins are shared among bands, the decimator in front of the lowest bands.

The table of IEC 61260-1 first, then arithmetic on the weights, then the decimator against scipy.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp import spectrum
from tests.support.tables import rows

BANDS: Final = rows("iec61260_bands")
RATES_HZ: Final = (44100, 48000, 88200, 96000, 176400, 192000)


@pytest.mark.source("IEC 61260-1:2014, formulas 1 to 5, Annex E")
def test_centres_and_edges() -> None:
    table = [row for row in BANDS if float(row["freq_nominal_hz"]) >= 20]
    assert [float(row["freq_nominal_hz"]) for row in table] == list(spectrum.NOMINAL_HZ)
    # the table prints five decimals
    np.testing.assert_allclose(spectrum.exact_hz(), [float(row["freq_exact_hz"]) for row in table], rtol=0, atol=5.1e-6)
    edges = [float(table[0]["lower_edge_hz"]), *(float(row["upper_edge_hz"]) for row in table)]
    np.testing.assert_allclose(spectrum.edges_hz(), edges, rtol=0, atol=5.1e-6)


@pytest.mark.source("IEC 61260-1:2014, Annex E: octave bands among the one-third octaves")
def test_octaves() -> None:
    octaves = [float(row["freq_nominal_hz"]) for row in BANDS if row["is_octave_centre"] == "yes"]
    assert list(spectrum.OCTAVES_HZ) == [hz for hz in octaves if hz >= 31.5]


@pytest.mark.source("scipy.signal.get_window")
@pytest.mark.parametrize("frames", [pytest.param(frames, id=f"{frames}-frames") for frames in (8, 7526, 8192)])
def test_window_is_periodic_hann(frames: int) -> None:
    np.testing.assert_allclose(spectrum.hann(frames), ss.get_window("hann", frames), atol=1e-7)


@pytest.mark.parametrize("transform", [pytest.param(4096, id="no-padding"), pytest.param(5000, id="padded")])
@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in ("tone", "noise", "dc", "nyquist")])
def test_weights_over_all_bands_give_the_mean_square(rng: np.random.Generator, transform: int, kind: str) -> None:
    # Parseval: bands from 0 to half the rate together hold the power of the windowed signal
    frames, rate_hz = 4096, 48000
    signal = {
        "tone": np.sin(2 * np.pi * 1234.5 * np.arange(frames) / rate_hz),
        "noise": rng.standard_normal(frames),
        "dc": np.ones(frames),
        "nyquist": (-1.0) ** np.arange(frames),
    }[kind]
    window = spectrum.hann(frames)
    edges = np.array([0.0, 100.0, 1000.0, 1250.0, 9999.0, 24000.0])
    weights = spectrum.band_weights(edges, sample_rate_hz=rate_hz, transform=transform, window=window)
    power = np.abs(np.fft.rfft(signal * window, transform)) ** 2
    expected = np.sum((signal * window) ** 2) / np.sum(window.astype(np.float64) ** 2)
    assert float(power @ weights @ np.ones(5)) == pytest.approx(expected, rel=1e-5)


def test_each_bin_is_shared_wholly_between_bands_that_touch() -> None:
    window = spectrum.hann(8192)
    edges = spectrum.edges_hz()
    weights = spectrum.band_weights(edges, sample_rate_hz=48000, transform=8192, window=window)
    whole = spectrum.band_weights(edges[[0, -1]], sample_rate_hz=48000, transform=8192, window=window)
    np.testing.assert_allclose(weights.sum(axis=1), whole[:, 0], rtol=1e-6)


def test_bands_above_half_the_rate_hold_nothing() -> None:
    weights = spectrum.band_weights(
        spectrum.edges_hz(), sample_rate_hz=22050, transform=4096, window=spectrum.hann(4096)
    )
    # 12.5 kHz begins at 11.22 kHz, above half of 22.05 kHz
    assert not weights[:, spectrum.NOMINAL_HZ.index(12500.0) :].any()
    assert weights[:, spectrum.NOMINAL_HZ.index(10000.0)].any()


@pytest.mark.source("numpy")
def test_squared(rng: np.random.Generator) -> None:
    value = (rng.standard_normal((3, 100)) + 1j * rng.standard_normal((3, 100))).astype(np.complex64)
    out = np.empty((3, 100), np.float32)
    spectrum.squared(value, out)
    np.testing.assert_allclose(out, np.abs(value.astype(np.complex128)) ** 2, rtol=1e-6)


@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_decimation_divides_a_chunk_and_leaves_about_3_khz(rate_hz: int) -> None:
    factor = spectrum.decimation(rate_hz, rate_hz)
    assert rate_hz % factor == 0
    # the lowest bands end at 355 Hz and the hum at 760 Hz: both need room below half the new rate
    assert 2700 < rate_hz / factor < 3300


@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_decimator_stops_what_would_fold_back_as_its_docstring_states(rate_hz: int) -> None:
    factor = spectrum.decimation(rate_hz, rate_hz)
    new_rate_hz = rate_hz / factor
    stop_hz = np.linspace(0.75 * new_rate_hz, rate_hz / 2, 4001)
    response = spectrum.decimator_response(spectrum.decimator(factor), stop_hz, rate_hz)
    assert 20 * np.log10(response.max()) <= -90.0
    # what folds back from below that lands above a quarter of the new rate: above the last line of hum that is looked
    # for (14 x 50 Hz or 12 x 60 Hz)
    assert 0.25 * new_rate_hz > 720.0


@pytest.mark.source("scipy.signal.freqz")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_decimator_response(rate_hz: int) -> None:
    factor = spectrum.decimation(rate_hz, rate_hz)
    taps = spectrum.decimator(factor)
    frequency_hz = np.array([0.0, 20.0, 50.0, 120.0, 355.0, 760.0, 1500.0])
    _, expected = ss.freqz(taps.T.reshape(-1).astype(np.float64), worN=frequency_hz, fs=rate_hz)
    np.testing.assert_allclose(spectrum.decimator_response(taps, frequency_hz, rate_hz), np.abs(expected), atol=1e-9)
    # what the bands and the hum are read through is flat, so that the correction by the response is small
    assert np.abs(20 * np.log10(np.abs(expected[:6]))).max() < 0.05


@pytest.mark.source("scipy.signal.lfilter")
@pytest.mark.parametrize("factor", [pytest.param(factor, id=f"by-{factor}") for factor in (1, 4, 15, 16)])
def test_decimating_by_matrix_product(rng: np.random.Generator, factor: int) -> None:
    taps = spectrum.decimator(factor)
    count = 50
    signal = rng.standard_normal((count + spectrum.DECIMATOR_TAPS - 1) * factor).astype(np.float32)
    out = np.empty(count, np.float32)
    spectrum.sum_diagonals(signal.reshape(-1, factor) @ taps, out)
    # a correlation with taps in time order; the filter is symmetric, so it is the convolution too
    expected = np.correlate(signal.astype(np.float64), taps.T.reshape(-1).astype(np.float64), "valid")[::factor]
    np.testing.assert_allclose(out, expected[:count], atol=2e-6)
