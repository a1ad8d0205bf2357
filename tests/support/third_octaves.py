"""Third-octaves by the filters of IEC 61260-1, and loudness by libebur128."""

from __future__ import annotations

from typing import Final

import numpy as np
import pyebur128
import scipy.signal as ss

from tests.support.feed import figures_of
from tests.support.tables import rows

CLASS_LIMITS: Final = rows("iec61260_class_limits")

CENTRES_HZ: Final = 1000.0 * 10.0 ** (0.1 * np.arange(-17, 14))

"""IEC 61260-1:2014, formula 2, base ten: 20 Hz to 20 kHz."""

HEARD_DB: Final = -30.0

"""Bands this far below the whole are not compared."""


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
