"""Dynamics of a chain: compressor, gate, dynamic bell and limiter, and the detectors that they listen with."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks.filter import HIGHEST_CORNER
from deskhand.chain.blocks.processor import LaneBlock, RowsProcessor
from deskhand.dsp import chain_lanes, dynamics, filters, peak
from deskhand.units import amplitude_from_db, db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.house import CompressorBlock, Detector, DynamicBellBlock, GateBlock, LimiterBlock, On

    Array = NDArray[np.float64]

RMS_S: Final = 0.01
"""Time constant of a detector that looks at mean squares. Common practice, no source."""
_LOOK_AHEAD_S: Final = 0.0015
"""Time by which a limiter's gain begins to fall before a peak comes. Common practice, no source."""
_LOWEST_TOP: Final = 1e-10
"""Peaks are lifted to -200 dBFS before their logarithm, as the detectors' levels are."""


class _Detectors:
    """Levels of what a dynamics block listens to: one for all rows (linked), or one for each (dual, mid-side)."""

    def __init__(
        self, detector: Detector, rows: int, sample_rate_hz: int, *, rms: bool, side_chain: Array | None = None
    ) -> None:
        self.linked = detector == "linked" or rows == 1
        self.count = 1 if self.linked else rows
        self._keep = dynamics.keep(RMS_S, sample_rate_hz) if rms else 0.0
        self._state = np.zeros((rows, 1))
        self._sos = side_chain
        self._filter = np.zeros((rows, 0 if side_chain is None else side_chain.shape[0], 2))

    @property
    def side_chain(self) -> Array:
        """(sections, 6) of what the signal passes on its way to the detectors."""
        return np.empty((0, 6)) if self._sos is None else self._sos

    @property
    def averaging(self) -> float:
        """Factor a sample of the averaging of squares; 0 for detectors of peaks."""
        return self._keep

    def levels_db(self, signal: Array) -> Array:
        """(detectors, frames) of levels of (rows, frames)."""
        side_chain = signal
        if self._sos is not None:
            side_chain = signal.copy()
            filters.cascade(side_chain, self._sos, self._filter)
        levels = np.empty(side_chain.shape)
        for row in range(side_chain.shape[0]):
            dynamics.detect(side_chain[row], self._keep, self._state[row], levels[row])
        # the louder side decides for both: the picture stays where it is
        return np.ascontiguousarray(levels.max(axis=0, keepdims=True)) if self.linked else levels


class DynamicsProcessor(RowsProcessor):
    """A block that moves a gain."""

    def __init__(self, on: On, channels: int, detector: Detector) -> None:
        super().__init__(on, channels)
        if detector == "mid-side" and on == "both" and channels == 2:
            self.mid_side = True
        self.reduction_db: Array | None = None

    def take_off(self, signal: Array, reduction_db: Array, makeup_db: float = 0.0) -> Array:
        """(rows, frames) with a reduction of (detectors, frames) taken off."""
        if reduction_db.shape[0] == 1:
            dynamics.apply(signal, reduction_db[0], makeup_db)
        else:
            for row in range(signal.shape[0]):
                dynamics.apply(signal[row : row + 1], reduction_db[row], makeup_db)
        self.reduction_db = reduction_db
        return signal


