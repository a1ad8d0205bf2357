"""A and C weighting, F and S time weighting, C peak and exposure; sections that keep an analogue magnitude.

The published tables first (IEC 61672-1:2013), then peers (scipy), then what the sections promise of themselves.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.dsp import weighting
from deskhand.dsp.biquad import matched, response
from deskhand.dsp.weighting import FAST_S, SLOW_S, time_weighted, weighting_db, weighting_sos
from tests.support.hypotheses import examples
from tests.support.tables import rows, topic

RATES_HZ: Final = (44100, 48000, 88200, 96000, 192000)
TABLE: Final = rows("iec61672_weighting")
FREQUENCIES_HZ: Final = np.array([float(row["freq_exact_hz"]) for row in TABLE])
CONSTANTS: Final = topic("iec61672_constants")
BURSTS: Final = CONSTANTS["toneburst"]
BURST_HZ: Final = 4000.0
few: Final = settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)

at_each_rate = pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
for_a_and_c = pytest.mark.parametrize("name", ["A", "C"])


def column(name: str) -> np.ndarray:
    return np.array([float(row[name]) for row in TABLE])


def filter_db(name: str, frequency_hz: np.ndarray, rate_hz: float) -> np.ndarray:
    """The response as scipy has it."""
    _, gain = ss.sosfreqz(weighting_sos(name, sample_rate_hz=rate_hz), frequency_hz, fs=rate_hz)
    return 20.0 * np.log10(np.abs(gain))


# frequency weightings


@pytest.mark.source("IEC 61672-1:2013, Annex E (pole frequencies)")
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_pole_frequencies(number: int) -> None:
    assert getattr(weighting, f"F{number}_HZ") == pytest.approx(CONSTANTS["poles_hz"][f"f{number}"], rel=1e-12)


@pytest.mark.source("IEC 61672-1:2013, Table 3")
@pytest.mark.parametrize("name", ["A", "C", "Z"])
def test_design_goal_is_the_table(name: str) -> None:
    np.testing.assert_allclose(np.round(weighting_db(name, FREQUENCIES_HZ), 1), column(f"{name}_db"), atol=1e-9)


@pytest.mark.source("IEC 61672-1:2013, Annex E (analytic curves)")
@for_a_and_c
def test_design_goal_is_the_curve(name: str) -> None:
    # four decimals in the table
    np.testing.assert_allclose(weighting_db(name, FREQUENCIES_HZ), column(f"{name}_exact_db"), rtol=0, atol=1e-4)


@pytest.mark.source("IEC 61672-1:2013, 5.5: 0 dB at 1 kHz; nothing passes at 0 Hz")
@for_a_and_c
def test_design_goal_at_1_khz_and_at_0_hz(name: str) -> None:
    assert weighting_db(name, np.array(1000.0)) == pytest.approx(0.0, abs=1e-12)
    assert weighting_db(name, np.array([0.0]))[0] == -np.inf


@pytest.mark.source("IEC 61672-1:2013, Table 3, class 1 acceptance limits, below half the sample rate")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (32000, *RATES_HZ)])
@for_a_and_c
def test_class_1(name: str, rate_hz: int) -> None:
    below = rate_hz > 2.0 * FREQUENCIES_HZ
    # all 34 from 44.1 kHz on
    assert below.sum() == (33 if rate_hz == 32000 else 34)
    # the limits are on what is measured minus the design goal
    off_db = (filter_db(name, FREQUENCIES_HZ, rate_hz) - column(f"{name}_exact_db"))[below]
    assert (off_db <= column("class1_upper_db")[below]).all()
    assert (off_db >= column("class1_lower_db")[below]).all()


@pytest.mark.source("IEC 61672-1:2013, Annex E (analytic curves), as close as `weighting_sos` promises")
@at_each_rate
@for_a_and_c
def test_worst_error(name: str, rate_hz: int) -> None:
    off_db = np.abs(filter_db(name, FREQUENCIES_HZ, rate_hz) - column(f"{name}_exact_db"))
    assert off_db.max() < (0.7 if rate_hz < 88200 else 0.1)
    # it gathers in the top octaves: up to 5 kHz a quarter of a dB, up to 1 kHz nothing to speak of
    assert off_db[FREQUENCIES_HZ <= 5100.0].max() < (0.25 if rate_hz < 88200 else 0.03)
    assert off_db[FREQUENCIES_HZ <= 1000.0].max() < 0.03


@pytest.mark.source("scipy.signal.bilinear_zpk: the tangent mapping of the same poles and zeros")
@pytest.mark.parametrize(("rate_hz", "off_db"), [pytest.param(44100, 24.0), pytest.param(48000, 16.0)])
def test_tangent_mapping_is_far_worse(rate_hz: int, off_db: float) -> None:
    # what the docstring says of the way not taken
    f1, f2, f3, f4 = (2.0 * np.pi * CONSTANTS["poles_hz"][f"f{k}"] for k in (1, 2, 3, 4))
    zpk = ss.bilinear_zpk([0.0] * 4, [-f1, -f1, -f2, -f3, -f4, -f4], 1.0, rate_hz)
    frequency_hz = np.append(FREQUENCIES_HZ, 1000.0)
    gain_db = 20.0 * np.log10(np.abs(ss.sosfreqz(ss.zpk2sos(*zpk), frequency_hz, fs=rate_hz)[1]))
    worst_db = np.abs(gain_db[:-1] - gain_db[-1] - column("A_exact_db")).max()
    assert worst_db == pytest.approx(off_db, abs=1.0)


@at_each_rate
@for_a_and_c
def test_sections_are_stable_and_0_db_at_1_khz(name: str, rate_hz: int) -> None:
    sos = weighting_sos(name, sample_rate_hz=rate_hz)
    assert sos.shape == ((3 if name == "A" else 2), 6)
    poles = np.concatenate([np.roots(section[3:]) for section in sos])
    assert np.abs(poles).max() < 1.0
    assert filter_db(name, np.array([1000.0]), rate_hz)[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "rate_hz"), [pytest.param("Z", 48000, id="z-is-no-filter"), pytest.param("A", 22050, id="low-rate")]
)
def test_what_cannot_be_weighted_is_refused(name: str, rate_hz: int) -> None:
    with pytest.raises(ValueError, match=str(rate_hz)):
        weighting_sos(name, sample_rate_hz=rate_hz)


# time weightings, exposure, peak


def burst(duration_ms: float, rate_hz: int, rest_s: float = 0.3) -> np.ndarray:
    """A burst of whole cycles of 4 kHz that begins and ends at a zero crossing, between silences."""
    frames = round(duration_ms * 1e-3 * rate_hz)
    out = np.zeros(round(0.02 * rate_hz) + frames + round(rest_s * rate_hz))
    first = round(0.02 * rate_hz)
    out[first : first + frames] = np.sin(2.0 * np.pi * BURST_HZ * np.arange(frames) / rate_hz)
    return out


def steady(name: str, frequency_hz: float, rate_hz: int) -> float:
    """Mean square of a steady weighted tone of amplitude 1."""
    return 0.5 * 10.0 ** (0.1 * filter_db(name, np.array([frequency_hz]), rate_hz)[0])


@pytest.mark.source(
    "IEC 61672-1:2013, 5.9 and Table 4: maximum F and S levels of 4 kHz tonebursts against the steady tone"
)
@pytest.mark.parametrize("rate_hz", [pytest.param(48000, id="48000-hz"), pytest.param(96000, id="96000-hz")])
@pytest.mark.parametrize(
    ("time_s", "durations", "maxima"),
    [
        pytest.param(FAST_S, "duration_ms", "F_max_db", id="fast"),
        pytest.param(SLOW_S, "S_duration_ms", "S_max_db", id="slow"),
    ],
)
def test_toneburst_maxima(time_s: float, durations: str, maxima: str, rate_hz: int) -> None:
    sos = weighting_sos("A", sample_rate_hz=rate_hz)
    for duration_ms, expected_db in zip(BURSTS[durations], BURSTS[maxima], strict=True):
        held = time_weighted(ss.sosfilt(sos, burst(duration_ms, rate_hz)), time_s=time_s, sample_rate_hz=rate_hz)
        found_db = 10.0 * np.log10(held.max() / steady("A", BURST_HZ, rate_hz))
        # class 1 allows 0.5 dB at best (from memory); a burst of one cycle loses 0.15 dB to the filter's own start
        assert found_db == pytest.approx(expected_db, abs=0.06 if duration_ms >= 2 else 0.2), duration_ms


@pytest.mark.source("IEC 61672-1:2013, 5.10 and Table 4: sound exposure levels of 4 kHz tonebursts")
def test_toneburst_exposure() -> None:
    rate_hz = 48000
    sos = weighting_sos("A", sample_rate_hz=rate_hz)
    for duration_ms, expected_db in zip(BURSTS["duration_ms"], BURSTS["exposure_level_db"], strict=True):
        exposure = np.sum(ss.sosfilt(sos, burst(duration_ms, rate_hz)) ** 2) / rate_hz
        found_db = 10.0 * np.log10(exposure / steady("A", BURST_HZ, rate_hz))
        assert found_db == pytest.approx(expected_db, abs=0.06 if duration_ms >= 2 else 0.2), duration_ms


@pytest.mark.source("IEC 61672-1:2013, 5.13 and Table 5: C-weighted peak of single cycles and half cycles (class 1)")
@pytest.mark.parametrize(
    "row", [pytest.param(row, id=f"{row['freq_nominal_hz']:g}-hz-{row['signal']}") for row in CONSTANTS["c_peak"]]
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_c_peak(row: dict[str, object], sign: float) -> None:
    rate_hz = 192000
    frequency_hz = 10.0 ** {31.5: 1.5, 500: 2.7, 8000: 3.9}[row["freq_nominal_hz"]]
    cycles = 0.5 if "half" in str(row["signal"]) else 1.0
    time_s = np.arange(round(0.2 * rate_hz)) / rate_hz
    wave = np.where(time_s < cycles / frequency_hz, np.sin(2.0 * np.pi * frequency_hz * time_s), 0.0)
    peak = np.abs(ss.sosfilt(weighting_sos("C", sample_rate_hz=rate_hz), sign * wave)).max()
    found_db = 20.0 * np.log10(peak) - 10.0 * np.log10(steady("C", frequency_hz, rate_hz))
    # class 1 allows 1 or 2 dB; one decimal is printed
    assert found_db == pytest.approx(float(row["difference_db"]), abs=0.1)


@pytest.mark.source("IEC 61672-1:2013, 5.8: decay of F 34.7 dB/s and of S 4.3 dB/s after a tone stops")
@pytest.mark.parametrize(
    ("time_s", "key"), [pytest.param(FAST_S, "F", id="fast"), pytest.param(SLOW_S, "S", id="slow")]
)
def test_decay_rate(time_s: float, key: str) -> None:
    assert time_s == CONSTANTS["time_weighting"][f"{key}_s"]
    signal = np.concatenate([np.ones(48000), np.zeros(24000)])
    level_db = 10.0 * np.log10(time_weighted(signal, time_s=time_s, sample_rate_hz=48000.0))
    rate_db_per_s = (level_db[-24001] - level_db[-1]) / 0.5
    assert rate_db_per_s == pytest.approx(CONSTANTS["time_weighting"][f"decay_rate_{key}_db_per_s"], abs=0.05)


@pytest.mark.source("scipy.signal.lfilter")
def test_time_weighting_is_a_first_order_filter_of_the_square(rng: np.random.Generator) -> None:
    noise = rng.standard_normal(4800)
    keep = np.exp(-1.0 / (FAST_S * 48000))
    expected = ss.lfilter([1.0 - keep], [1.0, -keep], noise**2)
    np.testing.assert_allclose(time_weighted(noise, time_s=FAST_S, sample_rate_hz=48000.0), expected, rtol=1e-10)


@pytest.mark.parametrize("size", [1, 7, 480])
def test_time_weighting_carries_on(rng: np.random.Generator, size: int) -> None:
    noise = rng.standard_normal(960)
    whole = time_weighted(noise, time_s=SLOW_S, sample_rate_hz=48000.0)
    state = np.zeros(1)
    parts = [
        time_weighted(noise[first : first + size], time_s=SLOW_S, sample_rate_hz=48000.0, state=state)
        for first in range(0, noise.size, size)
    ]
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    assert state[0] == whole[-1]


# sections that keep an analogue magnitude


def low_pass_power(corner_hz: float, damping: float):
    """|H|^2 of w^2 / (s^2 + 2 damping w s + w^2), from scipy."""

    def power(hz: np.ndarray) -> np.ndarray:
        w = 2.0 * np.pi * corner_hz
        _, gain = ss.freqs([w * w], [1.0, 2.0 * damping * w, w * w], 2.0 * np.pi * np.asarray(hz))
        return np.abs(gain) ** 2

    return power


def band_power(corner_hz: float, damping: float, gain_db: float):
    """|H|^2 of a bell, from scipy: unity far away, `gain_db` at its middle."""

    def power(hz: np.ndarray) -> np.ndarray:
        w, g = 2.0 * np.pi * corner_hz, 10.0 ** (gain_db / 20.0)
        _, gain = ss.freqs(
            [1.0, 2.0 * g * damping * w, w * w], [1.0, 2.0 * damping * w, w * w], 2.0 * np.pi * np.asarray(hz)
        )
        return np.abs(gain) ** 2

    return power


dampings = st.one_of(st.floats(0.05, 0.999), st.just(1.0), st.floats(1.001, 3.0))


@pytest.mark.source("scipy.signal.freqs (the analogue magnitude), scipy.signal.sosfreqz (the section's)")
@given(corner_hz=st.floats(100.0, 20000.0), damping=dampings, rate_hz=st.sampled_from(RATES_HZ), bell=st.booleans())
@few
def test_matched_keeps_three_magnitudes(corner_hz: float, damping: float, rate_hz: int, bell: bool) -> None:
    power = band_power(corner_hz, damping, 6.0) if bell else low_pass_power(corner_hz, damping)
    third_hz = min(corner_hz, 0.4 * rate_hz)
    section = matched(corner_hz, damping, power, sample_rate_hz=rate_hz, third_hz=third_hz)
    if section is None:
        # no real section has them: only seen for corners beyond half the rate
        assert corner_hz > 0.25 * rate_hz
        return
    places_hz = np.array([0.0, third_hz, 0.5 * rate_hz])
    _, gain = ss.sosfreqz(section[None], places_hz, fs=rate_hz)
    np.testing.assert_allclose(np.abs(gain) ** 2, power(places_hz), rtol=1e-6, atol=1e-9)


@pytest.mark.source("Vicanek 2016, Matched Second Order Digital Filters: poles by impulse invariance (numpy.roots)")
@given(corner_hz=st.floats(100.0, 15000.0), damping=dampings)
@few
def test_matched_has_the_poles_of_impulse_invariance(corner_hz: float, damping: float) -> None:
    rate_hz = 48000.0
    section = matched(
        corner_hz, damping, low_pass_power(corner_hz, damping), sample_rate_hz=rate_hz, third_hz=min(corner_hz, 16800.0)
    )
    assert section is not None
    w = 2.0 * np.pi * corner_hz
    analogue = np.roots([1.0, 2.0 * damping * w, w * w])
    np.testing.assert_allclose(section[3:], np.poly(np.exp(analogue / rate_hz)).real, rtol=1e-9, atol=1e-12)


def test_matched_tells_what_is_impossible() -> None:
    # a section cannot pass 0 Hz and half the rate fully and all but nothing half way up, with these poles
    def dip(hz: np.ndarray) -> np.ndarray:
        return np.where((hz > 0.0) & (hz < 24000.0), 1e-12, 1.0)

    assert matched(12000.0, 3.0, dip, sample_rate_hz=48000.0, third_hz=3000.0) is None


@pytest.mark.source("scipy.signal.sosfreqz")
@pytest.mark.parametrize("sections", [1, 2, 5])
def test_response_is_scipys(rng: np.random.Generator, sections: int) -> None:
    sos = rng.uniform(-0.4, 0.4, (sections, 6))
    sos[:, 3] = rng.uniform(0.9, 1.1, sections)
    frequency_hz = np.linspace(0.0, 24000.0, 50)
    _, expected = ss.sosfreqz(sos / sos[:, 3:4], frequency_hz, fs=48000.0)
    found = response(sos, frequency_hz, sample_rate_hz=48000.0)
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    # shapes as given; one section alone
    np.testing.assert_array_equal(response(sos, frequency_hz.reshape(5, 10), sample_rate_hz=48000.0).ravel(), found)
    assert response(sos[0], np.array(1000.0), sample_rate_hz=48000.0).shape == ()
