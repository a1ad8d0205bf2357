"""Loudness against libebur128, third-octaves against IEC 61260-1 and a filter bank, on stretches of real audio.

`validations/measurements.py` compares the same on whole recordings. Nothing here computes with deskhand but the one reading.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
import pyebur128
import pytest
import scipy.signal as ss
import soundfile

from tests.support import material
from tests.support.feed import figures_of, reading_of
from tests.support.tables import rows

pytestmark = pytest.mark.real

RATE_HZ: Final = 44100
STRETCH_S: Final = 40.0
SHORT_S: Final = 15.0
"""Of that, what slow peers get."""
PIECES: Final = {
    "Escape from chaosland, guitar": 176.0,
    "Feelings, guitar": 200.0,
    "Metal madness, guitar": 113.0,
    "War of freedom, guitar": 115.0,
    "War of freedom, song": 57.0,
    "vocadito_10, voice": 0.0,
    "vocadito_14, voice": 0.0,
}
"""Where a stretch begins: of a song, the one whose level moves least."""
IDS: Final = [piece.replace(", ", "-").replace(" ", "-").lower() for piece in PIECES]
CLASS_LIMITS: Final = rows("iec61260_class_limits")
CENTRES_HZ: Final = 1000.0 * 10.0 ** (0.1 * np.arange(-17, 14))
"""IEC 61260-1:2014, formula 2, base ten: 20 Hz to 20 kHz."""
HEARD_DB: Final = -30.0
"""Bands this far below the whole are not compared."""


@functools.cache
def stretch(piece: str) -> np.ndarray:
    """(channels, frames) of 40 s; a voice whole."""
    name, stem = piece.split(", ")
    folder = material.voice(name) if stem == "voice" else material.guitar_song(name)
    samples, rate_hz = soundfile.read(
        folder / f"{stem}.wav", start=round(PIECES[piece] * RATE_HZ), frames=round(STRETCH_S * RATE_HZ), always_2d=True
    )
    assert rate_hz == RATE_HZ
    return np.ascontiguousarray(samples.T)


def libebur128(samples: np.ndarray, rate_hz: int) -> dict[str, float]:
    """What it says, fed 10 ms at a time, its moments asked for each time."""
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(
        samples.shape[0], rate_hz, mode.MODE_I | mode.MODE_LRA | mode.MODE_M | mode.MODE_S | mode.MODE_TRUE_PEAK
    )
    step = rate_hz // 100
    momentary, short_term = [], []
    frames_first = np.ascontiguousarray(samples.T)
    for count, first in enumerate(range(0, samples.shape[1] - step + 1, step), start=1):
        state.add_frames(frames_first[first : first + step].ravel(), step)
        if count >= 40:
            momentary.append(pyebur128.get_loudness_momentary(state))
        if count >= 300:
            short_term.append(pyebur128.get_loudness_shortterm(state))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(samples.shape[0]))
    return {
        "loudness_lufs": pyebur128.get_loudness_global(state),
        # it takes a window each second, so 15 s are too few: compared on whole recordings only
        "loudness_range_lu": pyebur128.get_loudness_range(state),
        "momentary_max_lufs": max(momentary),
        "short_term_max_lufs": max(short_term),
        "true_peak_dbtp": 20 * np.log10(peak),
    }


TOLERANCES: Final = {
    # EBU Tech 3341 allows 0.1 LU; the two lie 0.004 LU apart throughout, as each derives the weighting for a rate its own way
    "loudness_lufs": 0.02,
    "momentary_max_lufs": 0.02,
    "short_term_max_lufs": 0.02,
    # EBU Tech 3341: +0.2 / -0.4 dB; the peer's interpolator is another
    "true_peak_dbtp": 0.1,
}


@pytest.mark.source("libebur128 through pyebur128, fed 10 ms at a time")
@pytest.mark.parametrize("piece", [pytest.param(piece, id=name) for piece, name in zip(PIECES, IDS, strict=True)])
def test_libebur128_agrees(piece: str) -> None:
    samples = stretch(piece)[:, : round(SHORT_S * RATE_HZ)]
    ours = reading_of(samples, sample_rate_hz=RATE_HZ).readings
    theirs = libebur128(samples, RATE_HZ)
    apart = {name: getattr(ours, name) - theirs[name] for name in TOLERANCES}
    print(piece, {name: round(value, 4) for name, value in apart.items()})
    assert {name: value for name, value in apart.items() if abs(value) > TOLERANCES[name]} == {}


def bank(samples: np.ndarray, rate_hz: int, *, order: int) -> np.ndarray:
    """(31,) mean square behind Butterworth band-passes; low bands are decimated first, so that the filters stay exact."""
    out = []
    for centre_hz in CENTRES_HZ:
        low_hz, high_hz = centre_hz * 10.0**-0.05, centre_hz * 10.0**0.05
        here, here_hz = samples, float(rate_hz)
        while high_hz < here_hz / 40:
            here, here_hz = ss.resample_poly(here, 1, 4, axis=-1), here_hz / 4
        edges = (low_hz, min(high_hz, 0.499 * here_hz))
        found = ss.sosfilt(ss.butter(order, edges, "bandpass", fs=here_hz, output="sos"), here, axis=-1)
        out.append(np.mean(found[..., round(0.5 * here_hz) :] ** 2))
    return np.array(out)


def corridor(samples: np.ndarray, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """(31,) least and most mean square that a class 1 filter may let through, from one transform of the whole.

    Every line of the transform is let through with the largest and with the least attenuation that the standard allows
    there: nothing outside the edges for the least.
    """
    power = np.sum(np.abs(np.fft.rfft(samples, axis=-1)) ** 2, axis=0) * 2 / samples.size / samples.shape[-1]
    frequency_hz = np.maximum(np.arange(power.size) * rate_hz / samples.shape[-1], 1e-9)
    places = np.log(np.array([float(row["omega_third_octave"]) for row in CLASS_LIMITS]))
    low_db, high_db = (np.array([float(row[f"class1_{end}_db"]) for row in CLASS_LIMITS]) for end in ("min", "max"))
    edge = next(k for k, row in enumerate(CLASS_LIMITS) if row["where"] == "just outside")
    least, most = [], []
    for centre_hz in CENTRES_HZ:
        away = np.abs(np.log(frequency_hz / centre_hz))
        inside = away < places[edge]
        largest_db = np.interp(away[inside], places[:edge], high_db[:edge])
        smallest_db = np.where(inside, low_db[0], np.interp(away, places[edge:], low_db[edge:]))
        least.append(np.sum(power[inside] * 10.0 ** (-largest_db / 10)))
        most.append(np.sum(power * 10.0 ** (-smallest_db / 10)))
    return np.array(least), np.array(most)


def third_octaves(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """(31,) mean square of deskhand's pass over all seconds."""
    figures = figures_of(samples, sample_rate_hz=rate_hz)
    return np.asarray(np.nanmean([track.tone for track in figures.tracks], axis=(0, 1), dtype=np.float64))


