"""Speech intelligibility index, one-third-octave procedure (ANSI S3.5-1997), plain and in short frames."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import lanes
from deskhand.dsp.kernel import kernel
from deskhand.dsp.vectors import LANES, decibels, gain_of, load, store, where_greater

if TYPE_CHECKING:
    from numpy.typing import NDArray

# ANSI S3.5-1997 (R2017), Table 3
BANDS_HZ: Final = (
    160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0,
    6300.0, 8000.0,
)  # fmt: skip
BANDWIDTH_DB: Final = np.array(
    [15.65, 16.65, 17.65, 18.65, 19.65, 20.65, 21.65, 22.65, 23.65, 24.65, 25.65, 26.65, 27.65, 28.65, 29.65, 30.65, 31.65,
     32.65]
)  # fmt: skip
"""Band level minus spectrum level."""
IMPORTANCE: Final = np.array(
    [0.0083, 0.0095, 0.015, 0.0289, 0.044, 0.0578, 0.0653, 0.0711, 0.0818, 0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771,
     0.0527, 0.0364, 0.0185]
)  # fmt: skip
NORMAL_SPEECH_DB: Final = np.array(
    [32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.3, 25.01, 23.0, 20.15, 17.32, 13.18, 11.55, 9.33, 5.31, 2.59, 1.13]
)  # fmt: skip
INTERNAL_NOISE_DB: Final = np.array(
    [0.6, -1.7, -3.9, -6.1, -8.2, -9.7, -10.8, -11.9, -12.5, -13.5, -15.4, -17.7, -21.2, -24.2, -25.9, -23.6, -15.8, -7.1]
)  # fmt: skip
FRAME_S: Final = 0.01
"""Seconds a frame: the shortest window, 9.4 ms, in round numbers."""
_COUNT: Final = len(BANDS_HZ)
_MIDDLES_HZ: Final = np.array(BANDS_HZ)
_SLOPE: Final = np.array([10.0 * np.log10(hz) - 6.353 for hz in BANDS_HZ])
_APART: Final = np.array([[3.32 * np.log10(0.89 * f / k) if f > k else 0.0 for k in BANDS_HZ] for f in BANDS_HZ])
LONGEST_S, SHORTEST_S = 0.035, 0.0094
"""Windows of the lowest and the highest band (Rhebergen & Versfeld 2005)."""
_EXP: Final = np.log(10.0) / 10.0


@kernel("void(float64[::1], float64[::1], float64[::1], float64[::1])")
def _audible(speech_db: np.ndarray, noise_db: np.ndarray, threshold_db: np.ndarray, shares: np.ndarray) -> None:
    """Share (18,) of each band's 30 dB of speech that is heard (4.5 to 4.7): spectrum levels in dB."""
    larger = np.empty(_COUNT)
    slope = np.empty(_COUNT)
    for band in range(_COUNT):
        larger[band] = max(noise_db[band], speech_db[band] - 24.0)
        slope[band] = -80.0 + 0.6 * (larger[band] + _SLOPE[band])
    for band in range(_COUNT):
        if band == 0:
            masking_db = larger[0]
        else:
            total = np.exp(_EXP * noise_db[band])
            for below in range(band):
                total += np.exp(_EXP * (larger[below] + slope[below] * _APART[band, below]))
            masking_db = 10.0 * np.log10(total)
        disturbance = max(masking_db, threshold_db[band])
        shares[band] = min(1.0, max(0.0, (speech_db[band] - disturbance + 15.0) / 30.0))


