"""The blocks of a chain: each takes (channels, frames) of float64 and goes on where it ended.

A block may act on the left, the right, the middle or the sides of a pair alone. What it holds back to look ahead or to
oversample is its latency, the same for all channels, so that the parts of a pair stay together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.dsp import dynamics, filters, fir, peak
from deskhand.house import (
    BellBlock,
    CompressorBlock,
    CurveBlock,
    DelayBlock,
    DynamicBellBlock,
    GainBlock,
    GateBlock,
    HighPassBlock,
    HighShelfBlock,
    LimiterBlock,
    LowPassBlock,
    LowShelfBlock,
    MidSideBlock,
    PanBlock,
    PolarityBlock,
    SaturationBlock,
    TrimBlock,
)
from deskhand.units import amplitude_from_db, db_from_amplitude

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock, Detector, On

    Array = NDArray[np.float64]

RMS_S: Final = 0.01
"""Time constant of a detector that looks at mean squares. Common practice, no source."""
LOOK_AHEAD_S: Final = 0.0015
_BIAS: Final = 0.2
_NO_DC_HZ: Final = 5.0
_CURVE_TAPS: Final = 4096


class Block(Protocol):
    """What a running block offers."""

    latency: int
    """Samples by which its output comes late."""
    channels: int
    """Of its output."""

    def process(self, signal: Array) -> Array:
        """(channels, frames) in, the same frames out; the input may be overwritten."""
        ...

    @property
    def reduction_db(self) -> Array | None:
        """(detectors, frames) taken off during the last call, for dynamics; None for others."""
        ...


class _Plain:
    """A block that moves no gain."""

    latency = 0
    reduction_db: Array | None = None

    def __init__(self, channels: int) -> None:
        self.channels = channels


def _rows(on: On, channels: int) -> tuple[slice, bool]:
    """Which rows a block acts on, and whether they are middle and sides."""
    if channels == 1 or on == "both":
        return slice(None), False
    return {
        "left": (slice(0, 1), False),
        "right": (slice(1, 2), False),
        "mid": (slice(0, 1), True),
        "side": (slice(1, 2), True),
    }[on]


def to_mid_side(signal: Array) -> Array:
    """(2, frames) of left and right to middle (L + R) / 2 and sides (L - R) / 2, and with factor 2 back."""
    return np.stack([0.5 * (signal[0] + signal[1]), 0.5 * (signal[0] - signal[1])])


def from_mid_side(signal: Array) -> Array:
    """(2, frames) of middle and sides to left and right."""
    return np.stack([signal[0] + signal[1], signal[0] - signal[1]])


class _OnRows(_Plain):
    """A block that acts on some rows of a pair; the others wait as long as it does."""

    def __init__(self, on: On, channels: int) -> None:
        super().__init__(channels)
        self.rows, self.mid_side = _rows(on, channels)
        self.acting = len(range(channels)[self.rows])
        self._waiting: Array | None = None

    def process(self, signal: Array) -> Array:
        work = to_mid_side(signal) if self.mid_side else signal
        if self.acting == self.channels:
            work = self.act(work)
        else:
            acted = self.act(np.ascontiguousarray(work[self.rows]))
            work = self._held_back(work)
            work[self.rows] = acted
        return from_mid_side(work) if self.mid_side else work

    def _held_back(self, signal: Array) -> Array:
        if not self.latency:
            return signal
        if self._waiting is None:
            self._waiting = np.zeros((signal.shape[0], self.latency))
        both = np.concatenate([self._waiting, signal], axis=1)
        self._waiting = both[:, signal.shape[1] :].copy()
        return np.ascontiguousarray(both[:, : signal.shape[1]])

    def act(self, signal: Array) -> Array:
        """The rows acted on, in and out."""
        raise NotImplementedError


class _Gain(_OnRows):
    def __init__(self, gain_db: float, on: On, channels: int, *, flip: bool = False) -> None:
        super().__init__(on, channels)
        self.factor = (-1.0 if flip else 1.0) * amplitude_from_db(gain_db)

    def process(self, signal: Array) -> Array:
        # 0 dB leaves every bit as it is, middle and sides included
        return signal if self.factor == 1.0 else super().process(signal)

    def act(self, signal: Array) -> Array:
        return np.asarray(signal * self.factor)


class _Filter(_OnRows):
    def __init__(self, sos: Array, on: On, channels: int) -> None:
        super().__init__(on, channels)
        self.sos = sos
        self.state = np.zeros((self.acting, sos.shape[0], 2))

    def act(self, signal: Array) -> Array:
        filters.cascade(signal, self.sos, self.state)
        return signal


class _Delay(_OnRows):
    """A delay by any time; what a fraction of a sample costs in latency is taken out of the time where it can be."""

    def __init__(self, time_s: float, on: On, channels: int, sample_rate_hz: int) -> None:
        super().__init__(on, channels)
        whole = time_s * sample_rate_hz
        frames = int(np.floor(whole + 1e-9))
        fraction = whole - frames
        self._convolve: fir.Convolver | None = None
        if fraction > 1e-6:
            self._convolve = fir.Convolver(fir.fractional_delay(fraction), self.acting)
            bulk = fir.FRACTION_TAPS // 2 - 1
            self.latency = max(0, bulk - frames)
            frames = max(0, frames - bulk)
        self._line = np.zeros((self.acting, frames))

    def act(self, signal: Array) -> Array:
        both = np.concatenate([self._line, signal], axis=1)
        self._line = both[:, signal.shape[1] :].copy()
        out = np.ascontiguousarray(both[:, : signal.shape[1]])
        return out if self._convolve is None else self._convolve(out)


class _Curve(_OnRows):
    def __init__(self, taps: Array, latency: int, on: On, channels: int) -> None:
        super().__init__(on, channels)
        self.latency = latency
        self._convolve = fir.Convolver(taps, self.acting)

    def act(self, signal: Array) -> Array:
        return self._convolve(signal)


class _Saturation(_OnRows):
    latency = fir.OVERSAMPLING_LATENCY

    def __init__(self, drive_db: float, on: On, channels: int, sample_rate_hz: int) -> None:
        super().__init__(on, channels)
        self._drive = amplitude_from_db(drive_db)
        self._each = [fir.Oversampled() for _ in range(self.acting)]
        # unequal halves have a mean: it is taken away below what is heard
        self._sos = filters.high_pass(_NO_DC_HZ, 6.0, float(sample_rate_hz))
        self._state = np.zeros((self.acting, 1, 2))

    def act(self, signal: Array) -> Array:
        out = np.stack([one.bend(row, self._drive, _BIAS) for one, row in zip(self._each, signal, strict=True)])
        filters.cascade(out, self._sos, self._state)
        return out


class _MidSide(_Plain):
    def __init__(self, mid_db: float, side_db: float) -> None:
        super().__init__(2)
        self.factors = np.array([[amplitude_from_db(mid_db)], [amplitude_from_db(side_db)]])

    def process(self, signal: Array) -> Array:
        if (self.factors == 1.0).all():
            return signal
        return from_mid_side(to_mid_side(signal) * self.factors)


def pan_gains(position: float, law_db: float) -> tuple[float, float]:
    """Gains to left and right for a position from -100 to 100, each 1 at its own end.

    -3 dB: sine and cosine (equal power). -6 dB: linear (equal sum). -4.5 dB: the geometric mean of the two. Others lie between
    them in the same way: the law is the gain in the centre (handbook definitions).
    """
    share = 0.5 + position / 200.0
    angle = 0.5 * np.pi * share
    power = (float(np.cos(angle)), float(np.sin(angle)))
    linear = (1.0 - share, share)
    mixed = (law_db - _CENTRE_POWER_DB) / (_CENTRE_LINEAR_DB - _CENTRE_POWER_DB)
    left, right = (max(0.0, p) ** (1.0 - mixed) * max(0.0, n) ** mixed for p, n in zip(power, linear, strict=True))
    return (1.0, 0.0) if share == 0.0 else (0.0, 1.0) if share == 1.0 else (left, right)


_CENTRE_POWER_DB: Final = -3.0
_CENTRE_LINEAR_DB: Final = -6.0


class _Pan(_Plain):
    """One channel becomes two; of a pair, the sides are weighed so that the centre leaves them as they are."""

    def __init__(self, position: float, law_db: float, channels: int) -> None:
        super().__init__(2)
        left, right = pan_gains(position, law_db)
        if channels == 2:
            centre = pan_gains(0.0, law_db)[0]
            left, right = min(1.0, left / centre), min(1.0, right / centre)
        self.gains = np.array([[left], [right]])

    def process(self, signal: Array) -> Array:
        return np.asarray(signal * self.gains)


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

    def levels_db(self, signal: Array) -> Array:
        """(detectors, frames)."""
        heard = signal
        if self._sos is not None:
            heard = signal.copy()
            filters.cascade(heard, self._sos, self._filter)
        levels = np.empty(heard.shape)
        for row in range(heard.shape[0]):
            dynamics.detect(heard[row], self._keep, self._state[row], levels[row])
        # the louder side decides for both: the picture stays where it is
        return np.ascontiguousarray(levels.max(axis=0, keepdims=True)) if self.linked else levels


class _Dynamics(_OnRows):
    """A block that moves a gain."""

    def __init__(self, on: On, channels: int, detector: Detector) -> None:
        super().__init__(on, channels)
        if detector == "mid-side" and on == "both" and channels == 2:
            self.mid_side = True
        self.reduction_db: Array | None = None

    def take_off(self, signal: Array, reduction_db: Array, makeup_db: float = 0.0) -> Array:
        """Apply (detectors, frames) to the rows."""
        if reduction_db.shape[0] == 1:
            dynamics.apply(signal, reduction_db[0], makeup_db)
        else:
            for row in range(signal.shape[0]):
                dynamics.apply(signal[row : row + 1], reduction_db[row], makeup_db)
        self.reduction_db = reduction_db
        return signal


class _Compressor(_Dynamics):
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

    def act(self, signal: Array) -> Array:
        levels = self._detectors.levels_db(signal)
        for row in range(levels.shape[0]):
            dynamics.compress(levels[row], self._thresholds[row], self._ratio, self._block.knee_db)
            if self._release is None:
                dynamics.smooth_two_stage(levels[row], self._attack, self._rate_hz, self._state[row])
            else:
                dynamics.smooth(levels[row], self._attack, self._release, self._state[row])
        return self.take_off(signal, levels, self._block.makeup_db)


class _Gate(_Dynamics):
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

    def act(self, signal: Array) -> Array:
        levels = self._detectors.levels_db(signal)
        close_db = self._block.threshold_dbfs - abs(self._block.hysteresis_db)
        for row in range(levels.shape[0]):
            dynamics.gate(
                levels[row], self._block.threshold_dbfs, close_db, self._range_db, self._hold, self._gate[row]
            )
            dynamics.smooth_gate(levels[row], self._open, self._close, self._state[row])
        return self.take_off(signal, levels)


class _DynamicBell(_Dynamics):
    """Takes off what its band has above the threshold, at most its gain; a positive gain lifts instead."""

    def __init__(self, block: DynamicBellBlock, channels: int, sample_rate_hz: int) -> None:
        super().__init__(block.on, channels, block.detector)
        # the band as the bell at its full gain has it: half of its gain lies at the edges
        q = block.q * 10.0 ** (block.gain_db / 40.0)
        w = 2.0 * np.pi * min(block.frequency_hz, 0.45 * sample_rate_hz) / sample_rate_hz
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
        levels = self._detectors.levels_db(signal)
        amounts = np.clip(levels - self._block.threshold_dbfs, 0.0, abs(self._block.gain_db))
        sign = -1.0 if self._block.gain_db < 0.0 else 1.0
        for row in range(amounts.shape[0]):
            dynamics.smooth(amounts[row], self._attack, self._release, self._state[row])
        for row in range(signal.shape[0]):
            own = amounts[min(row, amounts.shape[0] - 1)]
            dynamics.moving_bell(signal[row : row + 1], own, self._band, sign, self._bell[row : row + 1])
        self.reduction_db = -sign * amounts
        return signal


class _Limiter(_Dynamics):
    """Looks ahead, at true peaks (ITU-R BS.1770-5 Annex 2).

    No sample passes the ceiling; a gain that moves fast may lift a value between samples of noise by some tenths of a decibel.
    """

    def __init__(self, block: LimiterBlock, channels: int, sample_rate_hz: int) -> None:
        super().__init__(block.on, channels, block.detector)
        self._ceiling_db = block.ceiling_dbfs
        self._ceiling = amplitude_from_db(block.ceiling_dbfs)
        self._phases = peak.interpolator(peak.oversampling(sample_rate_hz)).astype(np.float64)
        self._ahead = max(8, round(LOOK_AHEAD_S * sample_rate_hz))
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
        both = np.concatenate([self._before, signal], axis=1)
        self._before = both[:, signal.shape[1] :].copy()
        tops = np.empty(signal.shape)
        for row in range(signal.shape[0]):
            dynamics.true_tops(both[row], self._side, self._phases, self._ceiling, tops[row])
        if self._linked:
            tops = tops.max(axis=0, keepdims=True)
        late = np.concatenate([self._line, signal], axis=1)
        self._line = late[:, signal.shape[1] :].copy()
        delayed = np.ascontiguousarray(late[:, : signal.shape[1]])
        if tops.max(initial=0.0) <= self._ceiling and not self._rings.any():
            self._places[:] = (self._places + signal.shape[1]) % self._ahead
            self.reduction_db = np.zeros(tops.shape)
            return delayed
        wanted = np.maximum(db_from_amplitude(np.maximum(tops, 1e-10)) - self._ceiling_db, 0.0)
        taken = np.empty(wanted.shape)
        for row in range(wanted.shape[0]):
            dynamics.look_ahead(
                wanted[row], self._ahead, self._release, self._rings[row], self._places[row], taken[row]
            )
        return self.take_off(delayed, taken)


def build(block: ChainBlock, *, channels: int, sample_rate_hz: int, folder: Path | None = None) -> Block:
    """A running block from what the house file says of it.

    Parameters
    ----------
    block : ChainBlock
    channels : int
        1, or 2 for a pair, of its input.
    sample_rate_hz : int
    folder : Path, optional
        Where the file of a curve lies: that of the house file.

    Raises
    ------
    HouseError
        A block that needs a pair on one channel, or a curve that cannot be read.
    """
    from deskhand.errors import HouseError

    if channels == 1 and (isinstance(block, MidSideBlock) or getattr(block, "on", "both") != "both"):
        raise HouseError(block.block, "acts on a part of a pair, but its source is one channel", "name its two tracks")
    if isinstance(block, LimiterBlock) and (block.detector == "mid-side" or block.on in {"mid", "side"}):
        raise HouseError(
            block.block, "holds left and right; in middle and sides it could not", "make it linked or dual"
        )
    if getattr(block, "shape", "") == "linkwitz-riley" and getattr(block, "slope_db_per_octave", 12.0) % 12.0:
        raise HouseError(
            block.block, "a linkwitz-riley slope is a multiple of 12 dB/oct", "make it 12, 24, 36 or 48 dB/oct"
        )
    match block:
        case GainBlock() | TrimBlock():
            return _Gain(block.gain_db, block.on, channels)
        case PolarityBlock():
            return _Gain(0.0, block.on, channels, flip=True)
        case DelayBlock():
            return _Delay(block.time_s, block.on, channels, sample_rate_hz)
        case MidSideBlock():
            return _MidSide(block.mid_db, block.side_db)
        case PanBlock():
            return _Pan(block.position, block.law_db, channels)
        case SaturationBlock():
            return _Saturation(block.drive_db, block.on, channels, sample_rate_hz)
        case CompressorBlock():
            return _Compressor(block, channels, sample_rate_hz)
        case GateBlock():
            return _Gate(block, channels, sample_rate_hz)
        case DynamicBellBlock():
            return _DynamicBell(block, channels, sample_rate_hz)
        case LimiterBlock():
            return _Limiter(block, channels, sample_rate_hz)
        case CurveBlock():
            taps, latency = _curve_taps(block, sample_rate_hz, folder)
            return _Curve(taps, latency, block.on, channels)
        case _:
            return _Filter(filter_sos(block, sample_rate_hz), block.on, channels)


def filter_sos(
    block: HighPassBlock | LowPassBlock | BellBlock | LowShelfBlock | HighShelfBlock, sample_rate_hz: int
) -> Array:
    """(sections, 6) of a filter block; a corner above 0.45 of the rate is put there."""
    hz = min(block.frequency_hz, 0.45 * sample_rate_hz)
    rate = float(sample_rate_hz)
    match block:
        case HighPassBlock():
            return filters.high_pass(hz, block.slope_db_per_octave, rate, block.shape)
        case LowPassBlock():
            return filters.low_pass(hz, block.slope_db_per_octave, rate, block.shape)
        case BellBlock():
            return filters.bell(hz, block.gain_db, block.q, rate)
        case LowShelfBlock():
            return filters.low_shelf(hz, block.gain_db, block.q, rate)
        case HighShelfBlock():
            return filters.high_shelf(hz, block.gain_db, block.q, rate)


def _curve_taps(block: CurveBlock, sample_rate_hz: int, folder: Path | None) -> tuple[Array, int]:
    """The filter of a curve file: lines of frequency in Hz and magnitude in dB; # begins a comment."""
    import csv
    from pathlib import Path

    from deskhand.errors import HouseError

    path = (folder or Path()) / block.file
    fix = "write lines of frequency in Hz, a comma, and magnitude in dB"
    points = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for line, row in enumerate(csv.reader(file), 1):
                if not row or row[0].lstrip().startswith("#"):
                    continue
                try:
                    points.append((float(row[0]), float(row[1])))
                except (ValueError, IndexError):
                    if points:
                        raise HouseError(
                            f"{path}, line {line}", f'"{",".join(row)}" is no point of a curve', fix
                        ) from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise HouseError(
            str(path), f"the curve cannot be read ({getattr(error, 'strerror', None) or error})", fix
        ) from None
    known = np.array(points)
    if len(points) < 2 or not np.isfinite(known).all() or (known[:, 0] <= 0).any() or (np.diff(known[:, 0]) <= 0).any():
        raise HouseError(str(path), "a curve needs two points or more, frequencies rising from above 0", fix)
    taps = _CURVE_TAPS * max(1, round(sample_rate_hz / 48000))
    linear = block.phase == "linear"
    made = fir.curve(known[:, 0], known[:, 1], sample_rate_hz=sample_rate_hz, minimum_phase=not linear, taps=taps)
    return made, taps // 2 if linear else 0
