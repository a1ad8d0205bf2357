"""Block peaks and powers, sharpness, and the true-peak interpolator with its skipping.

Plain numpy says what is right for the blocks; for the interpolator the published under-read formula, the published example
filter, and the ideal delay say it. What the interpolator's docstring states is checked word for word.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.dsp.peak import TAPS_A_SIDE, block_levels, interpolator, oversampling, sharpness, true_peak
from tests.support.tables import rows, topic

TRUE_PEAK: Final = topic("bs1770")["true_peak"]
# fractions of the sampling rate; the docstring speaks of everything up to 0.42
FRACTIONS: Final = np.linspace(0.0, 0.42, 421)


def levels(signal: np.ndarray, step: int) -> tuple[np.ndarray, np.ndarray, float]:
    blocks = -(-signal.size // step)
    tops, squares, total = np.empty(blocks, np.float32), np.empty(blocks, np.float32), np.zeros(1)
    block_levels(np.asarray(signal, np.float32), step, tops, squares, total)
    return tops, squares, float(total[0])


def blocks_of(signal: np.ndarray, step: int) -> list[np.ndarray]:
    return [signal[first : first + step].astype(np.float64) for first in range(0, signal.size, step)]


@pytest.mark.source("numpy")
@pytest.mark.parametrize(
    ("frames", "step"),
    [
        pytest.param(4800, 480, id="whole-blocks"),
        pytest.param(4801, 480, id="one-frame-left"),
        pytest.param(479, 480, id="less-than-a-block"),
        pytest.param(1, 480, id="one-frame"),
        pytest.param(4410, 441, id="odd-step"),
        pytest.param(64, 7, id="step-shorter-than-a-vector"),
    ],
)
def test_block_levels(rng: np.random.Generator, frames: int, step: int) -> None:
    signal = rng.standard_normal(frames).astype(np.float32)
    tops, squares, total = levels(signal, step)
    parts = blocks_of(signal, step)
    assert tops.tolist() == [float(np.abs(part).max()) for part in parts]
    # float32 sums of some hundred squares: a few units in the seventh digit
    np.testing.assert_allclose(squares, [np.mean(part**2) for part in parts], rtol=1e-6)
    assert total == pytest.approx(signal.sum(dtype=np.float64), abs=1e-4 * np.sqrt(frames))


@pytest.mark.parametrize(
    ("value", "peak"),
    [
        pytest.param(-1.0, 1.0, id="negative-full-scale"),
        pytest.param(-0.0, 0.0, id="negative-zero"),
        pytest.param(1e-40, 1e-40, id="denormal"),
        pytest.param(8.0, 8.0, id="above-full-scale"),
    ],
)
def test_block_peak_of_odd_values(value: float, peak: float) -> None:
    signal = np.zeros(480, np.float32)
    signal[100] = value
    assert levels(signal, 480)[0][0] == np.float32(peak)
    assert not np.signbit(levels(signal, 480)[0][0])


def test_sum_of_all_samples_adds_up_over_calls(rng: np.random.Generator) -> None:
    signal = (rng.standard_normal(4800) + 0.25).astype(np.float32)
    total = np.zeros(1)
    for first in (0, 2400):
        block_levels(signal[first : first + 2400], 480, np.empty(5, np.float32), np.empty(5, np.float32), total)
    assert total[0] == pytest.approx(levels(signal, 480)[2], abs=1e-9)


def fourth_differences(signal: np.ndarray, stride: int) -> np.ndarray:
    taps = np.zeros(4 * stride + 1)
    taps[::stride] = (1, -4, 6, -4, 1)
    return np.convolve(signal.astype(np.float64), taps, mode="valid")


def sharp(signal: np.ndarray, step: int, stride: int) -> tuple[np.ndarray, np.ndarray]:
    blocks = -(-(signal.size - 4 * stride) // step)
    top, squares = np.empty(blocks, np.float32), np.empty(blocks, np.float32)
    sharpness(np.asarray(signal, np.float32), step, stride, top, squares)
    return top, squares


@pytest.mark.source("numpy.convolve")
@pytest.mark.parametrize(
    ("frames", "step", "stride"),
    [
        pytest.param(4804, 480, 1, id="48-khz"),
        pytest.param(5000, 441, 1, id="44-khz-rest"),
        pytest.param(9608, 960, 2, id="96-khz"),
        pytest.param(9000, 1920, 4, id="192-khz-rest"),
    ],
)
def test_sharpness(rng: np.random.Generator, frames: int, step: int, stride: int) -> None:
    signal = rng.standard_normal(frames).astype(np.float32)
    top, squares = sharp(signal, step, stride)
    parts = blocks_of(fourth_differences(signal, stride), step)
    np.testing.assert_allclose(top, [np.abs(part).max() for part in parts], rtol=1e-5)
    np.testing.assert_allclose(squares, [np.mean(part**2) for part in parts], rtol=1e-5)


@pytest.mark.parametrize(
    ("rate_divisor", "gain_db"),
    [pytest.param(6, 0.0, id="a-sixth-of-the-rate"), pytest.param(12, -22.0, id="an-octave-lower")],
)
@pytest.mark.parametrize("stride", [pytest.param(stride, id=f"stride-{stride}") for stride in (1, 2, 4)])
def test_sharpness_of_tones_is_as_its_docstring_states(rate_divisor: int, gain_db: float, stride: int) -> None:
    # |H| = (2 sin(pi f s / rate))^4: 1 at a sixth, 0.0718 = -22.9 dB an octave lower; stated as "loses 22 dB"
    wave = np.sin(2 * np.pi * np.arange(12 * 800) / (rate_divisor * stride))
    _, squares = sharp(wave, 480, stride)
    assert 10 * np.log10(np.mean(squares[:-1]) / 0.5) == pytest.approx(gain_db, abs=1.0)


def test_sharpness_of_white_noise_is_as_its_docstring_states(rng: np.random.Generator) -> None:
    # 1 + 16 + 36 + 16 + 1 = 70 times the power, 18.45 dB; the tolerance is what 1 s of noise leaves open
    noise = rng.standard_normal(48000)
    assert 10 * np.log10(np.mean(sharp(noise, 480, 1)[1]) / np.mean(noise**2)) == pytest.approx(18.5, abs=0.2)


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 2: four times at 48 kHz, and so to about 192 kHz")
@pytest.mark.parametrize(
    ("rate_hz", "times"),
    [
        pytest.param(44100, 4, id="44100-hz"),
        pytest.param(48000, 4, id="48000-hz"),
        pytest.param(88200, 2, id="88200-hz"),
        pytest.param(96000, 2, id="96000-hz"),
        pytest.param(176400, 1, id="176400-hz"),
        pytest.param(192000, 1, id="192000-hz"),
    ],
)
def test_oversampling(rate_hz: int, times: int) -> None:
    assert oversampling(rate_hz) == times
    assert interpolator(times).shape == (times - 1, 2 * TAPS_A_SIDE)


def error(factor: int, fractions: np.ndarray) -> np.ndarray:
    """Largest distance between each phase's response and the ideal delay, at each fraction of the rate."""
    taps = interpolator(factor).astype(np.float64)
    response = np.exp(2j * np.pi * np.outer(fractions, np.arange(2 * TAPS_A_SIDE))) @ taps.T
    ideal = np.exp(2j * np.pi * np.outer(fractions, TAPS_A_SIDE - 1 + np.arange(1, factor) / factor))
    return np.abs(response - ideal).max(axis=1)