class CompressorProcessor(DynamicsProcessor):
    """Feed-forward compressor, its gain smoothed in decibels (Giannoulis, Massberg & Reiss 2012)."""

    def __init__(self, block: CompressorBlock, channels: int, sample_rate_hz: int) -> None:
        super().__init__(block.on, channels, block.detector)
        side_chain = None
        if block.high_pass_hz is not None:
            side_chain = filters.high_pass(block.high_pass_hz, 12.0, sample_rate_hz)
        self._detectors = _Detectors(
            block.detector, self.acting, sample_rate_hz, rms=block.senses == "rms", side_chain=side_chain
        )
        self._block = block
        self._rate_hz = float(sample_rate_hz)
        self._ratio = dynamics.RISING if block.ratio == "rising" else float(block.ratio)
        self._attack = dynamics.keep(block.attack_s, sample_rate_hz)
        self._release = (
            None if block.release_s == "two-stage" else dynamics.keep(float(block.release_s), sample_rate_hz)
        )
        self._state = np.zeros((self._detectors.count, 3))
        side_db = block.threshold_dbfs if block.side_threshold_dbfs is None else block.side_threshold_dbfs
        if block.on == "side":
            self._thresholds = [side_db]
        else:
            self._thresholds = [block.threshold_dbfs, side_db if self.mid_side else block.threshold_dbfs]

    def as_lane_block(self) -> LaneBlock:
        """Block as a lane runs it."""
        two_stage = self._release is None
        mode = chain_lanes.IS_RMS if self._detectors.averaging > 0.0 else 0
        if two_stage or self._ratio == dynamics.RISING:
            mode |= chain_lanes.BY_COLUMN | (chain_lanes.TWO_STAGE if two_stage else 0)
        settings = np.zeros((chain_lanes.SETTINGS, self.channels))
        settings[chain_lanes.THRESHOLD] = self._thresholds[: self.channels]
        settings[chain_lanes.RATIO], settings[chain_lanes.KNEE] = self._ratio, self._block.knee_db
        settings[chain_lanes.ATTACK], settings[chain_lanes.RELEASE] = self._attack, self._release or 0.0
        settings[chain_lanes.MAKEUP], settings[chain_lanes.AVERAGING] = self._block.makeup_db, self._detectors.averaging
        settings[chain_lanes.LINKED] = float(self._detectors.linked and self.channels == 2)
        return LaneBlock(kind=chain_lanes.COMPRESSOR, mode=mode, sections=self._detectors.side_chain, settings=settings)

    def act(self, signal: Array) -> Array:
        """(acting, frames) in, the same out; `reduction_db` is set."""
        levels = self._detectors.levels_db(signal)
        for row in range(levels.shape[0]):
            dynamics.compress(levels[row], self._thresholds[row], self._ratio, self._block.knee_db)
            if self._release is None:
                dynamics.smooth_two_stage(levels[row], self._attack, self._rate_hz, self._state[row])
            else:
                dynamics.smooth(levels[row], self._attack, self._release, self._state[row])
        return self.take_off(signal, levels, self._block.makeup_db)


class GateProcessor(DynamicsProcessor):
    """Gate that opens above its threshold and closes when the level has stayed below for the hold."""

    def __init__(self, block: GateBlock, channels: int, sample_rate_hz: int) -> None:
        super().__init__(block.on, channels, block.detector)
        self._detectors = _Detectors(block.detector, self.acting, sample_rate_hz, rms=False)
        self._block = block
        self._range_db = abs(block.range_db)
        self._hold = round(block.hold_s * sample_rate_hz)
        self._open = dynamics.keep(block.attack_s, sample_rate_hz)
        self._close = dynamics.keep(block.release_s, sample_rate_hz)
        self._gate = np.zeros((self._detectors.count, 2))
        self._state = np.full((self._detectors.count, 1), self._range_db)

    def as_lane_block(self) -> LaneBlock:
        """Block as a lane runs it."""
        settings = np.zeros((chain_lanes.SETTINGS, 1))
        settings[chain_lanes.THRESHOLD] = self._block.threshold_dbfs
        settings[chain_lanes.RATIO] = self._block.threshold_dbfs - abs(self._block.hysteresis_db)
        settings[chain_lanes.KNEE], settings[chain_lanes.HOLD] = self._range_db, self._hold
        settings[chain_lanes.ATTACK], settings[chain_lanes.RELEASE] = self._open, self._close
        settings[chain_lanes.LINKED] = float(self._detectors.linked and self.channels == 2)
        return LaneBlock(
            kind=chain_lanes.GATE, mode=chain_lanes.BY_COLUMN, sections=self._detectors.side_chain, settings=settings,
            begins_at=self._range_db,
        )  # fmt: skip

    def act(self, signal: Array) -> Array:
        """(acting, frames) in, the same out; `reduction_db` is set."""
        levels = self._detectors.levels_db(signal)
        close_db = self._block.threshold_dbfs - abs(self._block.hysteresis_db)
        for row in range(levels.shape[0]):
            dynamics.gate(
                levels[row], self._block.threshold_dbfs, close_db, self._range_db, self._hold, self._gate[row]
            )
            dynamics.smooth_gate(levels[row], self._open, self._close, self._state[row])
        return self.take_off(signal, levels)


