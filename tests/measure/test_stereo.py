"""What two sides have in common: correlation and levels against phase, octaves, delay and polarity.

The table against phase first; then signals whose answer is arithmetic; then delays made by turning the phase of a spectrum,
which is exact to any part of a sample.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.measure.stereo import Alignment, mono_flip, stereo
from tests.support.feed import reading_of
from tests.support.signals import RATE_HZ, amplitude, pink, plucks, sine, speech_like, white
from tests.support.tables import rows

PHASES: Final = rows("stereo_phase")


def delayed(wave: np.ndarray, delay_s: float, *, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Later by any part of a sample; what runs out at the end comes in at the start."""
    frequency_hz = np.fft.rfftfreq(wave.size, 1 / rate_hz)
    turned = np.fft.rfft(wave) * np.exp(-2j * np.pi * frequency_hz * delay_s)
    return np.fft.irfft(turned, wave.size)


@pytest.mark.source("definitions, tabled against phase in stereo_phase.csv")
@pytest.mark.parametrize("row", [pytest.param(row, id=f"{row['phase_deg']}-degrees") for row in PHASES])
def test_two_sines_apart_in_phase(row: dict[str, str]) -> None:
    waves = [
        sine(1000.0, 4.0, level_dbfs=-20.0, phase_rad=np.deg2rad(float(row["phase_deg"])) * side) for side in (0, 1)
    ]
    reading = reading_of(np.stack(waves)).readings
    middle_db, side_db = float(row["mid_db"]), float(row["side_db"])
    assert reading.correlation == pytest.approx(float(row["correlation"]), abs=1e-5)
    assert reading.balance_db == pytest.approx(0.0, abs=1e-3)
    # four decimals are printed; float32 samples leave less than that
    if np.isfinite(middle_db):
        assert reading.mono_loss_db == pytest.approx(middle_db, abs=1e-3)
    else:
        assert reading.mono_loss_db is None
        assert reading.not_measured["mono_loss_db"] == "the sides cancel wholly"
    if np.isfinite(middle_db) and np.isfinite(side_db):
        assert reading.width_db == pytest.approx(side_db - middle_db, abs=1e-3)
    else:
        assert reading.width_db is None
        assert reading.not_measured["width_db"] == (
            "the sides are identical" if middle_db == 0 else "the sides are opposite"
        )


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 1, eq. 2: powers add, whatever the phase")
@pytest.mark.parametrize("row", [pytest.param(row, id=f"{row['phase_deg']}-degrees") for row in PHASES])
def test_loudness_does_not_see_phase(row: dict[str, str]) -> None:
    waves = [
        sine(1000.0, 4.0, level_dbfs=-20.0, phase_rad=np.deg2rad(float(row["phase_deg"])) * side) for side in (0, 1)
    ]
    same = reading_of(np.stack([waves[0], waves[0]])).readings.loudness_lufs
    apart = reading_of(np.stack(waves)).readings.loudness_lufs
    assert same is not None
    # the first block holds how the filters settle, which depends on phase a little
    assert apart == pytest.approx(same + float(row["loudness_change_lu"]), abs=0.005)


@pytest.mark.source("definitions: independent noises of equal power have correlation 0, mid and side at -3.01 dB")
def test_independent_noises(rng: np.random.Generator) -> None:
    reading = reading_of(np.stack([white(rng, 20.0, -20.0), white(rng, 20.0, -20.0)])).readings
    # 960000 independent samples: a standard deviation of 0.001
    assert reading.correlation == pytest.approx(0.0, abs=0.005)
    assert reading.mono_loss_db == pytest.approx(-10 * np.log10(2.0), abs=0.03)
    assert reading.width_db == pytest.approx(0.0, abs=0.06)
    assert reading.delay_ms is None


@pytest.mark.parametrize("apart_db", [pytest.param(db, id=f"{db}-db") for db in (-20.0, -3.0, 0.5, 6.0, 30.0)])
def test_balance(rng: np.random.Generator, apart_db: float) -> None:
    wave = pink(rng, 5.0, -20.0)
    reading = reading_of(np.stack([wave, wave * amplitude(apart_db)])).readings
    assert reading.balance_db == pytest.approx(apart_db, abs=0.001)
    assert reading.correlation == pytest.approx(1.0, abs=1e-5)
    # arithmetic: M and S of sides 1 and g, against the mean power of the sides
    gain = amplitude(apart_db)
    assert reading.mono_loss_db == pytest.approx(10 * np.log10((1 + gain) ** 2 / 2 / (1 + gain**2)), abs=0.001)
    assert reading.width_db == pytest.approx(20 * np.log10(abs(1 - gain) / (1 + gain)), abs=0.01)


