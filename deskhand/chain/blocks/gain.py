"""Level, polarity, delay and saturation: blocks that act on every frequency alike."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks.processor import LaneBlock, RowsProcessor
from deskhand.dsp import chain_lanes, filters, fir
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.house import On

    Array = NDArray[np.float64]

_SATURATION_BIAS: Final = 0.2
"""Offset added in front of the saturation's curve, so that its two halves bend unequally. Common practice, no source."""
_NO_DC_HZ: Final = 5.0
"""Corner of the high-pass behind the saturation: two octaves below what is heard (20 Hz). Common practice, no source."""


class GainProcessor(RowsProcessor):
    """A gain that stands still, with the polarity reversed on request."""

    def __init__(self, gain_db: float, on: On, channels: int, *, flip: bool = False) -> None:
        super().__init__(on, channels)
        self.factor = (-1.0 if flip else 1.0) * amplitude_from_db(gain_db)

    def as_lane_block(self) -> LaneBlock:
        """Block as a lane runs it."""
        settings = np.zeros((chain_lanes.SETTINGS, 1))
        settings[0] = self.factor
        return LaneBlock(kind=chain_lanes.GAIN, sections=np.empty((0, 6)), settings=settings)

    def process(self, signal: Array) -> Array:
        """(channels, frames) in and out."""
        # 0 dB leaves every bit as it is, middle and sides included
        return signal if self.factor == 1.0 else super().process(signal)

    def act(self, signal: Array) -> Array:
        """(acting, frames) times the gain."""
        return np.asarray(signal * self.factor)


class DelayProcessor(RowsProcessor):
    """A delay by any time; what a fraction of a sample costs in latency is taken out of the time where it can be."""

    def __init__(self, time_s: float, on: On, channels: int, sample_rate_hz: int) -> None:
        super().__init__(on, channels)
        delay_samples = time_s * sample_rate_hz
        frames = int(np.floor(delay_samples + 1e-9))
        fraction = delay_samples - frames
        self._convolve: fir.Convolver | None = None
        if fraction > 1e-6:
            self._convolve = fir.Convolver(fir.fractional_delay(fraction), self.acting)
            bulk = fir.FRACTION_TAPS // 2 - 1
            self.latency = max(0, bulk - frames)
            frames = max(0, frames - bulk)
        self._line = np.zeros((self.acting, frames))

    def act(self, signal: Array) -> Array:
        """(acting, frames) late."""
        line = np.concatenate([self._line, signal], axis=1)
        self._line = line[:, signal.shape[1] :].copy()
        late = np.ascontiguousarray(line[:, : signal.shape[1]])
        return late if self._convolve is None else self._convolve(late)


class SaturationProcessor(RowsProcessor):
    """A soft curve at four times the rate, without the offset that its unequal halves make."""

    latency = fir.OVERSAMPLING_LATENCY

    def __init__(self, drive_db: float, on: On, channels: int, sample_rate_hz: int) -> None:
        super().__init__(on, channels)
        self._drive = amplitude_from_db(drive_db)
        self._oversampled = [fir.Oversampled() for _ in range(self.acting)]
        # unequal halves have a mean: it is taken away below what is heard
        self._sos = filters.high_pass(_NO_DC_HZ, 6.0, float(sample_rate_hz))
        self._state = np.zeros((self.acting, 1, 2))

    def act(self, signal: Array) -> Array:
        """(acting, frames) bent."""
        bent = np.stack(
            [
                oversampled.bend(row, self._drive, _SATURATION_BIAS)
                for oversampled, row in zip(self._oversampled, signal, strict=True)
            ]
        )
        filters.cascade(bent, self._sos, self._state)
        return bent