@pytest.mark.parametrize("factor", [pytest.param(2, id="twice"), pytest.param(4, id="four-times")])
def test_interpolator_is_as_flat_as_its_docstring_states(factor: int) -> None:
    # "flat within 0.05 dB to 0.42 of the sampling rate": not in size only, the delay must be right as well
    assert 20 * np.log10(1 + error(factor, FRACTIONS).max()) < 0.05


def test_interpolator_passes_dc_in_each_phase() -> None:
    np.testing.assert_allclose(interpolator(4).sum(axis=1, dtype=np.float64), 1.0, atol=1e-6)


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 2, example filter of 4 x 12 taps")
def test_interpolator_is_closer_to_the_ideal_than_the_published_example() -> None:
    example = np.array([[float(row[f"phase{phase}"]) for phase in range(4)] for row in rows("bs1770_truepeak_fir")])
    # measured as readings of unit sines: the example may read high or low, by phases whose gains differ
    worst_example = worst = 0.0
    for fraction in (0.05, 0.1, 0.2, 0.25, 0.3, 0.35, 0.42):
        response = np.abs(np.exp(2j * np.pi * fraction * np.arange(12)) @ example)
        worst_example = max(worst_example, float(np.abs(20 * np.log10(response)).max()))
        worst = max(worst, 20 * np.log10(1 + float(error(4, np.array([fraction]))[0])))
    assert worst < 0.1 * worst_example


