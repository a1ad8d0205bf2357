"""Third-octave levels through the one pass: noise, a tone in every band, the shape of the bands for steady tones.

The shape is compared with the class 1 limits of IEC 61260-1:2014 although the bands are sums of transform bins, not filters:
for steady tones the comparison is fair, for anything that moves nothing is claimed.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.dsp.spectrum import NOMINAL_HZ, edges_hz, exact_hz
from deskhand.measure.tone import harshest_s
from tests.support.feed import figures_of, reading_of
from tests.support.signals import RATE_HZ, amplitude, pink, sine, white
from tests.support.tables import rows

CENTRES_HZ: Final = exact_hz()
LIMITS: Final = rows("iec61260_class_limits")
SETTLED: Final = slice(2, 4)
"""Seconds whose windows lie wholly inside a take of 5 s: the lowest bands look at 2.7 s."""
RATES_HZ: Final = (44100, 48000, 96000)


def tone_of(samples: np.ndarray, *, rate_hz: int = RATE_HZ) -> np.ndarray:
    """(tracks, 31) mean square in each band, of the settled seconds."""
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    return np.array([track.tone[SETTLED].mean(axis=0, dtype=np.float64) for track in figures.tracks])


def db(power: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(power))


@pytest.fixture(scope="module", params=[pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def centres(request: pytest.FixtureRequest) -> tuple[int, np.ndarray]:
    """A full-scale/2 tone at the centre of each band, one a track: (rate, (31 tones, 31 bands))."""
    rate_hz = request.param
    waves = [sine(centre_hz, 5.0, level_dbfs=-6.0, phase_rad=0.3, rate_hz=rate_hz) for centre_hz in CENTRES_HZ]
    return rate_hz, tone_of(np.array(waves), rate_hz=rate_hz)


# known truth: a sine at -6 dBFS has a mean square of half its squared amplitude
@pytest.mark.parametrize("band", [pytest.param(k, id=f"{hz:g}-hz") for k, hz in enumerate(NOMINAL_HZ)])
def test_a_tone_at_the_centre_reads_its_level(centres: tuple[int, np.ndarray], band: int) -> None:
    _, found = centres
    assert db(found[band, band] / (0.5 * amplitude(-6.0) ** 2)) == pytest.approx(0.0, abs=0.1)


@pytest.mark.source("IEC 61260-1:2014, Table 1, class 1, one-third octave (formula 9): far from the band")
@pytest.mark.parametrize("band", [pytest.param(k, id=f"{hz:g}-hz") for k, hz in enumerate(NOMINAL_HZ)])
def test_a_tone_at_another_centre_is_kept_out(centres: tuple[int, np.ndarray], band: int) -> None:
    _, found = centres
    exponents = np.array([float(row["omega_third_octave"]) for row in LIMITS[5:]])
    least_db = np.array([float(row["class1_min_db"]) for row in LIMITS[5:]])
    for other, centre_hz in enumerate(CENTRES_HZ):
        if other == band:
            continue
        # the same limits hold below the band as above; between breakpoints they run straight over lg (formula 11)
        omega = max(centre_hz / CENTRES_HZ[band], CENTRES_HZ[band] / centre_hz)
        limit_db = np.interp(np.log10(omega), np.log10(exponents), least_db)
        attenuation_db = -db(found[other, band] / found[band, band])
        assert attenuation_db >= limit_db, f"{centre_hz:.0f} Hz in the band of {NOMINAL_HZ[band]:g} Hz"


@pytest.mark.source("IEC 61260-1:2014, Table 1, class 1, one-third octave (Table F.1), steady tones")
@pytest.mark.parametrize("nominal_hz", [pytest.param(hz, id=f"{hz:g}-hz") for hz in NOMINAL_HZ])
def test_shape_of_a_band_for_steady_tones(nominal_hz: float) -> None:
    # at 48 kHz; every breakpoint on both sides that lies between 5 Hz and 0.49 of the rate
    band = NOMINAL_HZ.index(nominal_hz)
    centre_hz = CENTRES_HZ[band]
    places = [(float(row["omega_third_octave"]) ** side, row) for row in LIMITS[1:] for side in (1, -1)]
    places = [(omega, row) for omega, row in places if 5.0 <= omega * centre_hz <= 0.49 * RATE_HZ]
    waves = [
        sine(omega * centre_hz, 5.0, level_dbfs=-3.0, phase_rad=0.3) for omega in (1.0, *(place for place, _ in places))
    ]
    found = tone_of(np.array(waves))[:, band]
    attenuation_db = -db(found[1:] / found[0])
    for (omega, row), found_db in zip(places, attenuation_db, strict=True):
        low_db, high_db = float(row["class1_min_db"]), float(row["class1_max_db"])
        assert low_db <= found_db <= high_db, f"{row['where']} {omega:.5f} x {centre_hz:.1f} Hz: {found_db:.2f} dB"


# arithmetic: a band that is a perfect third octave holds exactly its share of the tones that sweep through it
@pytest.mark.parametrize("nominal_hz", [pytest.param(hz, id=f"{hz:g}-hz") for hz in (25, 315, 400, 8000)])
def test_effective_bandwidth_for_steady_tones(nominal_hz: float) -> None:
    band = NOMINAL_HZ.index(nominal_hz)
    edges = edges_hz()[[band, band + 1]]
    # 41 tones evenly spaced round the band, none of them on an edge
    swept_hz = np.linspace(edges[0] / 1.15, edges[1] * 1.15, 41)
    found = tone_of(np.array([sine(hz, 5.0, level_dbfs=-3.0, phase_rad=0.3) for hz in swept_hz]))[:, band]
    passed_hz = np.sum(found) / (0.5 * amplitude(-3.0) ** 2) * (swept_hz[1] - swept_hz[0])
    # a sum over 41 places cannot tell bandwidth finer than a part of one step in about 20, 0.2 dB
    assert db(passed_hz / (edges[1] - edges[0])) == pytest.approx(0.0, abs=0.2)


@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in RATES_HZ])
def test_white_noise_rises_with_the_bandwidth(rng: np.random.Generator, rate_hz: int) -> None:
    figures = figures_of(white(rng, 30.0, -20.0, rate_hz=rate_hz), sample_rate_hz=rate_hz)
    found = figures.tracks[0].tone.mean(axis=0, dtype=np.float64)
    edges = np.minimum(edges_hz(), rate_hz / 2)
    expected = 0.5 * amplitude(-20.0) ** 2 * np.diff(edges) / (rate_hz / 2)
    # 4.3 / sqrt(bandwidth x time) is the standard deviation in dB; four of them, and 0.05 dB for the bands themselves
    allowed_db = 4 * 4.34 / np.sqrt(np.diff(edges) * 30.0) + 0.05
    assert (np.abs(db(found / expected)) < allowed_db).all()


def test_pink_noise_is_flat(rng: np.random.Generator) -> None:
    reading = reading_of(pink(rng, 30.0, -20.0)).readings
    assert reading.tone_db is not None
    levels = np.array([reading.tone_db[f"{hz:g}"] for hz in NOMINAL_HZ[:-1]])
    # as above: the lowest band is 4.6 Hz wide; the highest reaches past 20 kHz and is left out
    allowed_db = 4 * 4.34 / np.sqrt(np.diff(edges_hz())[:-1] * 30.0) + 0.05
    assert (np.abs(levels - levels[10:].mean()) < allowed_db + 0.05).all()
    # the power sum over all bands is 0 dB, each rounded to 0.01 dB
    assert 10 * np.log10(sum(10 ** (level / 10) for level in reading.tone_db.values())) == pytest.approx(0.0, abs=0.01)


def test_tilt_of_pink_and_white_noise(rng: np.random.Generator) -> None:
    # arithmetic: octave levels of pink noise are equal, those of white noise rise by 3.01 dB an octave
    assert reading_of(pink(rng, 30.0, -20.0)).readings.tilt_db_per_octave == pytest.approx(0.0, abs=0.1)
    assert reading_of(white(rng, 30.0, -20.0)).readings.tilt_db_per_octave == pytest.approx(3.01, abs=0.1)


@pytest.mark.parametrize("length_s", [pytest.param(length, id=f"{length}-s") for length in (1.0, 2.0, 3.0, 3.5, 4.2)])
@pytest.mark.parametrize("hz", [pytest.param(hz, id=f"{hz:g}-hz") for hz in (100.0, 1000.0)])
def test_tone_of_short_takes(length_s: float, hz: float) -> None:
    figures = figures_of(sine(hz, length_s, level_dbfs=-6.0, phase_rad=0.3))
    tone = figures.tracks[0].tone
    assert np.isfinite(tone[: int(length_s)]).all()
    # the whole of a sine, in the band it belongs to, in every whole second; windows that begin with the take are skipped
    found_db = db(tone[: int(length_s), NOMINAL_HZ.index(hz)].astype(np.float64) / (0.5 * amplitude(-6.0) ** 2))
    np.testing.assert_allclose(found_db, 0.0, atol=0.1)


def test_only_playing_counts(rng: np.random.Generator) -> None:
    # a tone for 6 s, then 10 s of quiet noise: the noise is not in the tone
    playing = sine(1000.0, 6.0, level_dbfs=-20.0)
    signal = np.concatenate([playing, np.zeros(10 * RATE_HZ)]) + white(rng, 16.0, -60.0)
    tone_db = reading_of(signal).readings.tone_db
    assert tone_db is not None
    assert tone_db["1000"] == pytest.approx(0.0, abs=0.05)
    # white noise at -60 dBFS puts about -49 dB re the tone into 8 kHz (bandwidth 1.8 kHz of 24 kHz)
    expected_db = -60.0 + 20.0 + 10 * np.log10((8912.5 - 7079.5) / 24000.0)
    assert tone_db["8000"] == pytest.approx(expected_db, abs=0.5)


def test_the_harshest_moments_are_of_the_playing() -> None:
    """A cymbal beside a microphone whose singer rests is no harshness of the singer's."""
    tone = np.full((23, 31), 1e-6)
    bands = [band for band, hz in enumerate(NOMINAL_HZ) if 2000 <= hz <= 5000]
    # of 20 s the tenth part is told: the two in which it stands out, and not the three of the pause
    tone[:, bands] *= np.linspace(0.5, 0.6, 23)[:, None]
    tone[10:12, bands] = 1e-4
    tone[15:18, bands] = 1e-2
    playing = np.ones(230, bool)
    playing[150:180] = False
    assert harshest_s(tone, playing) == [(10.0, 12.0)]
    # while it plays there, that is the harshest
    assert harshest_s(tone, np.ones(230, bool)) == [(15.0, 18.0)]
