"""A meter for one stage of a chain: level, peak, true peak, loudness and width of what comes out of a block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import loudness, metering, peak
from deskhand.measure.activity import window_levels
from deskhand.measure.loudness import integrated_lufs
from deskhand.measure.stereo import stereo
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.activity import Activity

    Array = NDArray[np.float64]

_TAKEN_OFF_DB: Final = 0.5
"""Less reduction than this is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """What a block that moves gain took off while the source played, in dB."""

    median: float
    p95: float
    active_fraction: float
    """Share of the playing in which it took off half a decibel or more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What comes out of a block."""

    block: str
    level_dbfs: float | None
    """Median of the source's active 300 ms windows (AES17)."""
    peak_dbfs: float | None
    true_peak_dbtp: float | None
    loudness_lufs: float | None
    width_db: float | None
    """Pairs: energy of the sides' difference against their sum."""
    reduction_db: Reduction | None
    """Blocks that move gain."""


class StageMeter:
    """Listens to one stage, in stretches of any length."""

    def __init__(self, block: str, channels: int, sample_rate_hz: int, *, skip: int, detectors: bool) -> None:
        self.block = block
        self._rate_hz = sample_rate_hz
        self._hop = 10 * round(sample_rate_hz / 100)
        self._skip = skip
        self._skip_reduction = skip
        self._channels = channels
        self._sos = loudness.k_weighting_sos(sample_rate_hz)
        self._filters = np.zeros((2, 4))
        self._sums = np.zeros(metering.SUMS)
        self._top = np.zeros(1)
        self._phases = peak.interpolator(peak.oversampling(sample_rate_hz))
        self._most = float(np.abs(self._phases).sum(axis=1).max(initial=1.0))
        self._before = np.zeros((channels, 2 * peak.TAPS_A_SIDE), np.float32)
        self._true_peak = 0.0
        self._last_top = 0.0
        self._blocks: list[Array] = []
        self._reductions: list[Array] | None = [] if detectors else None
        self._reduction_rest = np.zeros(0)

    def take(self, signal: Array, reduction_db: Array | None) -> None:
        """Go on with (channels, frames), and (detectors, frames) of reduction."""
        skipped = min(self._skip, signal.shape[1])
        self._skip -= skipped
        rows = np.empty(((signal.shape[1] - skipped) // self._hop + 1, 4))
        before = float(self._top[0])
        self._top[0] = 0.0
        done = metering.meter(signal, skipped, self._hop, self._sos, self._filters, self._sums, self._top, rows)
        self._blocks.append(rows[:done])
        self._take_true_peak(signal[:, skipped:])
        self._top[0] = max(self._top[0], before)
        if reduction_db is not None and self._reductions is not None:
            self._take_reduction(reduction_db.max(axis=0) if reduction_db.shape[0] > 1 else reduction_db[0])

    def _take_true_peak(self, signal: Array) -> None:
        top, last = float(self._top[0]), self._last_top
        self._last_top = top
        held = self._before
        size = held.shape[1]
        # a stretch whose samples, raised by all that interpolation can add, stay below what was found cannot beat it
        if max(top, last) * self._most > self._true_peak:
            for row in range(self._channels):
                both = np.concatenate([held[row], signal[row].astype(np.float32)])
                found = peak.true_peak(both, self._hop // 20, self._phases, np.float32(self._true_peak))
                self._true_peak = max(self._true_peak, float(found))
        tail = signal[:, -size:].astype(np.float32)
        self._before = np.concatenate([held[:, tail.shape[1] :], tail], axis=1)

    def _take_reduction(self, reduction_db: Array) -> None:
        assert self._reductions is not None
        skipped = min(self._skip_reduction, reduction_db.size)
        self._skip_reduction -= skipped
        values = np.concatenate([self._reduction_rest, reduction_db[skipped:]])
        step = self._hop // 10
        steps = values.size // step
        self._reductions.append(values[: steps * step].reshape(steps, step).mean(axis=1))
        self._reduction_rest = values[steps * step :].copy()

    def loudness_lufs(self) -> float:
        """Integrated loudness of all so far; -inf for silence."""
        return integrated_lufs(np.concatenate([rows[:, 3] for rows in self._blocks])) if self._blocks else -np.inf

    def true_peak(self) -> float:
        """The largest magnitude so far, between samples included."""
        return max(self._true_peak, float(self._top[0]))

    def trace_db(self) -> Array | None:
        """(steps,) what it took off in each 100 ms; None for blocks that move no gain."""
        if not self._reductions:
            return None
        values = np.concatenate(self._reductions)
        steps = values.size // 10
        return np.asarray(values[: steps * 10].reshape(steps, 10).mean(axis=1))

    def result(self, playing: Activity) -> Stage:
        """What it read, over what counts as playing at the tap."""
        blocks = np.concatenate(self._blocks) if self._blocks else np.empty((0, 4))
        if not len(blocks):
            return Stage(
                block=self.block, level_dbfs=None, peak_dbfs=None, true_peak_dbtp=None, loudness_lufs=None,
                width_db=None, reduction_db=None,
            )  # fmt: skip
        power = blocks[:, : self._channels].mean(axis=1)
        windows = window_levels(power.astype(np.float32))
        active = playing.windows[: windows.size]
        heard = windows[: active.size][active]
        mask = playing.blocks[: len(blocks)]
        width = None
        if self._channels == 2 and mask.any():
            left, right, product = blocks[: mask.size][mask][:, :3].T
            if left.any() or right.any():
                width = _finite(stereo(left.astype(np.float32), right.astype(np.float32), product).width_db)
        top = float(self._top[0])
        return Stage(
            block=self.block,
            level_dbfs=float(np.median(heard)) if heard.size else None,
            peak_dbfs=_finite(float(db_from_amplitude(top))),
            true_peak_dbtp=_finite(float(db_from_amplitude(max(self._true_peak, top)))),
            loudness_lufs=_finite(integrated_lufs(blocks[:, 3])),
            width_db=width,
            reduction_db=self._reduction(playing),
        )

    def _reduction(self, playing: Activity) -> Reduction | None:
        if not self._reductions:
            return None
        values = np.concatenate(self._reductions)
        mask = np.repeat(playing.blocks, 10)[: values.size]
        heard = values[: mask.size][mask]
        if not heard.size:
            return None
        return Reduction(
            median=float(np.median(heard)),
            p95=float(np.percentile(heard, 95)),
            active_fraction=float((heard >= _TAKEN_OFF_DB).mean()),
        )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
