"""K-weighting: coefficients, response at every rate, the power that passes, streaming, four channels at once.

The published tables first, then a peer (scipy), then equality with itself.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp.loudness import OFFSET_LUFS, k_weighting_sos, weighted_energy
from tests.support.tables import rows, topic

RATES_HZ: Final = (44100, 48000, 88200, 96000, 192000)
TABLE: Final = topic("bs1770")["k_weighting"]
RESPONSE: Final = rows("bs1770_kweighting_response")
FREQUENCIES_HZ: Final = np.array([float(row["freq_hz"]) for row in RESPONSE])
GAINS_DB: Final = np.array([float(row["k_gain_db"]) for row in RESPONSE])


def gains_db(sample_rate_hz: int) -> np.ndarray:
    _, response = ss.sosfreqz(k_weighting_sos(sample_rate_hz), FREQUENCIES_HZ, fs=sample_rate_hz)
    return 20 * np.log10(np.abs(response))


def energies(signal: np.ndarray, step: int, sos: np.ndarray, state: np.ndarray | None = None) -> np.ndarray:
    out = np.empty(signal.size // step)
    weighted_energy(np.asarray(signal, np.float32), step, np.zeros(4) if state is None else state, sos, out)
    return out


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1, Tables 1 and 2")
@pytest.mark.parametrize(
    ("row", "key"),
    [
        pytest.param(0, "stage1_shelf_48k", id="table-1-shelf"),
        pytest.param(1, "stage2_highpass_48k", id="table-2-high-pass"),
    ],
)
def test_coefficients_at_48_khz(row: int, key: str) -> None:
    section = k_weighting_sos(48000)[row]
    # the tables print 14 decimals: half a unit of the last
    np.testing.assert_allclose(section[:3], TABLE[key]["b"], rtol=0, atol=5e-15)
    np.testing.assert_allclose(section[3:], TABLE[key]["a"], rtol=0, atol=5e-15)


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1: the same frequency response at other rates")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_response_at_each_rate(rate_hz: int) -> None:
    off_db = np.abs(gains_db(rate_hz) - GAINS_DB)
    low = FREQUENCIES_HZ <= 10000
    # 0.05 dB is half of what Tech 3341 allows a whole meter
    assert off_db[low].max() < 0.05
    # above 10 kHz the shelf is flat, so the bilinear mapping has little to bend; common practice, no source
    assert off_db[~low].max() < 0.01


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1: a 0 dBFS sine of 997 Hz in one front channel reads -3.01 LKFS")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_anchor_of_997_hz(rate_hz: int) -> None:
    wave = np.sin(2 * np.pi * 997.0 * np.arange(3 * rate_hz) / rate_hz)
    # the last second: 997 whole periods, the filters have settled
    mean_square = energies(wave, rate_hz, k_weighting_sos(rate_hz))[-1] / rate_hz
    # printed with two decimals; at other rates than 48 kHz the response may be off by what is allowed above
    assert OFFSET_LUFS + 10 * np.log10(mean_square) == pytest.approx(-3.01, abs=0.005 if rate_hz == 48000 else 0.01)


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1, Tables 1 and 2, eq. 1 and 2 (sines in one channel)")
@pytest.mark.parametrize("row", [pytest.param(row, id=f"{row['freq_hz']}-hz") for row in RESPONSE])
def test_sine_at_48_khz(row: dict[str, str]) -> None:
    frequency_hz = float(row["freq_hz"])
    wave = np.sin(2 * np.pi * frequency_hz * np.arange(4 * 48000) / 48000)
    # two seconds hold a whole number of periods of every frequency in the table, 31.5 Hz among them
    mean_square = energies(wave, 2 * 48000, k_weighting_sos(48000))[-1] / (2 * 48000)
    # four decimals are printed; the rest is what the filters still settle after two seconds, and float32
    assert OFFSET_LUFS + 10 * np.log10(mean_square) == pytest.approx(float(row["sine_one_channel_lkfs"]), abs=2e-4)


@pytest.mark.source("scipy.signal.sosfilt")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_energy_is_that_of_the_filtered_signal(rng: np.random.Generator, rate_hz: int) -> None:
    noise = rng.standard_normal(rate_hz // 2).astype(np.float32)
    step = rate_hz // 100
    sos = k_weighting_sos(rate_hz)
    expected = np.sum(ss.sosfilt(sos, noise.astype(np.float64)).reshape(-1, step) ** 2, axis=1)
    # both in float64; only the order of adding differs
    np.testing.assert_allclose(energies(noise, step, sos), expected, rtol=1e-9)


@pytest.mark.parametrize("steps", [pytest.param(count, id=f"{count}-steps-a-block") for count in (1, 3, 10, 100)])
def test_state_carries_over(rng: np.random.Generator, steps: int) -> None:
    noise = rng.standard_normal(480 * 100).astype(np.float32)
    sos = k_weighting_sos(48000)
    state = np.zeros(4)
    size = 480 * steps
    parts = [energies(noise[first : first + size], 480, sos, state) for first in range(0, noise.size, size)]
    np.testing.assert_array_equal(np.concatenate(parts), energies(noise, 480, sos))


def test_rest_is_left_alone() -> None:
    signal = np.zeros(1000, np.float32)
    signal[960:] = 1.0
    assert energies(signal, 480, k_weighting_sos(48000)).tolist() == [0.0, 0.0]
