"""Models of a gain that asks for the level: a detector, a law and their times, set against a measured gain over time.

Four detectors: the gain smoothed behind the law, of peaks or of the RMS over 10 ms, as our own blocks have it; and the level smoothed in
front of the law, of amplitudes or of powers, as others have it (Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (2012) 399). Three laws:
less gain above a threshold, less gain below (a gate), more gain below (upward compression). A share of the untouched signal may go beside (parallel).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy.ndimage

from deskhand.chain.blocks import RMS_S
from deskhand.dsp import dynamics as kernels
from deskhand.dsp import trials
from deskhand.units import db_from_amplitude, db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Detector = Literal["gain peak", "gain rms", "level peak", "level rms", "look-ahead"]
Law = Literal["above", "below", "lift"]
DETECTORS: Final[tuple[Detector, ...]] = ("level peak", "level rms", "gain peak", "gain rms")
STEP_S: Final = 0.001
"""Distance between two readings of a gain. Common practice, no source."""
GAIN_STEPS: Final = 2.0
"""Standard deviation of the Gaussian over which it is read, in steps: as in `deskhand.compare.linear`."""
_STRIDE_S: Final = 0.00025
"""Time over which a model's gain stands still. Common practice, no source."""
_QUIET_DB: Final = 40.0
"""Moments this far below the loud ones do not count. Common practice, no source."""
_SETTLE_S: Final = 1.0
"""Beginning that is left out, while the release of what came before rings on. Common practice, no source."""
_NO_LEVEL: Final = 1e-25
"""Added to what decays: numbers too small to be normal take a hundred times as long."""
_MOST_LEVELS: Final = 60
"""Levels that are kept, for models that smooth alike: those from which a search begins. Common practice, no source."""
_LEAST_GAIN: Final = 1e-3
"""A smaller gain is none: -60 dB. Common practice, no source."""
_SINE_DB: Final = 3.0103
"""Peak of a sine over its RMS, by which a level of powers is raised to dBFS of a sine's RMS (AES17-2020, 3.12.1)."""

NAMES: Final = ("threshold_dbfs", "ratio", "knee_db", "attack_ms", "release_ms", "range_db", "blend")
LOWEST: Final = np.array([-80.0, -5.0, 0.0, -5.0, 0.0, 2.0, 0.05])
HIGHEST: Final = np.array([6.0, 6.0, 24.0, 9.0, 12.0, 70.0, 1.0])
"""Both: threshold in dBFS, log2 of ratio - 1, knee in dB, log2 of attack and of release in ms, range in dB, share that is not beside.
Ratios of 1.03 to 65, attacks of 0.03 to 512 ms, releases of 1 ms to 4 s: what people turn. Common practice, no source."""
SCALE: Final = np.array([3.0, 0.5, 3.0, 1.0, 1.0, 6.0, 0.2])
"""Step of each parameter that changes a gain by about as much. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelMake:
    """Make of a model: its detector, its law and what it looks ahead."""

    detector: Detector
    law: Law
    ahead_s: float
    blend: bool
    """True where some of the untouched signal goes beside it."""

    @property
    def free(self) -> list[int]:
        """Parameters that it has, by their place in `NAMES`."""
        if self.detector == "look-ahead":
            return [0, 4]
        places = [0, 1, 2, 3, 4] if self.law == "above" else [0, 1, 3, 4, 5]
        return [*places, 6] if self.blend else places


@dataclass(frozen=True, slots=True, eq=False)
class GainReading:
    """Gain between two signals over time, and what a model of it needs."""

    amplitude: Array
    """(frames,) largest magnitude of all channels."""
    power: Array
    """(frames,) all channels together."""
    gain_db: Array
    """(steps,) measured."""
    weight: Array
    """(steps,) by which each counts; 0 where nothing plays."""
    level_db: Array
    """(steps,) level of the signal that the gain acts on, dBFS of a sine's RMS."""
    hop: int
    """Frames of a step."""
    stride: int
    """Frames over which a model's gain stands still; `hop` is a multiple."""
    stride_power: Array
    """(strides,)."""
    window_power: Array
    """(steps,) power summed over the window."""
    rate_hz: int