def test_swapped_sides_mirror_balance_and_delay(rng: np.random.Generator) -> None:
    wave = speech_like(rng, 8.0, -24.0)
    left, right = wave + white(rng, 8.0, -50.0), 0.5 * delayed(wave, 0.001) + white(rng, 8.0, -50.0)
    plain, swapped = (reading_of(np.stack(sides)).readings for sides in ((left, right), (right, left)))
    assert swapped.balance_db == pytest.approx(-plain.balance_db, abs=1e-6)
    assert swapped.delay_ms == pytest.approx(-plain.delay_ms, abs=1e-6)
    for name in ("correlation", "width_db", "mono_loss_db", "level_dbfs"):
        assert getattr(swapped, name) == pytest.approx(getattr(plain, name), abs=1e-6)


def test_polarity_of_one_side_turns_correlation_and_width(rng: np.random.Generator) -> None:
    shared = pink(rng, 6.0, -20.0)
    left, right = shared + pink(rng, 6.0, -30.0), shared + pink(rng, 6.0, -26.0)
    plain, turned = (reading_of(np.stack([left, sign * right])) for sign in (1.0, -1.0))
    assert turned.readings.correlation == pytest.approx(-plain.readings.correlation, abs=2e-6)
    assert turned.readings.width_db == pytest.approx(-plain.readings.width_db, abs=1e-3)
    assert plain.alignment is not None
    assert turned.alignment is not None
    assert plain.alignment.positive > 0.7 > 0.3 > plain.alignment.negative
    assert turned.alignment.negative == pytest.approx(plain.alignment.positive, abs=1e-5)
    # which way up does not change when
    assert turned.readings.delay_ms == pytest.approx(plain.readings.delay_ms, abs=1e-6)


def test_values_by_hand() -> None:
    # two blocks: powers 1 and 4 against 4 and 1, product 1 and 2: L = R = 5, product 3
    found = stereo(np.array([1.0, 4.0]), np.array([4.0, 1.0]), np.array([1.0, 2.0]))
    assert found.correlation == pytest.approx(0.6)
    assert found.balance_db == pytest.approx(0.0)
    assert found.width_db == pytest.approx(10 * np.log10((10 - 6) / (10 + 6)))
    assert found.mono_loss_db == pytest.approx(10 * np.log10(0.25 * 16 / 5))


DELAYS_MS: Final = (-12.5, -1.0, -0.333, -1 / 48, -1 / 96, 0.0, 1 / 192, 0.1, 0.5078, 3.0, 7.77, 45.0)


@pytest.mark.parametrize("delay_ms", [pytest.param(ms, id=f"{ms:.4g}-ms") for ms in DELAYS_MS])
@pytest.mark.parametrize("turned", [pytest.param(1.0, id="same-way-up"), pytest.param(-1.0, id="upside-down")])
def test_delay_of_noise(rng: np.random.Generator, delay_ms: float, turned: float) -> None:
    wave = white(rng, 5.0, -20.0)
    # each side has noise of its own, 20 dB down
    left, right = wave + white(rng, 5.0, -40.0), turned * delayed(wave, delay_ms / 1000) + white(rng, 5.0, -40.0)
    reading = reading_of(np.stack([left, right]))
    # the whitened correlation is read on a grid of an eighth of a sample, 2.6 us
    assert reading.readings.delay_ms == pytest.approx(delay_ms, abs=0.01)
    assert reading.alignment is not None
    if abs(delay_ms) < 3:
        # polarity is looked for within 3 ms
        larger, smaller = (reading.alignment.positive, reading.alignment.negative)[:: int(turned)]
        assert larger > 2 * smaller