def apart_db(found: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """In the bands that are heard."""
    heard = expected > expected.sum() * 10.0 ** (HEARD_DB / 10)
    return np.asarray(10 * np.log10(found[heard] / expected[heard]))


STEADY: Final = [pytest.param(piece, id=name) for piece, name in zip(PIECES, IDS, strict=True) if "voice" not in piece]


@pytest.mark.source("IEC 61260-1:2014, Table 1, class 1, one-third octave: what a filter may let through of this sound")
@pytest.mark.parametrize("piece", STEADY)
def test_bands_lie_in_the_corridor_of_class_1(piece: str) -> None:
    samples = stretch(piece)
    found = third_octaves(samples, RATE_HZ)
    least, most = corridor(samples, RATE_HZ)
    heard = found > found.sum() * 10.0 ** (HEARD_DB / 10)
    assert heard.sum() >= 15
    inside_db = 10 * np.log10(np.minimum(found / least, most / found))[heard]
    print(piece, f"{inside_db.min():.2f} dB inside at least")
    assert inside_db.min() >= 0.0


# a filter's skirts let strong tones into the bands beside theirs: the steeper, the less
@pytest.mark.source("scipy: Butterworth band-passes of order 3 (IEC 61260-1 class 1) and 10 in each third-octave")
@pytest.mark.parametrize("piece", [one for one in STEADY if str(one.id).startswith(("metal", "war"))])
def test_a_filter_bank_agrees(piece: str) -> None:
    samples = stretch(piece)[:1, : round(SHORT_S * RATE_HZ)]
    ours = third_octaves(samples, RATE_HZ)
    for order, rms_db, mean_db in ((3, 1.0, 0.5), (10, 0.5, 0.15)):
        apart = apart_db(ours, bank(samples, RATE_HZ, order=order))
        print(
            piece,
            f"order {order}: mean {apart.mean():.2f}, RMS {np.sqrt(np.mean(apart**2)):.2f}, {np.abs(apart).max():.2f} at most",
        )
        assert np.sqrt(np.mean(apart**2)) <= rms_db
        assert abs(apart.mean()) <= mean_db
