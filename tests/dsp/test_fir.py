"""Filters without recursion: fractional delay, oversampled bending, measured curves; against closed forms, numpy and scipy.

Responses are read off the taps with numpy's transform; harmonics and aliases off whole periods of a tone, so that no window
smears them.
"""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.dsp import fir
from tests.support.hypotheses import examples
from tests.support.oversampling import BIAS, alias_db, bent_tone

RATE_HZ: Final = 48000
few: Final = settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)


def response(taps: np.ndarray, points: int = 1 << 14) -> tuple[np.ndarray, np.ndarray]:
    """Frequency in parts of the rate, and the complex response."""
    return np.fft.rfftfreq(points), np.fft.rfft(taps, points)


# fractional delay


@pytest.mark.source("definition: a delay turns the phase by 2 pi f t and leaves the magnitude")
@pytest.mark.parametrize("fraction", [0.0, 1e-3, 0.1, 0.25, 0.5, 0.77, 0.999])
def test_fractional_delay(fraction: float) -> None:
    taps = fir.fractional_delay(fraction)
    assert taps.shape == (64,)
    frequency, found = response(taps)
    inside = frequency <= 0.45
    ideal = np.exp(-2j * np.pi * frequency * (31.0 + fraction))
    assert np.abs(20.0 * np.log10(np.abs(found[inside]))).max() < 0.01
    assert np.abs(found - ideal)[inside].max() < 1.2e-3
    _, delay = ss.group_delay((taps, [1.0]), w=np.linspace(0.001, 0.45, 200), fs=1.0)
    # a hundredth of a sample is 0.2 us
    assert np.abs(delay - 31.0 - fraction).max() < 0.01


@pytest.mark.source("closed form: a sine, later by any part of a sample")
@few
@given(fraction=st.floats(0.0, 0.999), frequency_hz=st.floats(30.0, 20000.0))
def test_fractional_delay_of_a_sine(fraction: float, frequency_hz: float) -> None:
    at = np.arange(600) * (2.0 * np.pi * frequency_hz / RATE_HZ)
    found = np.convolve(np.sin(at), fir.fractional_delay(fraction))[100:500]
    later = np.sin(at[100:500] - (31.0 + fraction) * 2.0 * np.pi * frequency_hz / RATE_HZ)
    assert np.abs(found - later).max() < 1.2e-3


# oversampling


@pytest.mark.source("the docstring's own promise: flat within 0.01 dB to 0.42, 100 dB down from 0.52 of the lower rate")
def test_oversampling_filter() -> None:
    taps = fir.oversampling_filter()
    assert taps == pytest.approx(taps[::-1], abs=1e-15)
    frequency, found = response(taps, 1 << 16)
    level_db = 20.0 * np.log10(np.abs(found) + 1e-12)
    lower = frequency * fir.OVERSAMPLING
    assert np.abs(level_db[lower <= 0.42]).max() < 0.01
    # 99.4 dB in truth
    assert level_db[lower >= 0.52].max() < -99.0


@pytest.mark.source(
    "definition: a line that is no multiple of the tone is an alias; numpy's transform of whole periods"
)
@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("frequency_hz", [997, 5003, 7001])
def test_aliases_without_drive(frequency_hz: int, rate_hz: int) -> None:
    assert alias_db(frequency_hz, rate_hz, 0.0) < -80.0


@pytest.mark.source("definition: without oversampling the same curve folds its harmonics back")
def test_the_alias_measure_sees_aliases() -> None:
    wave = np.sin(2.0 * np.pi * 5003.0 * np.arange(RATE_HZ) / RATE_HZ)
    level_db = 20.0 * np.log10(np.abs(np.fft.rfft(fir.bend(wave, 1.0, BIAS))) + 1e-12)
    harmonic = np.arange(level_db.size) % 5003 == 0
    assert level_db[~harmonic].max() - level_db[5003] > -60.0


@pytest.mark.source("definition: gain 1 for small signals, later by a constant number of samples")
def test_small_signals_pass(rng: np.random.Generator) -> None:
    wave = 1e-4 * ss.lfilter(ss.firwin(401, 0.8), 1.0, rng.standard_normal(20000))
    out = fir.Oversampled().bend(wave, 1.0, BIAS)
    late = fir.OVERSAMPLING_LATENCY
    error = out[late + 1000 :] - wave[1000:-late]
    # what is left is the curve itself: a second-order term of tanh(0.2) times the signal, 1e-4
    assert np.abs(error).max() < 1e-3 * np.abs(wave).max()


@pytest.mark.source("closed form: tanh, at a frequency whose harmonics lie far below half the rate")
@pytest.mark.parametrize("drive_db", [0.0, 12.0])
def test_low_tones_follow_the_curve(drive_db: float) -> None:
    drive = 10.0 ** (drive_db / 20.0)
    wave = np.sin(2.0 * np.pi * 100.0 * np.arange(4800) / RATE_HZ)
    out = fir.Oversampled().bend(wave, drive, BIAS)[fir.OVERSAMPLING_LATENCY :]
    wanted = (np.tanh(drive * wave + BIAS) - np.tanh(BIAS)) / (drive * (1.0 - np.tanh(BIAS) ** 2))
    assert np.abs(out - wanted[: out.size])[500:].max() < 1e-4