# long: the steps of `_audible`, eight frames at a time
@kernel("void(float64[::1], float64[:, ::1], float64[::1], float64[::1])")
def _audible_over_time(
    speech_db: np.ndarray, noise_power: np.ndarray, threshold_db: np.ndarray, shares: np.ndarray
) -> None:
    """Mean over frames of the audible shares (18,); noise as (frames, 18) spectrum powers. Twin of `_audible`, within 1e-8."""
    frames = noise_power.shape[0]
    tile = np.empty((_COUNT, LANES))
    flat = tile.reshape(-1)
    larger, slope, totals = np.empty(_COUNT * LANES), np.empty(_COUNT * LANES), np.zeros(_COUNT * LANES)
    constants = np.empty(8 * LANES)
    for row, value in enumerate((-80.0, 0.6, 2.0, 15.0, 1.0 / 30.0, 0.0, 1.0, 1e-5)):
        for lane in range(LANES):
            constants[row * LANES + lane] = value
    steepest, flatter, two, reach = load(constants, 0), load(constants, 8), load(constants, 16), load(constants, 24)
    share_of, zero, whole, little = load(constants, 32), load(constants, 40), load(constants, 48), load(constants, 56)
    per_band = np.empty(4 * LANES)
    for first in range(0, frames, LANES):
        count = min(LANES, frames - first)
        # lanes behind the last frame hold it again and are not counted
        for lane in range(LANES):
            row = noise_power[first + min(lane, count - 1)]
            for band in range(_COUNT):
                tile[band, lane] = row[band]
        for band in range(_COUNT):
            for lane in range(LANES):
                per_band[lane], per_band[8 + lane] = speech_db[band] - 24.0, _SLOPE[band]
            noise_db = decibels(load(flat, band * 8) + little)
            floor, offset = load(per_band, 0), load(per_band, 8)
            level = where_greater(floor, noise_db, floor, noise_db)
            store(flat, band * 8, noise_db)
            store(larger, band * 8, level)
            store(slope, band * 8, steepest + flatter * (level + offset))
        for band in range(_COUNT):
            masking = load(larger, 0)
            if band > 0:
                power = gain_of(two * load(flat, band * 8))
                for below in range(band):
                    for lane in range(LANES):
                        per_band[lane] = _APART[band, below]
                    spread_db = load(larger, below * 8) + load(slope, below * 8) * load(per_band, 0)
                    power = power + gain_of(two * spread_db)
                masking = decibels(power)
            for lane in range(LANES):
                per_band[lane], per_band[8 + lane] = threshold_db[band], speech_db[band]
            threshold = load(per_band, 0)
            disturbance = where_greater(masking, threshold, masking, threshold)
            share = (load(per_band, 8) - disturbance + reach) * share_of
            share = where_greater(share, zero, share, zero)
            share = where_greater(share, whole, whole, share)
            store(per_band, 16, share)
            for lane in range(count):
                totals[band * LANES + lane] += per_band[16 + lane]
    for band in range(_COUNT):
        total = 0.0
        for lane in range(LANES):
            total += totals[band * LANES + lane]
        shares[band] = total / max(1, frames)


