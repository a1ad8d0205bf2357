"""Meters behind the blocks of a chain: level, peak, true peak, loudness and width of what comes out of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.dsp import lanes, loudness, peak
from deskhand.measure.activity import window_levels
from deskhand.measure.loudness import integrated_lufs
from deskhand.measure.stereo import stereo
from deskhand.units import db_from_amplitude, finite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.activity import Activity

    Array = NDArray[np.float64]

_TAKEN_OFF_DB: Final = 0.5
"""Less reduction than this is none. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """Gain reduction of a block while the source played, in dB."""

    median: float
    p95: float
    active_fraction: float
    """Share of the playing in which it took off half a decibel or more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Readings of a meter behind a block."""

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


class Meters:
    """Listens to all stages of a chain at once, in stretches of any length.

    Stages come in at different latencies; all are held back to the last one's, so that their blocks are the same moments, and
    eight channels go through the K-weighting as lanes of one vector.

    Parameters
    ----------
    names : sequence of str
        Names of the blocks.
    channels : sequence of int
        Channels of each block's output.
    latencies : sequence of int
        Samples by which each output comes late, rising.
    moves_gain : sequence of bool
        True for blocks whose gain reduction is read.
    sample_rate_hz : int
    """

    def __init__(
        self,
        names: Sequence[str],
        channels: Sequence[int],
        latencies: Sequence[int],
        moves_gain: Sequence[bool],
        sample_rate_hz: int,
    ) -> None:
        self._hop = 10 * round(sample_rate_hz / 100)
        self._channels = list(channels)
        self._first = np.concatenate([[0], np.cumsum(channels)]).astype(int)
        rows = int(self._first[-1])
        self._skip = last = max(latencies, default=0)
        self._held = [
            np.zeros((count, last - late), np.float32) for count, late in zip(channels, latencies, strict=True)
        ]
        groups = -(-rows // lanes.LANES)
        self._begun = np.zeros((rows, 0), np.float32)
        """(rows, frames) of a block of 100 ms that is not whole yet."""
        self._bank = lanes.filter_bank(weighting=loudness.k_weighting_sos(sample_rate_hz))
        self._states = [self._bank.state() for _ in range(groups)]
        self._phases = peak.interpolator(peak.oversampling(sample_rate_hz))
        self._largest_gain = float(np.abs(self._phases).sum(axis=1).max(initial=1.0))
        self._before = np.zeros((rows, 2 * peak.TAPS_A_SIDE), np.float32)
        self._top, self._last_top, self._true_peak = np.zeros(rows), np.zeros(rows), np.zeros(rows)
        self._blocks: list[NDArray[np.float32]] = []
        """(rows, blocks, 2) each: mean square, K-weighted mean square."""
        self._products: list[list[NDArray[np.float32]]] = [[] for _ in names]
        self._reductions: list[list[Array] | None] = [[] if moves else None for moves in moves_gain]
        self._reduction_skips = list(latencies)
        self._reduction_begun = [np.zeros(0) for _ in names]
        self.stages = [StageMeter(self, stage, name) for stage, name in enumerate(names)]

    def take(self, signals: Sequence[NDArray[np.floating]], reductions_db: Sequence[Array | None]) -> None:
        """Meter further (channels, frames) of each stage, and (detectors, frames) of reduction in dB."""
        parts = []
        for stage, signal in enumerate(signals):
            part = np.asarray(signal, np.float32)
            if self._held[stage].shape[1]:
                line = np.concatenate([self._held[stage], part], axis=1)
                self._held[stage] = line[:, part.shape[1] :].copy()
                part = line[:, : part.shape[1]]
            parts.append(part)
        frames = parts[0].shape[1]
        skipped = min(self._skip, frames)
        self._skip -= skipped
        begun = self._begun.shape[1]
        stretch = np.zeros((self._begun.shape[0], begun + frames - skipped), np.float32)
        stretch[:, :begun] = self._begun
        for stage, part in enumerate(parts):
            stretch[self._first[stage] : self._first[stage + 1], begun:] = part[:, skipped:]
        self._true_peaks(stretch, begun)
        hops = stretch.shape[1] // self._hop
        self._begun = stretch[:, hops * self._hop :].copy()
        if hops:
            self._measure_blocks(stretch, hops)
        for stage, reduction_db in enumerate(reductions_db):
            if reduction_db is not None and self._reductions[stage] is not None:
                largest_db = reduction_db[0]
                for row_db in reduction_db[1:]:
                    largest_db = np.where(np.abs(row_db) > np.abs(largest_db), row_db, largest_db)
                self._take_reduction(stage, largest_db)

    def _measure_blocks(self, signal: NDArray[np.float32], hops: int) -> None:
        """Mean squares and products of the sides of (rows, frames), for each whole block of 100 ms."""
        rows = int(self._first[-1])
        powers = np.empty((rows, hops, 2), np.float32)
        bank, energy = self._bank, np.empty((1, hops, lanes.LANES))
        tops, means, total = np.empty(hops, np.float32), np.empty(hops, np.float32), np.zeros(1)
        for group, state in enumerate(self._states):
            first = group * lanes.LANES
            tracks = signal[first : first + lanes.LANES]
            lanes.energies(tracks, 0, self._hop, bank.weighting, bank.poles, bank.scales, state, energy)
            last = min(rows, first + lanes.LANES)
            powers[first:last, :, 1] = energy[0, :, : last - first].T / self._hop
        for row in range(rows):
            peak.block_levels(signal[row, : hops * self._hop], self._hop, tops, means, total)
            powers[row, :, 0] = means
        self._blocks.append(powers)
        for stage, channels in enumerate(self._channels):
            if channels == 2:
                pair = signal[self._first[stage] : self._first[stage] + 2, : hops * self._hop].reshape(
                    2, hops, self._hop
                )
                self._products[stage].append(np.einsum("ij,ij->i", pair[0], pair[1]) / np.float32(self._hop))

    def _true_peaks(self, signal: NDArray[np.float32], first: int) -> None:
        size = self._before.shape[1]
        for row in range(self._before.shape[0]):
            samples = signal[row, first:]
            if not samples.size:
                continue
            top = float(np.abs(samples).max())
            # samples that stay below the peak so far, even raised by all that interpolation can add, cannot pass it
            if max(top, self._last_top[row]) * self._largest_gain > self._true_peak[row]:
                stretch = np.concatenate([self._before[row], samples])
                highest = peak.true_peak(stretch, self._hop // 20, self._phases, np.float32(self._true_peak[row]))
                self._true_peak[row] = max(self._true_peak[row], float(highest))
            self._top[row], self._last_top[row] = max(self._top[row], top), top
            tail = samples[-size:]
            self._before[row] = np.concatenate([self._before[row, tail.size :], tail])

    def finish(self) -> None:
        """Look at what lies between the last samples as well: nothing comes after them."""
        self._true_peaks(np.zeros((self._begun.shape[0], peak.TAPS_A_SIDE), np.float32), 0)

    def _take_reduction(self, stage: int, reduction_db: Array) -> None:
        means_db = self._reductions[stage]
        if means_db is None:
            return
        skipped = min(self._reduction_skips[stage], reduction_db.size)
        self._reduction_skips[stage] -= skipped
        values = np.concatenate([self._reduction_begun[stage], reduction_db[skipped:]])
        step = self._hop // 10
        steps = values.size // step
        means_db.append(values[: steps * step].reshape(steps, step).mean(axis=1))
        self._reduction_begun[stage] = values[steps * step :].copy()

    def rows_of(self, stage: int) -> slice:
        """Rows that hold the channels of a stage."""
        return slice(int(self._first[stage]), int(self._first[stage + 1]))

    def block_powers_of(self, stage: int) -> tuple[Array, Array, Array | None]:
        """Mean squares (channels, blocks), K-weighted mean square (blocks,) and product of the sides of a stage."""
        rows = self.rows_of(stage)
        if not self._blocks:
            return np.empty((self._channels[stage], 0)), np.empty(0), None
        powers = np.concatenate([part[rows] for part in self._blocks], axis=1).astype(np.float64)
        product = np.concatenate(self._products[stage]).astype(np.float64) if self._products[stage] else None
        return powers[:, :, 0], powers[:, :, 1].sum(axis=0), product

    def reduction_of(self, stage: int) -> Array | None:
        """(steps,) gain reduction of a stage in dB, each 10 ms; None for one that moves no gain."""
        means_db = self._reductions[stage]
        return np.concatenate(means_db) if means_db else None

    def tops_of(self, stage: int) -> tuple[float, float]:
        """Largest sample and largest true peak of a stage."""
        rows = self.rows_of(stage)
        top = float(self._top[rows].max(initial=0.0))
        return top, max(top, float(self._true_peak[rows].max(initial=0.0)))


class MeterReadings(Protocol):
    """Readings of the meters of a whole chain, by the position of the block that each stands behind."""

    def block_powers_of(self, stage: int) -> tuple[Array, Array, Array | None]:
        """Mean squares (channels, blocks), K-weighted mean square (blocks,) and product of the sides of a stage."""
        ...

    def reduction_of(self, stage: int) -> Array | None:
        """(steps,) gain reduction of a stage in dB, each 10 ms; None for one that moves no gain."""
        ...

    def tops_of(self, stage: int) -> tuple[float, float]:
        """Largest sample and largest true peak of a stage."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageRecord:
    """Readings of the meter behind one block, as `MeterReadings` gives them."""

    power: Array
    """(channels, blocks)."""
    weighted: Array
    product: Array | None
    reduction_db: Array | None
    tops: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeterRecord:
    """Readings of the meters of a whole chain that ran before."""

    stages: tuple[StageRecord, ...]

    def block_powers_of(self, stage: int) -> tuple[Array, Array, Array | None]:
        """Mean squares (channels, blocks), K-weighted mean square (blocks,) and product of the sides of a stage."""
        record = self.stages[stage]
        return record.power, record.weighted, record.product

    def reduction_of(self, stage: int) -> Array | None:
        """(steps,) gain reduction of a stage in dB, each 10 ms; None for one that moves no gain."""
        return self.stages[stage].reduction_db

    def tops_of(self, stage: int) -> tuple[float, float]:
        """Largest sample and largest true peak of a stage."""
        return self.stages[stage].tops


class StageMeter:
    """Meter behind one block of a chain.

    Parameters
    ----------
    meters : MeterReadings
        Meters of the whole chain.
    stage : int
        Position of the block in the chain.
    block : str
        Name of the block.
    """

    def __init__(self, meters: MeterReadings, stage: int, block: str) -> None:
        self._meters = meters
        self._stage = stage
        self.block = block

    def record(self) -> StageRecord:
        """Readings so far, to be kept."""
        power, weighted, product = self._meters.block_powers_of(self._stage)
        return StageRecord(
            power=power,
            weighted=weighted,
            product=product,
            reduction_db=self._meters.reduction_of(self._stage),
            tops=self._meters.tops_of(self._stage),
        )

    def trace_db(self) -> Array | None:
        """(steps,) gain reduction in dB, each 100 ms; None for blocks that move no gain."""
        values = self._meters.reduction_of(self._stage)
        if values is None:
            return None
        steps = values.size // 10
        return np.asarray(values[: steps * 10].reshape(steps, 10).mean(axis=1))

    def loudness_lufs(self) -> float:
        """Integrated loudness of all so far; -inf for silence."""
        return integrated_lufs(self._meters.block_powers_of(self._stage)[1])

    def true_peak(self) -> float:
        """The largest magnitude so far, between samples included."""
        return self._meters.tops_of(self._stage)[1]

    def result(self, playing: Activity) -> Stage:
        """Readings over what counts as playing at the tap."""
        power, weighted, product = self._meters.block_powers_of(self._stage)
        if not weighted.size:
            return Stage(
                block=self.block, level_dbfs=None, peak_dbfs=None, true_peak_dbtp=None, loudness_lufs=None,
                width_db=None, reduction_db=None,
            )  # fmt: skip
        windows = window_levels(power.mean(axis=0).astype(np.float32))
        active = playing.windows[: windows.size]
        active_dbfs = windows[: active.size][active]
        mask = playing.blocks[: weighted.size]
        width = None
        if product is not None and mask.any():
            left, right = power[:, : mask.size][:, mask].astype(np.float32)
            if left.any() or right.any():
                width = finite(stereo(left, right, product[: mask.size][mask]).width_db)
        top, true_peak = self._meters.tops_of(self._stage)
        return Stage(
            block=self.block,
            level_dbfs=playing.level_of(active_dbfs),
            peak_dbfs=finite(float(db_from_amplitude(top))),
            true_peak_dbtp=finite(float(db_from_amplitude(true_peak))),
            loudness_lufs=finite(integrated_lufs(weighted)),
            width_db=width,
            reduction_db=self._reduction(playing),
        )

    def _reduction(self, playing: Activity) -> Reduction | None:
        values = self._meters.reduction_of(self._stage)
        if values is None:
            return None
        mask = np.repeat(playing.blocks, 10)[: values.size]
        playing_db = values[: mask.size][mask]
        if not playing_db.size:
            return None
        # a block that lifts takes off less than nothing
        sign = -1.0 if -playing_db.min() > playing_db.max() else 1.0
        return Reduction(
            median=float(np.median(playing_db)),
            p95=sign * float(np.percentile(sign * playing_db, 95)),
            active_fraction=float((np.abs(playing_db) >= _TAKEN_OFF_DB).mean()),
        )