def readings_db(fraction: float, *, factor: int = 4) -> np.ndarray:
    """True peak of unit sines at a fraction of the rate, over start phases."""
    phases = interpolator(factor)
    frames = np.arange(2400)
    sines = (
        np.sin(2 * np.pi * fraction * frames + phase).astype(np.float32)
        for phase in np.linspace(0, np.pi, 48, endpoint=False)
    )
    return np.array([20 * np.log10(true_peak(wave, 240, phases, np.float32(0.0))) for wave in sines])


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 2, Attachment 1: 20 lg cos(pi f / n)")
@pytest.mark.parametrize(
    "fraction", [pytest.param(f, id=f"f-{f}") for f in (0.01, 0.05, 0.1, 0.2, 0.25, 1 / 3, 0.4, 0.42)]
)
@pytest.mark.parametrize("factor", [pytest.param(2, id="twice"), pytest.param(4, id="four-times")])
def test_true_peak_of_sines_under_reads_no_more_than_the_formula(fraction: float, factor: int) -> None:
    least_db = 20 * np.log10(np.cos(np.pi * fraction / factor))
    found_db = readings_db(fraction, factor=factor)
    # the filter's own ripple, 0.05 dB by its docstring, comes on top of the formula
    assert found_db.max() < 0.05
    assert found_db.min() > least_db - 0.05


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 2, Attachment 1, table of under-reads at 0.45 of the rate")
def test_true_peak_at_four_times_and_0_45_of_the_rate() -> None:
    least_db = -TRUE_PEAK["under_read_db_f0_45"][TRUE_PEAK["under_read_n"].index(4)]
    # past 0.42 the filter falls off: the samples themselves, phase 0, still show a steady sine whose phase wanders
    assert -0.05 + least_db < readings_db(0.45).min() <= readings_db(0.45).max() < 0.05


@pytest.mark.parametrize(
    ("kind"),
    [
        pytest.param(kind, id=kind)
        for kind in ("noise", "one-loud-hit", "growing", "dying", "silence", "square", "between")
    ],
)
@pytest.mark.parametrize("factor", [pytest.param(2, id="twice"), pytest.param(4, id="four-times")])
def test_skipping_equals_no_skipping(rng: np.random.Generator, kind: str, factor: int) -> None:
    frames = 9600
    signal = rng.standard_normal(frames)
    if kind == "one-loud-hit":
        signal *= np.where(np.arange(frames) // 100 == 41, 1.0, 1e-3)
    elif kind == "growing":
        signal *= np.geomspace(1e-3, 1.0, frames)
    elif kind == "dying":
        signal *= np.geomspace(1.0, 1e-3, frames)
    elif kind == "silence":
        signal *= 0.0
    elif kind == "between":
        # a low tone of 0.9 first; then a quarter of the rate, whose samples of 0.71 hide a wave of 1.0
        half = np.hanning(frames // 2)
        slow = 0.9 * np.sin(2 * np.pi * np.arange(half.size) / 400)
        signal = np.concatenate([slow * half, np.sin(np.pi / 2 * np.arange(half.size) + np.pi / 4) * half])
    elif kind == "square":
        signal = np.sign(np.sin(2 * np.pi * np.arange(frames) / 97.3))
    signal = signal.astype(np.float32)
    phases = interpolator(factor)
    # nothing can be skipped when each block is asked alone, from nothing known
    width = 2 * TAPS_A_SIDE
    alone = max(
        true_peak(signal[first : first + 240 + width - 1], 240, phases, np.float32(0.0))
        for first in range(0, frames, 240)
    )
    for step in (120, 240, 1000):
        assert true_peak(signal, step, phases, np.float32(0.0)) == alone
    # what is known already comes back when nothing beats it, whatever is skipped
    assert true_peak(signal, 240, phases, np.float32(8.0)) == 8.0
    interpolated = [
        np.abs(np.convolve(signal.astype(np.float64), row[::-1].astype(np.float64), "valid")).max() for row in phases
    ]
    looked_at = np.abs(signal)
    assert alone == pytest.approx(max(looked_at.max(), *interpolated), rel=1e-6, abs=1e-12)


@pytest.mark.source("numpy.correlate with the same taps at every place: nothing is skipped")
@pytest.mark.parametrize("rate_hz", [48000, 96000])
@pytest.mark.parametrize("low_hz", [40.0, 300.0, 3000.0, 15000.0])
def test_what_is_skipped_by_its_curvature_could_not_be_higher(
    rng: np.random.Generator, rate_hz: int, low_hz: float
) -> None:
    phases = interpolator(oversampling(rate_hz))
    time_s = np.arange(4800) / rate_hz
    for _ in range(8):
        swell = np.interp(time_s, np.linspace(0, time_s[-1], 12), rng.uniform(0.1, 1.0, 12))
        signal = (swell * np.sin(2 * np.pi * low_hz * time_s + rng.uniform(0, 6))).astype(np.float32)
        signal[rng.integers(4800)] += np.float32(rng.uniform(0, 0.2))
        between = [np.abs(np.correlate(signal, phase)).max() for phase in phases]
        whole = max(np.abs(signal).max(), *between)
        # from nothing known to all but the highest known
        for share in (0.0, 0.9, 0.99, 0.9999):
            found = true_peak(signal, 240, phases, np.float32(share * whole))
            assert found == pytest.approx(whole, rel=2e-6)