def _window() -> Array:
    side = np.arange(-7, 8) / GAIN_STEPS
    window = np.exp(-0.5 * side**2)
    return np.asarray(window / window.sum())


def read_gain(signal: Array, after: Array, rate_hz: int, *, settle: bool = True) -> GainReading:
    """Gain from a signal to another over time.

    Parameters
    ----------
    signal, after : (channels, frames) arrays
        What the gain acts on, and what comes of it.
    rate_hz : int
    settle : bool
        True where the beginning does not count.
    """
    stride = max(1, round(_STRIDE_S * rate_hz))
    hop = stride * round(STEP_S / _STRIDE_S)
    steps = signal.shape[1] // hop
    signal, after = signal[:, : steps * hop], after[:, : steps * hop]
    frame_power = np.sum(signal**2, axis=0)
    power = frame_power.reshape(steps, hop).sum(axis=1)
    product = np.sum(signal * after, axis=0).reshape(steps, hop).sum(axis=1)
    window = _window()
    power, product = np.convolve(power, window, "same"), np.convolve(product, window, "same")
    level_db = np.asarray(db_from_power(power / hop / signal.shape[0] + 1e-20)) + _SINE_DB
    gain = product / np.maximum(power, 1e-30)
    playing = (level_db > np.percentile(level_db, 98) - _QUIET_DB) & (gain > _LEAST_GAIN)
    if settle:
        playing &= np.arange(steps) * hop >= min(_SETTLE_S, 0.1 * steps * STEP_S) * rate_hz
    return GainReading(
        np.abs(signal).max(axis=0), frame_power, np.asarray(db_from_amplitude(np.maximum(gain, _LEAST_GAIN))),
        playing.astype(np.float64), level_db, hop, stride, frame_power.reshape(-1, stride).sum(axis=1), np.maximum(power, 1e-30), rate_hz,
    )  # fmt: skip