class DynamicBellProcessor(DynamicsProcessor):
    """Takes off what its band has above the threshold, at most its gain; a positive gain lifts instead."""

    def __init__(self, block: DynamicBellBlock, channels: int, sample_rate_hz: int) -> None:
        super().__init__(block.on, channels, block.detector)
        # the band as the bell at its full gain has it: half of its gain lies at the edges
        q = block.q * 10.0 ** (block.gain_db / 40.0)
        w = 2.0 * np.pi * min(block.frequency_hz, HIGHEST_CORNER * sample_rate_hz) / sample_rate_hz
        alpha = np.sin(w) / (2.0 * q)
        # Audio EQ Cookbook (W3C Note 2021): band-pass with 0 dB at its middle
        self._band = np.array([alpha, 0.0, -alpha, 1.0 + alpha, -2.0 * np.cos(w), 1.0 - alpha]) / (1.0 + alpha)
        self._bell = np.zeros((self.acting, 2))
        self._detectors = _Detectors(
            block.detector, self.acting, sample_rate_hz, rms=True, side_chain=self._band[None, :]
        )
        self._block = block
        self._attack = dynamics.keep(block.attack_s, sample_rate_hz)
        self._release = dynamics.keep(block.release_s, sample_rate_hz)
        self._state = np.zeros((self._detectors.count, 1))

    def act(self, signal: Array) -> Array:
        """(acting, frames) in, the same out; `reduction_db` is set."""
        levels = self._detectors.levels_db(signal)
        amounts = np.clip(levels - self._block.threshold_dbfs, 0.0, abs(self._block.gain_db))
        sign = -1.0 if self._block.gain_db < 0.0 else 1.0
        for row in range(amounts.shape[0]):
            dynamics.smooth(amounts[row], self._attack, self._release, self._state[row])
        for row in range(signal.shape[0]):
            amount = amounts[min(row, amounts.shape[0] - 1)]
            dynamics.moving_bell(signal[row : row + 1], amount, self._band, sign, self._bell[row : row + 1])
        self.reduction_db = -sign * amounts
        return signal


class LimiterProcessor(DynamicsProcessor):
    """Holds true peaks (ITU-R BS.1770-5 Annex 2) below a ceiling by looking ahead.

    No sample passes the ceiling; a gain that moves fast may lift a value between samples of noise by some tenths of a decibel.
    """

    def __init__(self, block: LimiterBlock, channels: int, sample_rate_hz: int) -> None:
        super().__init__(block.on, channels, block.detector)
        self._ceiling_db = block.ceiling_dbfs
        self._ceiling = amplitude_from_db(block.ceiling_dbfs)
        self._phases = peak.interpolator(peak.oversampling(sample_rate_hz)).astype(np.float64)
        self._ahead = max(8, round(_LOOK_AHEAD_S * sample_rate_hz))
        # a peak between two samples is known when the samples after it are
        self._side = peak.TAPS_A_SIDE
        self.latency = self._ahead - 1 + self._side
        self._release = dynamics.keep(block.release_s, sample_rate_hz)
        self._linked = block.detector == "linked" or self.acting == 1
        count = 1 if self._linked else self.acting
        self._rings = np.zeros((count, 3 * self._ahead + 2))
        self._places = np.zeros((count, 1), np.int64)
        self._before = np.zeros((self.acting, 2 * self._side))
        self._line = np.zeros((self.acting, self.latency))

    def act(self, signal: Array) -> Array:
        """(acting, frames) in, the same out; `reduction_db` is set."""
        stretch = np.concatenate([self._before, signal], axis=1)
        self._before = stretch[:, signal.shape[1] :].copy()
        tops = np.empty(signal.shape)
        for row in range(signal.shape[0]):
            dynamics.true_tops(stretch[row], self._side, self._phases, self._ceiling, tops[row])
        if self._linked:
            tops = tops.max(axis=0, keepdims=True)
        late = np.concatenate([self._line, signal], axis=1)
        self._line = late[:, signal.shape[1] :].copy()
        delayed = np.ascontiguousarray(late[:, : signal.shape[1]])
        if tops.max(initial=0.0) <= self._ceiling and not self._rings.any():
            self._places[:] = (self._places + signal.shape[1]) % self._ahead
            self.reduction_db = np.zeros(tops.shape)
            return delayed
        over_db = np.maximum(db_from_amplitude(np.maximum(tops, _LOWEST_TOP)) - self._ceiling_db, 0.0)
        reduction_db = np.empty(over_db.shape)
        for row in range(over_db.shape[0]):
            dynamics.look_ahead(
                over_db[row], self._ahead, self._release, self._rings[row], self._places[row], reduction_db[row]
            )
        return self.take_off(delayed, reduction_db)
