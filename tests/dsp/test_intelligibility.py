"""Speech intelligibility index, plain (ANSI S3.5-1997) and extended (Rhebergen & Versfeld 2005).

The published tables and worked examples first (Annex C.1 is left out: it goes by octaves, which are not offered), then a peer (mosqito), the filters against scipy, noise through the filters,
and what holds for any spectrum. Run with `-s` to see the worst differences.
"""

from __future__ import annotations

import functools
import warnings
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deskhand.dsp.intelligibility import (
    BANDS_HZ,
    BANDWIDTH_DB,
    FRAME_S,
    IMPORTANCE,
    INTERNAL_NOISE_DB,
    NORMAL_SPEECH_DB,
    audible_over_time,
    audible_shares,
    in_windows,
    index,
    level_distortion,
    third_octave_sos,
    window_frames,
)
from tests.support.hypotheses import examples
from tests.support.intelligibility import (
    BANDS,
    BINAURAL_DB,
    BY_ID,
    EXAMPLES,
    QUIET_DB,
    banks,
    column,
    extended,
    flat,
    interrupted,
    noise,
    spectrum_levels,
    speech,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

EFFORTS: Final = ("normal", "raised", "loud", "shout")
RATES_HZ: Final = (44100, 48000, 96000)
NEAR: Final = 0.01
few: Final = settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)


def db(power: NDArray[np.floating] | float) -> NDArray[np.float64]:
    return 10.0 * np.log10(power)


# published figures