def part_of(reading: GainReading, first: int, last: int) -> GainReading:
    """Stretch of a reading, between two of its steps."""
    frames = slice(first * reading.hop, last * reading.hop)
    strides = slice(frames.start // reading.stride, frames.stop // reading.stride)
    return GainReading(
        np.ascontiguousarray(reading.amplitude[frames]), reading.power[frames], reading.gain_db[first:last], reading.weight[first:last],
        reading.level_db[first:last], reading.hop, reading.stride, reading.stride_power[strides], reading.window_power[first:last],
        reading.rate_hz,
    )  # fmt: skip


def settings(values: Array) -> dict[str, float]:
    """Settings by name from the parameters of `LOWEST`."""
    threshold, ratio, knee, attack, release, range_db, blend = map(float, np.clip(values, LOWEST, HIGHEST))
    return dict(
        zip(NAMES, (threshold, 1.0 + 2.0**ratio, knee, 2.0**attack, 2.0**release, range_db, blend), strict=True)
    )


class Bench:
    """Models run on one reading, several at once; what they share is worked out once."""

    def __init__(self, reading: GainReading) -> None:
        self.reading = reading
        self._sources: dict[tuple[Detector, float], Array] = {}
        self._levels: dict[tuple[Detector, float, float, float], Array] = {}

    def _source(self, detector: Detector, ahead_s: float) -> Array:
        """(frames,) of what the detector looks at: amplitude, power, or the level in dB."""
        key = (detector, ahead_s)
        if key not in self._sources:
            reading = self.reading
            amplitude = reading.amplitude
            ahead = round(ahead_s * reading.rate_hz)
            if ahead:
                # of each frame and the next ones; a law asked at the largest level asks for the largest reduction
                amplitude = scipy.ndimage.maximum_filter1d(amplitude, ahead + 1, origin=-((ahead + 1) // 2))
            if detector == "level peak":
                source = amplitude + _NO_LEVEL
            elif detector == "level rms":
                source = amplitude**2 + _NO_LEVEL
            else:
                source = np.empty(amplitude.size)
                keep = kernels.keep(RMS_S, reading.rate_hz) if detector == "gain rms" else 0.0
                kernels.detect(np.ascontiguousarray(amplitude), keep, np.zeros(1), source)
            self._sources[key] = np.ascontiguousarray(source)
        return self._sources[key]

    def _keeps(self, times_ms: Sequence[float]) -> Array:
        """(4,) factors a sample of at most four times; the last is repeated."""
        keeps = [kernels.keep(time_ms / 1000.0, self.reading.rate_hz) for time_ms in times_ms]
        return np.array(keeps + keeps[-1:] * (trials.TRIALS - len(keeps)))

    def level_db(self, detector: Detector, ahead_s: float, attack_ms: float, release_ms: float) -> Array:
        """(strides,) level that a law is asked at, in front of it."""
        return self.levels_db(detector, ahead_s, [(attack_ms, release_ms)])[0]

    def levels_db(self, detector: Detector, ahead_s: float, times_ms: Sequence[tuple[float, float]]) -> list[Array]:
        """(strides,) levels that a law is asked at, for each pair of attack and release."""
        reading = self.reading
        source = self._source(detector, ahead_s)
        if not detector.startswith("level"):
            return [source[reading.stride // 2 :: reading.stride]] * len(times_ms)
        asked = [(detector, ahead_s, *pair) for pair in times_ms]
        missing = sorted({key for key in asked if key not in self._levels})
        if len(self._levels) + len(missing) > _MOST_LEVELS:
            self._levels = {key: level for key, level in self._levels.items() if key in asked}
        for first in range(0, len(missing), trials.TRIALS):
            batch = missing[first : first + trials.TRIALS]
            smoothed = np.empty((trials.TRIALS, source.size // reading.stride))
            trials.smooth_levels(
                source, self._keeps([key[2] for key in batch]), self._keeps([key[3] for key in batch]), reading.stride // 2, reading.stride,
                smoothed,
            )  # fmt: skip
            for key, level in zip(batch, smoothed, strict=False):
                power = level * level if detector == "level peak" else level
                self._levels[key] = np.asarray(db_from_power(power + 1e-20)) + (
                    0.0 if detector == "level peak" else _SINE_DB
                )
        return [self._levels[key] for key in asked]

    def stride_gain(self, shape: ModelMake, values: Array) -> Array:
        """(strides,) gain of a model, as a factor."""
        return np.asarray(self.stride_gains(shape, values[None])[0])

    def stride_gains(self, shape: ModelMake, rows: Array) -> Array:
        """(rows, strides) gains of one model with several settings, as factors."""
        turned = [settings(values) for values in rows]
        if shape.detector.startswith("level"):
            levels = self.levels_db(
                shape.detector, shape.ahead_s, [(each["attack_ms"], each["release_ms"]) for each in turned]
            )
            reductions = np.stack(
                [reduction_db(level, shape.law, each) for level, each in zip(levels, turned, strict=True)]
            )
        elif shape.detector == "look-ahead":
            reductions = np.stack([self._ahead_reduction_db(shape, each) for each in turned])
        else:
            reductions = self._smoothed_reductions_db(shape, turned)
        gains = np.empty_like(reductions)
        for reduction, gain in zip(reductions, gains, strict=True):
            kernels.to_gain(-reduction, gain)
        if shape.blend:
            blends = np.array([each["blend"] for each in turned])[:, None]
            gains = (1.0 - blends) + blends * gains
        return gains

    def _ahead_reduction_db(self, shape: ModelMake, turned: dict[str, float]) -> Array:
        """(strides,) gain reduction of a limiter that looks ahead."""
        reading = self.reading
        reduction = reduction_db(self._source(shape.detector, shape.ahead_s), shape.law, turned)
        kernels.smooth(reduction, 0.0, kernels.keep(turned["release_ms"] / 1000.0, reading.rate_hz), np.zeros(1))
        return _mean_before(reduction, round(shape.ahead_s * reading.rate_hz))[reading.stride // 2 :: reading.stride]

    def _smoothed_reductions_db(self, shape: ModelMake, turned: Sequence[dict[str, float]]) -> Array:
        """(rows, strides) gain reductions that are smoothed behind the law."""
        reading = self.reading
        source = self._source(shape.detector, shape.ahead_s)
        above = shape.law == "above"
        reductions = np.empty((-(-len(turned) // trials.TRIALS) * trials.TRIALS, source.size // reading.stride))
        for first in range(0, len(turned), trials.TRIALS):
            batch = [*turned[first : first + trials.TRIALS]]
            batch += batch[-1:] * (trials.TRIALS - len(batch))
            laws = [
                (
                    each["threshold_dbfs"],
                    _slope(shape.law, each["ratio"]),
                    each["knee_db"] if above else 0.0,
                    np.inf if above else each["range_db"],
                )
                for each in batch
            ]
            trials.smooth_reductions(
                source, 1.0 if above else -1.0, np.array(laws), self._keeps([each["attack_ms"] for each in batch]),
                self._keeps([each["release_ms"] for each in batch]), reading.stride // 2, reading.stride,
                reductions[first : first + trials.TRIALS],
            )  # fmt: skip
        return -reductions[: len(turned)] if shape.law == "lift" else reductions[: len(turned)]

    def offs_db(self, shape: ModelMake, rows: Array) -> tuple[Array, Array]:
        """((rows, steps) differences from the measured gain at the best make-up, (rows,) that make-up)."""
        reading = self.reading
        steps = reading.gain_db.size
        weighed = self.stride_gains(shape, rows)[:, : reading.stride_power.size] * reading.stride_power
        sums = weighed.reshape(len(rows), steps, -1).sum(axis=2)
        # read as the measured gain is
        window = _window()
        read = np.stack([np.convolve(row, window, "same") for row in sums]) / reading.window_power
        offs = reading.gain_db - np.asarray(db_from_amplitude(np.maximum(read, 1e-6)))
        makeups = offs @ reading.weight / max(float(np.sum(reading.weight)), 1e-9)
        return offs - makeups[:, None], makeups

    def off_db(self, shape: ModelMake, values: Array) -> tuple[Array, float]:
        """((steps,) difference from the measured gain at the best make-up, that make-up)."""
        offs, makeups = self.offs_db(shape, values[None])
        return offs[0], float(makeups[0])


def _mean_before(reduction: Array, ahead: int) -> Array:
    """(frames,) mean of each frame and those before it: a straight line up to what is needed."""
    total = np.concatenate([np.zeros(ahead + 1), np.cumsum(reduction)])
    return np.asarray((total[ahead + 1 :] - total[: -ahead - 1]) / (ahead + 1))


def _slope(law: Law, ratio: float) -> float:
    """Decibels of gain for each decibel beyond the threshold."""
    return ratio - 1.0 if law == "below" else 1.0 - 1.0 / ratio


def reduction_db(level_db: Array, law: Law, turned: dict[str, float]) -> Array:
    """(values,) gain reduction that a law asks for at each level; negative where it lifts."""
    threshold, ratio = turned["threshold_dbfs"], turned["ratio"]
    if law != "above":
        change_db = np.clip((threshold - level_db) * _slope(law, ratio), 0.0, turned["range_db"])
        return np.asarray(-change_db if law == "lift" else change_db)
    reduction = np.array(level_db, np.float64)
    kernels.compress(reduction, threshold, ratio, turned["knee_db"])
    return reduction