@pytest.mark.source("closed form: an odd curve makes odd harmonics only, an uneven one even ones too (Fourier)")
def test_harmonics() -> None:
    level_db = bent_tone(1000, RATE_HZ, 0.0)
    phase = 2.0 * np.pi * np.arange(4096) / 4096
    curve = (np.tanh(np.sin(phase) + BIAS) - np.tanh(BIAS)) / (1.0 - np.tanh(BIAS) ** 2)
    wanted_db = 20.0 * np.log10(2.0 * np.abs(np.fft.rfft(curve)) / 4096 + 1e-15)
    for order in range(1, 7):
        assert level_db[1000 * order] == pytest.approx(wanted_db[order], abs=0.05), order
    assert level_db[2000] - level_db[1000] > -40.0
    even_db = bent_tone(1000, RATE_HZ, 0.0, bias=0.0)
    assert even_db[[2000, 4000, 6000]].max() < -140.0
    assert even_db[3000] > -40.0


@pytest.mark.source("definition: a filter does not know how its input was cut")
@few
@given(cuts=st.lists(st.integers(0, 3000), max_size=6))
def test_bending_and_convolving_do_not_see_blocks(cuts: list[int]) -> None:
    signal = np.random.default_rng(3).standard_normal((2, 3000))
    edges = list(itertools.pairwise([0, *sorted(cuts), 3000]))
    bent = fir.Oversampled()
    parts = np.concatenate([bent.bend(signal[0, first:last], 2.0, BIAS) for first, last in edges])
    assert np.abs(parts - fir.Oversampled().bend(signal[0], 2.0, BIAS)).max() < 1e-12
    taps = fir.fractional_delay(0.3)
    convolver = fir.Convolver(taps, 2)
    pieces = np.concatenate([convolver(signal[:, first:last]) for first, last in edges], axis=1)
    wanted = ss.lfilter(taps, 1.0, signal, axis=1)
    assert np.abs(pieces - wanted).max() < 1e-12


# measured curves


CURVE_HZ: Final = np.array([40.0, 100.0, 300.0, 1000.0, 2500.0, 6000.0, 12000.0, 18000.0])
CURVE_DB: Final = np.array([-6.0, 0.0, 2.0, -3.0, 4.0, 1.0, -5.0, -12.0])


def curve_taps(rate_hz: int, *, minimum_phase: bool) -> np.ndarray:
    taps = 4096 * max(1, round(rate_hz / 48000))
    return fir.curve(CURVE_HZ, CURVE_DB, sample_rate_hz=rate_hz, minimum_phase=minimum_phase, taps=taps)


@pytest.mark.source("definition: the magnitude asked for, straight lines in dB over the logarithm of frequency")
@pytest.mark.parametrize("minimum_phase", [False, True])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_curve_has_the_magnitude_asked_for(rate_hz: int, minimum_phase: bool) -> None:
    at_hz = np.geomspace(20.0, 20000.0, 400)
    taps = curve_taps(rate_hz, minimum_phase=minimum_phase)
    _, found = ss.freqz(taps, worN=at_hz, fs=rate_hz)
    wanted_db = np.interp(np.log(at_hz), np.log(CURVE_HZ), CURVE_DB)
    off_db = np.abs(20.0 * np.log10(np.abs(found)) - wanted_db)
    assert off_db[at_hz >= 60.0].max() < 0.2
    # the corner at 40 Hz is sharper than 85 ms of taps, half of them on each side, can turn
    assert off_db.max() < (0.3 if minimum_phase else 0.6)


@pytest.mark.source("Oppenheim & Schafer, Discrete-Time Signal Processing: linear phase is symmetry about the latency")
def test_linear_phase_is_symmetric() -> None:
    taps = curve_taps(RATE_HZ, minimum_phase=False)
    assert taps.size == 4097
    assert taps == pytest.approx(taps[::-1], abs=1e-12)
    assert np.argmax(np.abs(taps)) == 2048


@pytest.mark.source(
    "Oppenheim & Schafer, Discrete-Time Signal Processing: of all filters of one magnitude the energy comes first"
)
def test_minimum_phase_comes_first() -> None:
    taps = curve_taps(RATE_HZ, minimum_phase=True)
    straight = curve_taps(RATE_HZ, minimum_phase=False)
    energy, later = (np.cumsum(part[:4096] ** 2) for part in (taps, straight))
    assert energy[-1] == pytest.approx(later[-1], rel=0.01)
    assert (energy >= later - 1e-9).all()
    assert energy[48] > 0.9 * energy[-1]
    # scipy's own way from the linear-phase filter, which gives the root of the magnitude unless told otherwise
    peer = ss.minimum_phase(straight, method="homomorphic", n_fft=1 << 16, half=False)
    assert taps[:400] == pytest.approx(peer[:400], abs=0.01)


@pytest.mark.source("definition: a flat curve is a gain")
@pytest.mark.parametrize("minimum_phase", [False, True])
def test_a_flat_curve(minimum_phase: bool) -> None:
    taps = fir.curve(
        np.array([20.0, 20000.0]), np.array([-6.0, -6.0]), sample_rate_hz=RATE_HZ, minimum_phase=minimum_phase, taps=512
    )
    wanted = np.zeros(taps.size)
    wanted[0 if minimum_phase else 256] = 10.0 ** (-6.0 / 20.0)
    assert taps == pytest.approx(wanted, abs=1e-12)
