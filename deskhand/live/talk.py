"""Margin before a microphone rings, heard while somebody talks into it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.loop_gain import WINDOW_S, gain_margin

if TYPE_CHECKING:
    from numpy.typing import NDArray

NEEDED_S: Final = 15.0
"""Talk after which the margin is told (docs/validation-ringing.md)."""
MOST_DB: Final = 4.5
"""Margin up to which it is told: talk alone, with no loop, reads 5 dB or more (docs/validation-ringing.md)."""
_BELOW_DB: Final = 25.0
"""Windows that are so much quieter than the loudest are pauses. Common practice, no source."""
_LEAST_DBFS: Final = -55.0
"""Level from which a window holds talk at all. Common practice, no source."""
_STEPS: Final = 4
"""Windows that begin within the length of one."""
_PARTS: Final = 3
"""Parts of the talk that each have to show the loop. Set on the half to tune on (docs/validation-ringing.md)."""
_PIECES: Final = 24
"""Pieces in which the talk is kept: when they are full, two become one. Common practice, no source."""
_PIECE_WINDOWS: Final = 6
"""Windows of a piece at first: half a second of talk. Common practice, no source."""


@dataclass(slots=True, kw_only=True)
class TalkSpectrum:
    """Mean logarithmic spectrum of talk into one microphone, with what it tells of the loop.

    Parameters
    ----------
    sample_rate_hz : int
    """

    sample_rate_hz: int
    talk_s: float = 0.0
    _held: NDArray[np.float32] = field(init=False)
    _window: NDArray[np.float32] = field(init=False)
    _sums: NDArray[np.float64] = field(init=False)
    """(pieces, bins) logarithms of the power spectra of the windows with talk, added up."""
    _counts: NDArray[np.intp] = field(init=False)
    _piece_windows: int = _PIECE_WINDOWS
    _waiting: int = 0
    _loudest_dbfs: float = -120.0

    def __post_init__(self) -> None:
        import scipy.fft

        length = scipy.fft.next_fast_len(round(WINDOW_S * self.sample_rate_hz) // 2, real=True) * 2
        self._held = np.zeros(length, np.float32)
        self._window = np.hanning(length).astype(np.float32)
        self._sums = np.zeros((_PIECES, length // 2 + 1))
        self._counts = np.zeros(_PIECES, np.intp)

    def take(self, samples: NDArray[np.float32]) -> None:
        """Take in what the microphone gave since.

        Parameters
        ----------
        samples : (frames,) float32
        """
        step = self._held.size // _STEPS
        while samples.size:
            piece, samples = samples[: step - self._waiting], samples[step - self._waiting :]
            self._held = np.concatenate([self._held[piece.size :], piece])
            self._waiting += piece.size
            if self._waiting == step:
                self._waiting = 0
                self._add()

    def _add(self) -> None:
        """Add the newest window, where somebody talks in it."""
        import scipy.fft

        level_dbfs = 10.0 * np.log10(2.0 * float(np.mean(np.square(self._held))) + 1e-12)
        self._loudest_dbfs = max(self._loudest_dbfs, level_dbfs)
        if level_dbfs < max(_LEAST_DBFS, self._loudest_dbfs - _BELOW_DB):
            return
        power = np.abs(scipy.fft.rfft(self._held * self._window)) ** 2
        piece = int(np.count_nonzero(self._counts >= self._piece_windows))
        if piece == _PIECES:
            piece //= 2
            for held in (self._sums, self._counts):
                held[:piece] = held[::2] + held[1::2]
                held[piece:] = 0
            self._piece_windows *= 2
        self._sums[piece] += np.log(power.astype(np.float64) + 1e-12)
        self._counts[piece] += 1
        self.talk_s += self._held.size / _STEPS / self.sample_rate_hz

    def mean_log_powers(self) -> NDArray[np.float64]:
        """(parts, bins) natural logarithm of the power spectrum, averaged over the windows with talk, in three parts of it one after the other."""
        filled = max(1, int(np.count_nonzero(self._counts)))
        parts = min(_PARTS, filled)
        firsts = np.arange(parts) * filled // parts
        sums = np.add.reduceat(self._sums[:filled], firsts, axis=0)
        counts = np.add.reduceat(self._counts[:filled], firsts)
        return np.asarray(sums / np.maximum(1, counts)[:, None])

    def margin_db(self) -> float | None:
        """Margin, once enough was said and it is near; else None. Where it will ring is not told: it is right in half of the cases only."""
        if self.talk_s < NEEDED_S:
            return None
        margin_db, _ = gain_margin(self.mean_log_powers(), self.sample_rate_hz)
        return margin_db if margin_db <= MOST_DB else None