@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 96000)])
@pytest.mark.parametrize("delay_ms", [pytest.param(ms, id=f"{ms:.4g}-ms") for ms in (-3.21, 0.017, 9.0)])
def test_delay_at_other_rates(rng: np.random.Generator, rate_hz: int, delay_ms: float) -> None:
    wave = pink(rng, 6.0, -20.0, rate_hz=rate_hz)
    right = delayed(wave, delay_ms / 1000, rate_hz=rate_hz)
    reading = reading_of(np.stack([wave, right]), sample_rate_hz=rate_hz).readings
    assert reading.delay_ms == pytest.approx(delay_ms, abs=0.01)


def through_a_box(wave: np.ndarray, *, reflection_ms: float, cut_hz: float) -> np.ndarray:
    """A microphone's own view: a gentle shelf, in zero phase so that the delay stays what it is, and two reflections."""
    response = np.zeros(2000)
    response[0] = 1.0
    response[round(reflection_ms * RATE_HZ / 1000)] = 0.35
    response[round(2.7 * reflection_ms * RATE_HZ / 1000)] = -0.2
    shelf = ss.butter(1, cut_hz, fs=RATE_HZ, output="sos")
    return np.asarray(ss.sosfiltfilt(shelf, ss.fftconvolve(wave, response)[: wave.size]))


@pytest.fixture(scope="module")
def music() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(20260302)
    return {"plucks": plucks(rng, 8.0), "speech-like": speech_like(rng, 8.0, -24.0)}


@pytest.mark.parametrize("delay_ms", [pytest.param(ms, id=f"{ms:.4g}-ms") for ms in (-8.0, -0.5, 0.03, 1.5, 6.1)])
@pytest.mark.parametrize(
    "kind", [pytest.param(kind, id=kind) for kind in ("plucks", "speech-like", "plucks-through-two-boxes")]
)
def test_delay_of_music(rng: np.random.Generator, music: dict[str, np.ndarray], delay_ms: float, kind: str) -> None:
    left = music[kind.removesuffix("-through-two-boxes")]
    right = delayed(left, delay_ms / 1000)
    if kind == "plucks-through-two-boxes":
        left = through_a_box(left, reflection_ms=5.3, cut_hz=6000.0)
        right = through_a_box(right, reflection_ms=7.9, cut_hz=9000.0)
    noisy = np.stack([left, right]) + np.stack([white(rng, 8.0, -75.0), white(rng, 8.0, -75.0)])
    assert reading_of(noisy).readings.delay_ms == pytest.approx(delay_ms, abs=0.05)


def test_one_side_silent(rng: np.random.Generator) -> None:
    reading = reading_of(np.stack([pink(rng, 5.0, -20.0), np.zeros(5 * RATE_HZ)])).readings
    assert reading.balance_db is None
    assert reading.correlation is None
    assert reading.not_measured["correlation"] == "one side carries nothing"


def test_octaves_of_a_wide_top_and_a_narrow_bottom(rng: np.random.Generator) -> None:
    low = ss.sosfiltfilt(ss.butter(6, 500, fs=RATE_HZ, output="sos"), pink(rng, 20.0, -20.0))
    tops = [
        ss.sosfiltfilt(ss.butter(6, 500, "highpass", fs=RATE_HZ, output="sos"), pink(rng, 20.0, -20.0)) for _ in (0, 1)
    ]
    reading = reading_of(np.stack([low + tops[0], low + tops[1]])).readings
    assert reading.width_octave_db is not None
    assert reading.mono_loss_octave_db is not None
    # the same below, nothing in common above: mono loses 0 and 3.01 dB; noise of 20 s leaves some tenths
    for name in ("63", "125"):
        assert reading.mono_loss_octave_db[name] == pytest.approx(0.0, abs=0.01)
    for name in ("2000", "4000", "8000"):
        assert reading.mono_loss_octave_db[name] == pytest.approx(-3.01, abs=0.2)
        assert reading.width_octave_db[name] == pytest.approx(0.0, abs=0.4)


@pytest.mark.source("IEC 61260-1:2014, 5.4: the octave of 1 kHz goes from 708 to 1413 Hz")
@pytest.mark.parametrize(("side_hz", "inside"), [(750.0, True), (1350.0, True), (650.0, False), (1500.0, False)])
def test_how_wide_an_octave_is(side_hz: float, inside: bool) -> None:
    """The middle at 1 kHz, the sides 6 dB lower at another place: they make its width where that lies in the octave."""
    middle, side = sine(1000.0, 8.0, level_dbfs=-20.0), sine(side_hz, 8.0, level_dbfs=-26.0)
    widths_db = reading_of(np.stack([middle + side, middle - side])).readings.width_octave_db
    assert widths_db is not None
    if inside:
        assert widths_db["1000"] == pytest.approx(-6.0, abs=0.2)
    else:
        assert widths_db.get("1000", -99.0) < -20.0