@pytest.mark.source("ANSI S3.5-1997 (R2017), Table 3")
@pytest.mark.parametrize(
    ("ours", "name"),
    [
        (np.array(BANDS_HZ), "freq_hz"),
        (BANDWIDTH_DB, "bandwidth_db"),
        (IMPORTANCE, "importance"),
        (NORMAL_SPEECH_DB, "speech_normal_db"),
        (INTERNAL_NOISE_DB, "internal_noise_db"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_constants(ours: NDArray[np.float64], name: str) -> None:
    assert ours == pytest.approx(column(name), abs=0)


@pytest.mark.source("ANSI S3.5-1997, 4.6: importances sum to 1")
def test_importance_sums_to_one() -> None:
    assert IMPORTANCE.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.source("ANSI S3.5-1997, Annex C.2 (masking: printed to 0.01 dB; index computed by four other programs)")
def test_example_of_the_annex() -> None:
    given_ = BY_ID["C.2 third octave, masking terms"]
    spoken, noise = flat(54.0), np.array(given_["noise_db"])
    assert index(spoken, noise) == pytest.approx(given_["computed_sii"], abs=1e-6)
    for band, masking_db in enumerate(given_["published_first_three_Z"]):
        # what masks a band does not depend on the speech in it (in the first, not while the noise is the larger): with less
        # speech there, the share lies between its limits and tells the masking
        less = spoken.copy()
        less[band] = masking_db + 5.0
        assert less[band] + 15.0 - 30.0 * audible_shares(less, noise)[band] == pytest.approx(masking_db, abs=0.01)


@pytest.mark.source(
    "ANSI S3.5-1997, test cases of the committee's program (printed to 0.001; to 1e-6 by two other programs)"
)
@pytest.mark.parametrize("name", ["committee test TO", "committee test TO_1, other importance"])
def test_examples_of_the_committee(name: str) -> None:
    one = BY_ID[name]
    importance = np.array(one["importance"], np.float64) if "importance" in one else None
    ours = index(
        np.array(one["speech_db"], np.float64),
        np.array(one["noise_db"], np.float64),
        hearing_loss_db=np.array(one["threshold_db"], np.float64),
        importance=importance,
    )
    assert ours == pytest.approx(one["published_sii"], abs=5e-4)
    assert ours == pytest.approx(one["computed_sii"], abs=1e-6)


@pytest.mark.source("ANSI S3.5-1997, 4.6: the disturbance is a maximum; index computed by three other programs")
def test_hearing_loss_in_noise() -> None:
    one = BY_ID["normal speech, flat noise 30 dB/Hz, flat hearing loss 40 dB HL"]
    assert index(speech("normal"), flat(30.0), hearing_loss_db=40.0) == pytest.approx(one["computed_sii"], abs=1e-6)


@pytest.mark.source("ANSI S3.5-1997, clause 4; indices computed by three other programs")
@pytest.mark.parametrize(("effort", "noise_db", "published"), EXAMPLES["table"]["rows"])
def test_efforts_in_flat_noise(effort: str, noise_db: float | str, published: float) -> None:
    level_db = QUIET_DB if noise_db == "quiet" else float(noise_db)
    assert index(speech(effort), flat(level_db)) == pytest.approx(published, abs=1e-6)


@pytest.mark.source("ANSI S3.5-1997 with Annex A for two ears; published results of another program, printed to 0.0001")
@pytest.mark.parametrize("effort", ["normal", "shout"])
def test_distance(effort: str) -> None:
    distance = EXAMPLES["distance"]
    for away_m, published in zip(distance["metres"], distance[effort], strict=True):
        spoken = speech(effort) - 20.0 * np.log10(away_m)
        # only the last digit that is printed may differ
        assert index(spoken, flat(QUIET_DB), hearing_loss_db=BINAURAL_DB) == pytest.approx(published, abs=1e-4)


@pytest.mark.source("ANSI S3.5-1997, 4.8: 1 - (E - U - 10) / 160, U of normal effort, between 0 and 1")
def test_loud_speech_loses() -> None:
    spoken = speech("normal")
    assert level_distortion(spoken + 10.0) == pytest.approx(1.0)
    assert level_distortion(spoken + 26.0) == pytest.approx(0.9)
    assert level_distortion(spoken + 90.0) == pytest.approx(0.5)
    assert level_distortion(spoken + 200.0) == pytest.approx(0.0)
    assert level_distortion(spoken - 50.0) == pytest.approx(1.0)


# a peer


def peer() -> Any:
    """mosqito's index; importing it may warn."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from mosqito.sq_metrics.speech_intelligibility.sii_ansi._main_sii import _main_sii
    return _main_sii


spectra = st.lists(st.floats(-40.0, 90.0), min_size=BANDS, max_size=BANDS).map(np.array)


@pytest.mark.source("mosqito 1.2, ANSI S3.5 by third-octaves: any spectra")
@few
@given(spoken=spectra, noise=spectra)
def test_peer(spoken: NDArray[np.float64], noise: NDArray[np.float64]) -> None:
    theirs, _, _ = peer()("third_octave", spoken.copy(), noise.copy(), None)
    assert index(spoken, noise) == pytest.approx(float(theirs), abs=1e-9)


# the filters


def edges_hz(middle_hz: float) -> tuple[float, float]:
    return middle_hz * 10.0**-0.05, middle_hz * 10.0**0.05


def response(sos: NDArray[np.float64], frequency_hz: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    return np.abs(ss.sosfreqz(sos, frequency_hz, fs=rate_hz)[1])


@pytest.mark.source("scipy.signal.butter: Butterworth band-pass of order 2, 3 dB down at the edges of a third-octave")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("middle_hz", BANDS_HZ)
def test_filter(middle_hz: float, rate_hz: int) -> None:
    ours = third_octave_sos(middle_hz, sample_rate_hz=rate_hz)
    theirs = ss.butter(2, edges_hz(middle_hz), "bandpass", fs=rate_hz, output="sos")
    frequency_hz = np.geomspace(20.0, 0.45 * rate_hz, 400)
    ratio = response(ours, frequency_hz, rate_hz) / response(theirs, frequency_hz, rate_hz)
    assert ratio == pytest.approx(ratio[0], rel=1e-6)
    # the stated scale: the gain at the middle is 1, less the root of what a Butterworth of this order lets through too much
    at_middle = response(ours, np.array([middle_hz]), rate_hz)[0]
    assert at_middle**2 == pytest.approx(2.0 * np.sqrt(2.0) / np.pi, rel=1e-9)


@pytest.mark.source("IEC 61260-1:2014, 5.3 (exact edges); ANSI S3.5-1997, Table 3 (width of the bands)")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_noise_bandwidth(rate_hz: int) -> None:
    step_hz = 0.1
    frequency_hz = np.arange(step_hz, 0.5 * rate_hz, step_hz)
    for middle_hz, width_db in zip(BANDS_HZ, BANDWIDTH_DB, strict=True):
        sos = third_octave_sos(middle_hz, sample_rate_hz=rate_hz)
        near = (frequency_hz > middle_hz / 20.0) & (frequency_hz < 20.0 * middle_hz)
        bandwidth_hz = float(np.sum(response(sos, frequency_hz[near], rate_hz) ** 2)) * step_hz
        # the mapping squeezes the highest bands
        low_hz, high_hz = edges_hz(middle_hz)
        assert db(bandwidth_hz / (high_hz - low_hz)) == pytest.approx(0.0, abs=0.06)
        assert db(bandwidth_hz) == pytest.approx(width_db, abs=0.1)


@pytest.mark.source("scipy.signal.sosfilt: mean squares of every 10 ms behind the same filters")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_band_energies(rate_hz: int, rng: np.random.Generator) -> None:
    step = round(rate_hz * FRAME_S)
    levels = np.array([[1.0], [1e-1], [1e-3], [0.0], [0.3], [1e-4]])
    samples = (levels * rng.standard_normal((6, 40 * step + 17))).astype(np.float32)
    ours = banks(samples, rate_hz)
    assert ours.shape == (40, BANDS, 6)
    for band, middle_hz in enumerate(BANDS_HZ):
        out = ss.sosfilt(third_octave_sos(middle_hz, sample_rate_hz=rate_hz), samples.astype(np.float64))
        squares = (out[:, : 40 * step] ** 2).reshape(6, 40, step).mean(axis=2)
        np.testing.assert_allclose(ours[:, band].T, squares, rtol=1e-5, atol=1e-30)


@pytest.mark.source("definition: filters that keep their state do not know how a sound is cut")
def test_band_energies_in_pieces(rng: np.random.Generator) -> None:
    samples = rng.standard_normal((5, 60 * 480)).astype(np.float32)
    whole, cut = banks(samples, 48000), banks(samples, 48000, (1, 7, 30, 2, 20))
    assert np.array_equal(whole, cut)


@pytest.mark.source("ANSI S3.5-1997, 3.14: spectrum level is the level in 1 Hz; noise made to a level by its spectrum")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_spectrum_level_of_flat_noise(rate_hz: int) -> None:
    made = noise(np.random.default_rng(5), flat(30.0), 30.0, rate_hz)
    # the first frames fill the filters. 30 s of the narrowest band are 1100 independent values: 0.13 dB is one deviation
    read_db = db(spectrum_levels(made, rate_hz)[20:].mean(axis=0))
    assert read_db[:6] == pytest.approx(flat(30.0)[:6], abs=0.4)
    assert read_db[6:] == pytest.approx(flat(30.0)[6:], abs=0.2)


# noise that changes


def share_of(spoken_db: NDArray[np.float64], noise_db: NDArray[np.float64]) -> float:
    return float(IMPORTANCE @ audible_shares(spoken_db, noise_db))


@pytest.mark.source("Rhebergen & Versfeld 2005, doi:10.1121/1.1861713: the mean over time of the index of every frame")
@few
@given(spoken=spectra, frames=st.lists(spectra, min_size=1, max_size=6))
def test_mean_over_frames(spoken: NDArray[np.float64], frames: list[NDArray[np.float64]]) -> None:
    power = 10.0 ** (0.1 * np.array(frames))
    # no noise is noise of -50 dB, the standard's default
    over_quiet_db = db(power + 10.0 ** (0.1 * QUIET_DB))
    expected = np.mean([audible_shares(spoken, frame_db) for frame_db in over_quiet_db], axis=0)
    assert audible_over_time(spoken, power) == pytest.approx(expected, abs=1e-9)


@pytest.mark.source(
    "Rhebergen & Versfeld 2005: windows of 35 ms in the lowest band to 9.4 ms in the highest (from memory)"
)
def test_windows() -> None:
    lengths = np.array(window_frames()) * FRAME_S
    assert len(lengths) == BANDS
    assert lengths[0] == pytest.approx(0.035, abs=0.5 * FRAME_S + 1e-9)
    assert lengths[-1] == pytest.approx(0.0094, abs=0.5 * FRAME_S)
    assert (np.diff(lengths) <= 1e-12).all()


@pytest.mark.source("numpy.convolve: running means; Rhebergen & Versfeld 2005: all windows end together (from memory)")
def test_windows_end_together(rng: np.random.Generator) -> None:
    power = rng.random((50, BANDS)) * 10.0 ** rng.uniform(-8.0, 2.0, (50, 1))
    found = in_windows(power)
    for band, frames in enumerate(window_frames()):
        sums = np.convolve(power[:, band], np.ones(frames))[:50]
        counts = np.convolve(np.ones(50), np.ones(frames))[:50]
        # differences of running sums: good to rounding of the loudest, not of each
        assert found[:, band] == pytest.approx(sums / counts, abs=1e-12 * power.sum())


@functools.cache
def steady(shape: str, level_db: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Long-term spectrum level asked for, and spectrum powers by frame of 40 s of noise."""
    wanted = flat(level_db) if shape == "flat" else speech("normal") + level_db
    made = noise(np.random.default_rng([BANDS, len(shape), round(level_db) + 100]), wanted, 40.2)
    return wanted, spectrum_levels(made)[20:]


@pytest.mark.source("Rhebergen & Versfeld 2005: in steady noise the extended index is the index (ANSI S3.5-1997)")
@pytest.mark.parametrize("effort", ["normal", "loud"])
@pytest.mark.parametrize(
    ("shape", "level_db"),
    [
        ("flat", 0.0),
        ("flat", 15.0),
        ("flat", 25.0),
        ("flat", 40.0),
        ("speech", -15.0),
        ("speech", 0.0),
        ("speech", 10.0),
    ],
)
def test_steady_noise(shape: str, level_db: float, effort: str) -> None:
    wanted_db, power = steady(shape, level_db)
    spoken = speech(effort)
    read_db = db(power.mean(axis=0))
    found = extended(spoken, power)
    print(f"\n{effort} in {shape} {level_db:+.0f} dB: {found:.4f}, plain {index(spoken, read_db):.4f}")
    assert found == pytest.approx(index(spoken, read_db), abs=NEAR)
    assert found == pytest.approx(index(spoken, wanted_db), abs=NEAR)


RATES_OF_INTERRUPTION_HZ: Final = (1.0, 4.0, 8.0, 16.0, 32.0, 100.0)


@pytest.mark.source(
    "Rhebergen & Versfeld 2005: noise with gaps leaves more of the speech than steady noise of the same long-term level"
)
@pytest.mark.parametrize("level_db", [-5.0, 0.0, 5.0, 15.0])
@pytest.mark.parametrize("rate_of_interruption_hz", [4.0, 8.0, 16.0])
def test_interrupted_noise_leaves_more(level_db: float, rate_of_interruption_hz: float) -> None:
    spoken = speech("normal")
    read = interrupted(level_db, rate_of_interruption_hz)
    # three times what the randomness of noise alone does to it
    assert extended(spoken, read) > index(spoken, speech("normal") + level_db) + 3.0 * NEAR


@pytest.mark.source(
    "Miller & Licklider 1950, doi:10.1121/1.1906584, and Rhebergen & Versfeld 2005 (both from memory): slow interruptions let "
    "speech through, fast ones act like steady noise"
)
@pytest.mark.parametrize("level_db", [-5.0, 0.0, 10.0])
def test_rate_of_interruption(level_db: float) -> None:
    spoken = speech("normal")
    found = [extended(spoken, interrupted(level_db, rate_hz)) for rate_hz in RATES_OF_INTERRUPTION_HZ]
    print(f"\ninterrupted at {level_db:+.0f} dB: {[round(one, 3) for one in found]}")
    assert (np.diff(found) < 0.0).all()
    # faster than the shortest window: nothing is left of the gaps
    assert found[-1] == pytest.approx(index(spoken, speech("normal") + level_db), abs=NEAR)


@pytest.mark.source(
    "Rhebergen & Versfeld 2005: half of the frames as in noise 3 dB louder, half as in quiet (ANSI S3.5-1997)"
)
@pytest.mark.parametrize("level_db", [-5.0, 0.0, 10.0])
def test_slow_interruptions_are_half_quiet(level_db: float) -> None:
    spoken = speech("normal")
    half = 0.5 * (index(spoken, speech("normal") + level_db + db(2.0)) + index(spoken, flat(QUIET_DB)))
    # once a second: windows and filters hold the noise for some of the first frames of each gap
    found = extended(spoken, interrupted(level_db, 1.0))
    assert found < half + NEAR
    assert found == pytest.approx(half, abs=0.03)


# what holds for any spectrum

levels: Final = st.floats(-120.0, 140.0)
wild = st.lists(levels, min_size=BANDS, max_size=BANDS).map(np.array)


@pytest.mark.source("ANSI S3.5-1997, 4.7 and 4.9: audibility and index lie between 0 and 1")
@few
@given(spoken=wild, disturbing=wild, loss=st.floats(-10.0, 120.0))
@example(spoken=flat(-120.0), disturbing=flat(-120.0), loss=0.0)
@example(spoken=flat(140.0), disturbing=flat(140.0), loss=0.0)
def test_bounds(spoken: NDArray[np.float64], disturbing: NDArray[np.float64], loss: float) -> None:
    shares = audible_shares(spoken, disturbing, hearing_loss_db=loss)
    assert np.isfinite(shares).all()
    assert ((shares >= 0.0) & (shares <= 1.0)).all()
    assert 0.0 <= index(spoken, disturbing, hearing_loss_db=loss) <= 1.0
    over_time = audible_over_time(spoken, np.stack([10.0 ** (0.1 * disturbing), np.zeros(BANDS)]))
    assert np.isfinite(over_time).all()
    assert ((over_time >= 0.0) & (over_time <= 1.0)).all()


def test_no_frames_are_no_share() -> None:
    assert audible_over_time(speech("normal"), np.empty((0, BANDS))) == pytest.approx(0.0, abs=0)


@pytest.mark.source("ANSI S3.5-1997, 4.3 to 4.6: masking, its slope and the disturbance grow with the noise")
@few
@given(spoken=wild, disturbing=wild, band=st.integers(0, BANDS - 1), more_db=st.floats(0.01, 30.0))
def test_more_noise_never_helps(
    spoken: NDArray[np.float64], disturbing: NDArray[np.float64], band: int, more_db: float
) -> None:
    louder = disturbing.copy()
    louder[band] += more_db
    before, after = audible_shares(spoken, disturbing), audible_shares(spoken, louder)
    assert (after <= before + 1e-12).all()
    assert index(spoken, louder) <= index(spoken, disturbing) + 1e-12
    power = 10.0 ** (0.1 * np.stack([disturbing, flat(20.0)]))
    more = power.copy()
    more[0, band] *= 10.0 ** (0.1 * more_db)
    assert (audible_over_time(spoken, more) <= audible_over_time(spoken, power) + 1e-12).all()


@pytest.mark.source(
    "ANSI S3.5-1997, 4.3.2 and 4.7, for the four efforts of Table 3: speech lies 15 dB and more above what it masks"
)
@few
@given(effort=st.sampled_from(EFFORTS), disturbing=wild, level_db=st.floats(-30.0, 40.0), more_db=st.floats(0.01, 15.0))
def test_more_speech_never_hurts(effort: str, disturbing: NDArray[np.float64], level_db: float, more_db: float) -> None:
    """Holds for the standard's own speech spectra: a spectrum that falls by 16 dB from band to band would mask itself more."""
    spoken = speech(effort) + level_db
    before, after = audible_shares(spoken, disturbing), audible_shares(spoken + more_db, disturbing)
    assert (after >= before - 1e-12).all()


@pytest.mark.source("ANSI S3.5-1997, 4.3.2: steep speech masks its own upper bands, and more so when it is louder")
def test_very_steep_loud_speech_hurts_itself() -> None:
    steep = np.where(np.arange(BANDS) < 6, 80.0, 50.0)
    assert share_of(steep + 10.0, flat(QUIET_DB)) < share_of(steep, flat(QUIET_DB)) - 0.01
