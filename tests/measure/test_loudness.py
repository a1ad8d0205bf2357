"""Loudness and true peak through the one pass: EBU Tech 3341 and 3342, then libraries as peers, then properties.

Of Tech 3341 all cases that can be synthesised: 1 to 6 and 9 to 23 (7 and 8 need the EBU's programme files). Case 6 has five
channels, of which deskhand knows one or two at a time: its per-channel powers are summed here with the weights of Table 3.
Of Tech 3342 cases 1 to 4 (5 and 6 need the programme files).
"""

from __future__ import annotations

import re
import subprocess
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyloudnorm
import pytest
import scipy.signal as ss
import soundfile

from deskhand.measure.loudness import integrated_lufs, loudness_range_lu, lufs, momentary_lufs, short_term_lufs
from tests.support.feed import figures_of, reading_of
from tests.support.loudness import (
    CASES,
    SURROUND,
    TECH_3341,
    TECH_3342,
    of_case,
    of_series,
    side_by_side,
    stereo,
    summed,
)
from tests.support.signals import (
    LSB_16,
    RATE_HZ,
    amplitude,
    burst_between_samples,
    faded,
    pink,
    sine,
    speech_like,
    tones,
    white,
)

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.measure.figures import Figures

LOUDNESS_LU: Final[float] = TECH_3341["tol_loudness_lu"]


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, cases 1 to 5: integrated")
@pytest.mark.parametrize("number", [pytest.param(n, id=f"3341-case-{n}") for n in (1, 2, 3, 4, 5)])
def test_3341_integrated(number: int) -> None:
    case = CASES[number]
    reading = reading_of(stereo(of_case(case))).readings
    assert reading.loudness_lufs == pytest.approx(case["expected_I"], abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 1, at other rates (ITU-R BS.1770-5: the same response)")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 96000)])
def test_3341_case_1_at_other_rates(rate_hz: int) -> None:
    reading = reading_of(stereo(of_case(CASES[1], rate_hz=rate_hz)), sample_rate_hz=rate_hz).readings
    assert reading.loudness_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 6; weights of ITU-R BS.1770-5 Annex 1, Table 3")
def test_3341_case_6_with_weights_from_the_table() -> None:
    case = CASES[6]
    channels = np.stack([tones([(case["seconds"], level)]) for level in case["levels_dbfs"]])
    found = integrated_lufs(summed(figures_of(channels), SURROUND))
    assert found == pytest.approx(case["expected_I"], abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), 2.9: calibration tone")
def test_3341_calibration() -> None:
    reading = reading_of(stereo(tones([(20.0, -18.0)]))).readings
    assert reading.loudness_lufs == pytest.approx(-18.0, abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, cases 1 and 2: momentary and short-term")
@pytest.mark.parametrize("number", [pytest.param(n, id=f"3341-case-{n}") for n in (1, 2)])
def test_3341_steady(number: int) -> None:
    case = CASES[number]
    reading = reading_of(stereo(of_case(case))).readings
    assert reading.momentary_max_lufs == pytest.approx(case["expected_M"], abs=LOUDNESS_LU)
    assert reading.short_term_max_lufs == pytest.approx(case["expected_S"], abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 9: short-term constant from 3 s on")
def test_3341_case_9() -> None:
    wave = stereo(of_case(CASES[9]))
    every_100_ms = short_term_lufs(summed(figures_of(wave)), step_s=0.1)
    np.testing.assert_allclose(every_100_ms, CASES[9]["expected_S"], rtol=0, atol=LOUDNESS_LU)
    assert reading_of(wave).readings.short_term_max_lufs == pytest.approx(CASES[9]["expected_S"], abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 12: momentary constant from 1 s on")
def test_3341_case_12() -> None:
    wave = stereo(of_case(CASES[12]))
    every_100_ms = momentary_lufs(summed(figures_of(wave)), step_s=0.1)
    # window k starts at 0.1 k s and ends 0.4 s later: those that end at 1 s or later
    np.testing.assert_allclose(every_100_ms[6:], CASES[12]["expected_M"], rtol=0, atol=LOUDNESS_LU)
    assert reading_of(wave).readings.momentary_max_lufs == pytest.approx(CASES[12]["expected_M"], abs=LOUDNESS_LU)


@pytest.fixture(scope="module", params=[pytest.param(10, id="3341-case-10"), pytest.param(13, id="3341-case-13")])
def file_series(request: pytest.FixtureRequest) -> tuple[dict[str, Any], Figures]:
    case = CASES[request.param]
    low, high = case["series_i"]
    return case, side_by_side([of_series(case, i) for i in range(low, high + 1)])


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, cases 10 and 13: maxima of files that begin anywhere")
@pytest.mark.parametrize("i", [pytest.param(i, id=f"i-{i}") for i in range(20)])
def test_3341_maxima_of_files(file_series: tuple[dict[str, Any], Figures], i: int) -> None:
    case, figures = file_series
    loudest = figures.loudest[2 * i, 2 * i + 1]
    if "expected_max_S" in case:
        assert lufs(loudest.short_term) == pytest.approx(case["expected_max_S"], abs=LOUDNESS_LU)
    else:
        assert lufs(loudest.momentary) == pytest.approx(case["expected_max_M"], abs=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 14: successive maxima of momentary")
def test_3341_case_14() -> None:
    # a maximum so far is the maximum of the signal up to there
    units = [of_series(CASES[14], i) for i in range(20)]
    looked_at = (0, 1, 2, 3, 9, 14, 19)
    figures = side_by_side([np.concatenate(units[: i + 1]) for i in looked_at])
    found = [lufs(figures.loudest[2 * k, 2 * k + 1].momentary) for k in range(len(looked_at))]
    np.testing.assert_allclose(found, [-38.0 + i for i in looked_at], rtol=0, atol=LOUDNESS_LU)


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 11: successive maxima of short-term")
@pytest.mark.parametrize("i", [pytest.param(i, id=f"i-{i}") for i in (0, 1, 6, 19)])
def test_3341_case_11(i: int) -> None:
    wave = np.concatenate([of_series(CASES[11], k) for k in range(i + 1)])
    figures = side_by_side([wave])
    assert lufs(figures.loudest[0, 1].short_term) == pytest.approx(-38.0 + i, abs=LOUDNESS_LU)


def assert_true_peak(found_dbtp: float | None, expected_dbtp: float) -> None:
    assert found_dbtp is not None
    low, high = TECH_3341["tol_true_peak_minus_db"], TECH_3341["tol_true_peak_plus_db"]
    assert expected_dbtp - low <= found_dbtp <= expected_dbtp + high


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, cases 15 to 19: true peak of tones")
@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 48000, 96000)])
@pytest.mark.parametrize("number", [pytest.param(n, id=f"3341-case-{n}") for n in (15, 16, 17, 18, 19)])
def test_3341_true_peak_of_tones(number: int, rate_hz: int) -> None:
    # at 176.4 and 192 kHz nothing is oversampled any more, and a tone at a quarter of the rate is no sound
    case = CASES[number]
    phase_rad = np.deg2rad(case["phase_deg"])
    wave = sine(rate_hz / case["fs_divisor"], 2.0, phase_rad=phase_rad, rate_hz=rate_hz) * case["amplitude_ffs"]
    wave = faded(wave, case["fade_ms"] / 1000, rate_hz=rate_hz)
    assert_true_peak(reading_of(wave, sample_rate_hz=rate_hz).readings.true_peak_dbtp, case["expected_true_peak_dbtp"])


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, cases 20 to 23: true peak of a burst between samples")
@pytest.mark.parametrize("number", [pytest.param(n, id=f"3341-case-{n}") for n in (20, 21, 22, 23)])
def test_3341_true_peak_of_bursts(number: int) -> None:
    case = CASES[number]
    narrow = burst_between_samples(case)
    assert_true_peak(reading_of(narrow).readings.true_peak_dbtp, case["expected_true_peak_dbtp"])


@pytest.mark.source("EBU Tech 3342 v4 (2023), Table 1, cases 1 to 4: loudness range")
@pytest.mark.parametrize("case", [pytest.param(case, id=f"3342-case-{case['id']}") for case in TECH_3342["case"][:4]])
def test_3342_loudness_range(case: dict[str, Any]) -> None:
    reading = reading_of(stereo(of_case(case))).readings
    assert reading.loudness_range_lu == pytest.approx(case["expected_LRA"], abs=TECH_3342["tol_lra_lu"])


@pytest.mark.source("EBU Tech 3342 v4 (2023), 3.1: repeating the whole signal must not change the result")
def test_3342_repeated() -> None:
    once = of_case(TECH_3342["case"][0])
    found = [loudness_range_lu(summed(figures_of(stereo(wave)))) for wave in (once, np.tile(once, 2))]
    # the seam is one more slide between two equal levels, at the bottom end
    assert found[1] == pytest.approx(found[0], abs=0.1)


# beyond the published cases: values of libebur128 on the same synthesised tones, as noted in ebu_tech3341.toml
@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1, eq. 2 to 7 (own tones, confirmed with libebur128)")
@pytest.mark.parametrize(
    ("left", "right", "expected_lufs"),
    [
        pytest.param([(20.0, -23.0)], [(20.0, -np.inf)], -26.004, id="left-only"),
        pytest.param(
            [(20.0, -36.0), (20.0, -23.0), (20.0, -36.0)], None, -27.331, id="too-little-is-loud-for-the-gate"
        ),
        pytest.param([(5.0, -69.7)], None, -69.693, id="just-above-the-absolute-gate"),
    ],
)
def test_other_tones(left: list, right: list | None, expected_lufs: float) -> None:
    channels = np.stack([tones(left), tones(right or left)])
    assert reading_of(channels).readings.loudness_lufs == pytest.approx(expected_lufs, abs=0.01)


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1, eq. 4: absolute gate at -70 LKFS")
def test_nothing_passes_the_absolute_gate() -> None:
    reading = reading_of(stereo(tones([(5.0, -70.3)]))).readings
    assert reading.loudness_lufs is None
    assert "gate" in reading.not_measured["loudness_lufs"]


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1, eq. 1: an incomplete last block is not used")
def test_the_rest_that_fills_no_block_is_left_out() -> None:
    tone = tones([(4.0, -23.0)])
    loud_rest = np.concatenate([tone, tones([(0.099, 0.0)])])
    assert integrated_lufs(summed(figures_of(loud_rest))) == integrated_lufs(summed(figures_of(tone)))


MATERIAL: Final = {
    "pink": lambda rng: pink(rng, 20.0, -20.0),
    "white": lambda rng: white(rng, 20.0, -30.0),
    "speech-like": lambda rng: speech_like(rng, 20.0, -24.0),
    "loud-and-soft": lambda rng: pink(rng, 20.0, -20.0) * np.repeat([1.0, 0.1, 0.5, 0.01], 5 * RATE_HZ),
    "mostly-silence": lambda rng: pink(rng, 20.0, -20.0) * np.repeat([0.0, 1.0, 0.0, 0.0], 5 * RATE_HZ),
    "low": lambda rng: ss.sosfilt(ss.butter(4, 80, fs=RATE_HZ, output="sos"), white(rng, 20.0, -10.0)),
}
KINDS: Final = [pytest.param(kind, id=kind) for kind in MATERIAL]


@pytest.mark.source('pyloudnorm, filter class "DeMan"')
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("channels", [pytest.param(1, id="mono"), pytest.param(2, id="stereo")])
def test_pyloudnorm_agrees(rng: np.random.Generator, kind: str, channels: int) -> None:
    signal = np.stack([MATERIAL[kind](rng) for _ in range(channels)]).astype(np.float32).astype(np.float64)
    # its default weighting reads 0.04 LU low; "DeMan" is the table's own design
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    expected_lufs = meter.integrated_loudness(np.ascontiguousarray(signal.T))
    # same blocks, same weighting: a block at a gate may fall to the other side, which moves noise by some thousandths
    assert integrated_lufs(summed(figures_of(signal))) == pytest.approx(expected_lufs, abs=0.01)


@pytest.mark.source("ffmpeg, filter ebur128")
@pytest.mark.needs("ffmpeg")
@pytest.mark.parametrize("kind", KINDS)
def test_ffmpeg_agrees(rng: np.random.Generator, tmp_path: Path, kind: str) -> None:
    signal = np.stack([MATERIAL[kind](rng), MATERIAL[kind](rng)])
    path = tmp_path / "noise.wav"
    soundfile.write(path, signal.T, RATE_HZ, subtype="FLOAT")
    chain = "ebur128=peak=true:metadata=1,ametadata=print:file=-"
    done = subprocess.run(
        ["ffmpeg", "-hide_banner", "-nostdin", "-i", str(path), "-af", chain, "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip

    def last(key: str) -> float:
        return float(re.findall(rf"{key}=(-?[0-9.]+)", done.stdout)[-1])

    reading = reading_of(signal).readings
    # it sorts blocks into steps of 0.01 LU, and its gate with them
    assert reading.loudness_lufs == pytest.approx(last(r"r128\.I"), abs=0.02)
    # percentiles of its histogram; it begins before the first 3 s are full, which Tech 3342 leaves open (tolerance 1 LU)
    # five seconds of sound in silence are little more than such windows: nothing to compare
    if kind != "mostly-silence":
        assert reading.loudness_range_lu == pytest.approx(last(r"r128\.LRA"), abs=0.5)
    # an independent resampler; both keep Tech 3341's tolerance, and the value is printed with three decimals
    peak = max(last(rf"true_peaks_ch{channel}") for channel in (0, 1))
    assert reading.true_peak_dbtp == pytest.approx(20 * np.log10(peak), abs=0.2)


@pytest.mark.parametrize("gain_db", [pytest.param(gain, id=f"{gain}-db") for gain in (-20.0, -3.0, 6.0)])
def test_gain_moves_loudness_and_leaves_the_range(rng: np.random.Generator, gain_db: float) -> None:
    # loud enough that nothing meets the absolute gate, before or after
    signal = speech_like(rng, 12.0, -24.0)
    plain, louder = (reading_of(signal * gain).readings for gain in (1.0, amplitude(gain_db)))
    for name in ("loudness_lufs", "momentary_max_lufs", "short_term_max_lufs"):
        assert getattr(louder, name) == pytest.approx(getattr(plain, name) + gain_db, abs=1e-3)
    assert louder.loudness_range_lu == pytest.approx(plain.loudness_range_lu, abs=1e-3)


def test_polarity_and_swapped_sides_leave_loudness(rng: np.random.Generator) -> None:
    left, right = pink(rng, 6.0, -20.0), speech_like(rng, 6.0, -26.0)
    plain = reading_of(np.stack([left, right])).readings
    for other in (np.stack([-left, right]), np.stack([right, left]), -np.stack([left, right])):
        reading = reading_of(other).readings
        assert reading.loudness_lufs == pytest.approx(plain.loudness_lufs, abs=1e-6)
        assert reading.loudness_range_lu == pytest.approx(plain.loudness_range_lu, abs=1e-6)
        assert reading.short_term_max_lufs == pytest.approx(plain.short_term_max_lufs, abs=1e-6)
        assert reading.true_peak_dbtp == pytest.approx(plain.true_peak_dbtp, abs=1e-6)


def test_two_equal_sides_are_3_lu_above_one(rng: np.random.Generator) -> None:
    wave = pink(rng, 5.0, -20.0)
    one, both = (reading_of(signal).readings.loudness_lufs for signal in (wave, stereo(wave)))
    assert one is not None
    assert both == pytest.approx(one + 10 * np.log10(2.0), abs=1e-6)


def test_true_peak_is_never_below_the_sample_peak(rng: np.random.Generator) -> None:
    for _ in range(8):
        signal = rng.standard_normal(2 * RATE_HZ) * 10.0 ** rng.uniform(-5, 0)
        reading = reading_of(signal).readings
        assert reading.true_peak_dbtp >= reading.peak_dbfs


def test_true_peak_sees_past_the_borders_of_chunks() -> None:
    # a sine at a quarter of the rate, 45 degrees off, so that every sample is 3 dB below the wave's top
    for at in range(RATE_HZ - 40, RATE_HZ + 41, 8):
        wave = np.zeros(2 * RATE_HZ)
        burst = np.sin(np.pi / 2 * np.arange(64) + np.pi / 4) * np.hanning(64)
        wave[at - 32 : at + 32] = burst
        fine = ss.resample_poly(np.pad(burst, 64), 64, 1)
        expected_dbtp = 20 * np.log10(np.abs(fine).max())
        found_dbtp = reading_of(wave).readings.true_peak_dbtp
        # two parts may differ: four times oversampling here, 64 times there (0.22 dB at most for a burst round fs / 4)
        assert expected_dbtp - 0.25 < found_dbtp < expected_dbtp + 0.05, f"burst round {at}"


def test_rms_peak_and_mean_of_a_known_wave() -> None:
    # arithmetic: a full sine is 0 dBFS RMS (AES17) and peak; an offset adds its square
    reading = reading_of(sine(1000.0, 2.0, level_dbfs=-12.0)).readings
    assert reading.rms_dbfs == pytest.approx(-12.0, abs=1e-3)
    assert reading.peak_dbfs == pytest.approx(-12.0, abs=1e-3)
    figures = figures_of(sine(1000.0, 2.0, level_dbfs=-12.0) + 1000 * LSB_16)
    assert figures.tracks[0].mean == pytest.approx(1000 * LSB_16, rel=1e-4)