def level_distortion(speech_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level distortion factor (18,) by which loud speech loses (ANSI S3.5-1997, 4.8), against normal effort always."""
    return np.asarray(np.clip(1.0 - (speech_db - NORMAL_SPEECH_DB - 10.0) / 160.0, 0.0, 1.0), np.float64)


def audible_shares(
    speech_db: NDArray[np.float64],
    noise_db: NDArray[np.float64],
    *,
    hearing_loss_db: NDArray[np.float64] | float = 0.0,
) -> NDArray[np.float64]:
    """Share of the speech that is audible in each band.

    Parameters
    ----------
    speech_db : (18,) array
        Equivalent speech spectrum level, dB re 20 uPa in 1 Hz, bands of `BANDS_HZ`.
    noise_db : (18,) array
        Equivalent noise spectrum level.
    hearing_loss_db : (18,) array or float
        Equivalent hearing threshold level.

    Returns
    -------
    (18,) array, 0 to 1.

    References
    ----------
    ANSI S3.5-1997 (R2017), 4.3 to 4.7: one-third-octave procedure with spread of masking.
    """
    shares = np.empty(_COUNT)
    threshold = INTERNAL_NOISE_DB + np.broadcast_to(np.asarray(hearing_loss_db, np.float64), (_COUNT,))
    _audible(np.ascontiguousarray(speech_db, np.float64), np.ascontiguousarray(noise_db, np.float64), threshold, shares)
    return shares


def index(
    speech_db: NDArray[np.float64],
    noise_db: NDArray[np.float64],
    *,
    hearing_loss_db: NDArray[np.float64] | float = 0.0,
    importance: NDArray[np.float64] | None = None,
) -> float:
    """Speech intelligibility index, 0 to 1, of steady speech in steady noise; parameters as for `audible_shares`.

    References
    ----------
    ANSI S3.5-1997 (R2017), clause 4, one-third-octave procedure.
    """
    shares = audible_shares(speech_db, noise_db, hearing_loss_db=hearing_loss_db)
    weights = IMPORTANCE if importance is None else importance
    return float(np.sum(weights * level_distortion(np.asarray(speech_db)) * shares))


def audible_over_time(speech_db: NDArray[np.float64], noise_power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean share of the speech that is audible in each band while the noise changes.

    Parameters
    ----------
    speech_db : (18,) array
        Spectrum level of the speech over the whole stretch.
    noise_power : (frames, 18) array
        Spectrum power of the noise in each frame, re (20 uPa)^2 in 1 Hz, smoothed as by `in_windows`.

    Returns
    -------
    (18,) array, 0 to 1. The extended index is the sum of importance, `level_distortion` and these.

    References
    ----------
    Rhebergen & Versfeld 2005, doi:10.1121/1.1861713: the index of every frame, the speech by its long-term spectrum, the
    noise by the instant, averaged over time.
    """
    shares = np.empty(_COUNT)
    _audible_over_time(
        np.ascontiguousarray(speech_db, np.float64),
        np.ascontiguousarray(noise_power, np.float64),
        INTERNAL_NOISE_DB,
        shares,
    )
    return shares


@kernel("void(float64[:, ::1], int64[::1], int64, float64[:, ::1])")
def _in_windows(power: np.ndarray, window_frames: np.ndarray, every: int, averages: np.ndarray) -> None:
    """Average of each band's window that ends with every so many frames, as a difference of running sums."""
    longest = window_frames.max()
    # sums up to a frame, kept as long as the longest window needs them
    kept = longest + 1
    sums = np.zeros((kept, _COUNT))
    for frame in range(power.shape[0]):
        row, before = (frame + 1) % kept, frame % kept
        for band in range(_COUNT):
            sums[row, band] = sums[before, band] + power[frame, band]
        if frame % every == 0:
            for band in range(_COUNT):
                length = min(frame + 1, window_frames[band])
                mean = (sums[row, band] - sums[(frame + 1 - length) % kept, band]) / length
                averages[frame // every, band] = max(mean, 0.0)


@functools.cache
def window_frames() -> tuple[int, ...]:
    """Frames of 10 ms in each band's window: 35 ms at 160 Hz down to 9.4 ms at 8 kHz, in equal steps from band to band."""
    lengths = np.linspace(LONGEST_S, SHORTEST_S, _COUNT)
    return tuple(max(1, round(float(length) / FRAME_S)) for length in lengths)


def in_windows(power: NDArray[np.float64], *, every: int = 1) -> NDArray[np.float64]:
    """Average (frames, 18) powers over each band's window, which ends with the frame (Rhebergen & Versfeld 2005: all end together).

    Parameters
    ----------
    power : (frames, 18) array
    every : int
        Windows are averaged at the first frame and at each so many after it.
    """
    averages = np.empty((-(-len(power) // every), _COUNT))
    _in_windows(np.ascontiguousarray(power, np.float64), np.array(window_frames()), every, averages)
    return averages


def third_octave_sos(middle_hz: float, *, sample_rate_hz: float) -> NDArray[np.float64]:
    """(2, 6) Butterworth band-pass of a third-octave, by the tangent mapping; its noise bandwidth is made the band's.

    Two resonators from the poles of a second-order low-pass (Butterworth 1930), 3 dB down at the band edges.
    """
    low, high = middle_hz * 10.0**-0.05, min(middle_hz * 10.0**0.05, 0.49 * sample_rate_hz)
    w1, w2 = np.tan(np.pi * low / sample_rate_hz), np.tan(np.pi * high / sample_rate_hz)
    middle, wide = np.sqrt(w1 * w2), w2 - w1
    poles = []
    for low_pole in (np.exp(1j * 0.75 * np.pi), np.exp(-1j * 0.75 * np.pi)):
        half = 0.5 * wide * low_pole
        root = np.sqrt(half * half - middle * middle + 0j)
        poles += [half + root, half - root]
    digital = [(1.0 + pole) / (1.0 - pole) for pole in poles]
    upper = [pole for pole in digital if pole.imag >= 0.0]
    sos = np.array([[1.0, 0.0, -1.0, 1.0, -2.0 * pole.real, abs(pole) ** 2] for pole in upper])
    z = np.exp(-2j * np.pi * middle_hz / sample_rate_hz)
    for row in sos:
        row[:3] /= abs((1.0 - z * z) / (1.0 + row[4] * z + row[5] * z * z))
    # a Butterworth band-pass of this order lets through 11 % more noise than its width (pi / (2 sqrt 2))
    sos[0, :3] /= np.sqrt(np.pi / (2.0 * np.sqrt(2.0)))
    return sos


class BandEnergies:
    """Energies of channels in the 18 bands, every 10 ms, in stretches of whole frames."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self.step = round(sample_rate_hz * FRAME_S)
        self._bank = lanes.filter_bank(
            bands=[third_octave_sos(middle_hz, sample_rate_hz=sample_rate_hz) for middle_hz in BANDS_HZ]
        )
        self._states = [self._bank.state() for _ in range(-(-channels // lanes.LANES))]

    def take(self, samples: NDArray[np.float32], group: int) -> NDArray[np.float32]:
        """(frames, 18, channels of the group) mean squares of (channels of the group, samples): eight channels a group."""
        bank, count = self._bank, samples.shape[0]
        sums = np.empty((_COUNT, samples.shape[1] // self.step, lanes.LANES))
        samples = np.ascontiguousarray(samples, np.float32)
        lanes.energies(samples, 0, self.step, bank.weighting, bank.poles, bank.scales, self._states[group], sums)
        return np.ascontiguousarray((sums[:, :, :count] / self.step).transpose(1, 0, 2).astype(np.float32))