@pytest.mark.source("definitions: mono sum of the samples, as it is and with one side flipped")
@pytest.mark.parametrize("length_s", [pytest.param(seconds, id=f"{seconds:g}-s") for seconds in (2.0, 30.0)])
@pytest.mark.parametrize("shared", [pytest.param(share, id=f"{share:g}") for share in (-0.9, -0.3, 0.0, 0.3, 0.9)])
def test_mono_loss_flipped(rng: np.random.Generator, shared: float, length_s: float) -> None:
    wave, *own = (white(rng, length_s, -20.0) for _ in range(3))
    left, right = wave + 0.1 * own[0], shared * wave + np.sqrt(1.0 - shared**2) * own[1]
    blocks = [side.reshape(-1, 4800) for side in (left, right)]
    found = mono_flip(*(np.mean(a * b, axis=1) for a, b in ((blocks[0],) * 2, (blocks[1],) * 2, blocks)), step_s=0.1)
    for loss_db, sign in ((found.loss_db, 1.0), (found.flipped_loss_db, -1.0)):
        mono, sides = np.mean((left + sign * right) ** 2) / 4, np.mean(left**2 + right**2) / 2
        assert loss_db == pytest.approx(10 * np.log10(mono / sides), abs=1e-6)
    assert found.sure == (shared < 0)


def test_a_flip_is_not_sure_where_the_take_changes_its_mind() -> None:
    # half of the take adds up and half cancels, 3 s at a time, the cancelling a little louder
    part = np.repeat([1.0, -1.1] * 4, 30)
    ones = np.ones(part.size)
    found = mono_flip(1.2 * ones, 1.2 * ones, part, step_s=0.1)
    assert found.flipped_loss_db > found.loss_db
    assert not found.sure
    steady = mono_flip(1.2 * ones, 1.2 * ones, np.full(part.size, part.mean() * 10), step_s=0.1)
    assert steady.sure
    # less than four steps say nothing
    assert not mono_flip(ones[:3], ones[:3], -ones[:3], step_s=0.1).sure


@pytest.mark.parametrize("sign", [pytest.param(1.0, id="same-way-up"), pytest.param(-1.0, id="inverted")])
@pytest.mark.parametrize("delay_ms", [pytest.param(ms, id=f"{ms:g}-ms") for ms in (0.0, 1.4, 4.5)])
def test_what_adds_up_when_it_is_moved_in_time(rng: np.random.Generator, sign: float, delay_ms: float) -> None:
    wave = ss.sosfilt(ss.butter(2, [80, 300], "bandpass", fs=RATE_HZ, output="sos"), pink(rng, 8.0, -10.0))
    sides = np.stack([wave, sign * delayed(wave, delay_ms / 1000)]) + white(rng, 8.0, -80.0)
    place = reading_of(sides).alignment
    assert place is not None
    assert place.adds_when_moved == (sign > 0)


@pytest.mark.parametrize(
    ("changed", "opposite"),
    [
        pytest.param({}, True, id="somewhat-in-what-is-loud-and-surely-in-all"),
        pytest.param({"certainty": 0.5}, False, id="not-surely"),
        pytest.param({"turned": False}, False, id="all-frequencies-say-otherwise"),
        pytest.param({"positive": 0.6}, False, id="what-is-loud-says-otherwise"),
        pytest.param({"negative": 0.3, "positive": 0.1}, False, id="they-share-too-little"),
        pytest.param({"turned": False, "positive": 0.3}, True, id="by-far-in-what-is-loud"),
    ],
)
def test_who_is_upside_down(changed: dict[str, float], opposite: bool) -> None:
    """Common practice, no source: the loud notes decide; when they are of two minds, all frequencies alike."""
    figures: dict = {"delay_s": 0.0, "certainty": 0.8, "positive": 0.45, "negative": 0.5, "turned": True}
    assert Alignment(**figures | changed).opposite is opposite
