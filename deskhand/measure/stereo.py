"""Stereo figures of a pair: width, balance, correlation, mono loss, delay, polarity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.spectrum import OCTAVES_HZ
from deskhand.measure.spread import BLOCK_S, draws, half_width
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.figures import AnalysisGrid, PairFigures

_MOST_DELAY_S: Final = 0.05
"""Delays are looked for up to here: 17 m of air, or the conversions of two desks. Common practice, no source."""
_NEAR_S: Final = 0.003
"""Polarity is read from what lies so close together: a metre. Common practice, no source."""
_APART_S: Final = 0.006
"""Two microphones of one instrument are hardly further apart than two metres. Common practice, no source."""
_OPPOSITE: Final = 0.4
"""Least negative correlation of tracks that work against each other. Common practice, no source; how surely: docs/validation-polarity.md."""
_FAR: Final = 1.3
"""Factor by which the negative correlation outweighs the positive one where loud notes decide alone. Common practice, no source."""
_SURE: Final = 0.6
"""Certainty of one delay from which all frequencies decide. Common practice, no source."""
_FINER: Final = 8
"""Positions of a delay tried within a sample: an eighth of one is 0.9 mm of air at 48 kHz. Arithmetic."""
_FLIP_LEAST_DB: Final = 0.5
"""A flip that helps by less is nothing to do before doors. Common practice, no source."""
DELAY_LEAST_S: Final = 0.0003
"""What comes later by less is placing, or a cable. Common practice, no source."""
DELAY_CERTAINTY: Final = 0.35
"""Least height of the correlation's peak at which two tracks have one delay. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stereo:
    """Stereo figures of a pair while it plays. With M = (L + R) / 2 and S = (L - R) / 2."""

    width_db: float
    """Energy of S against M; -inf when the sides are identical, 0 when they have nothing in common."""
    balance_db: float
    """Level of the right against the left; positive leans right."""
    correlation: float
    """-1 to 1."""
    mono_loss_db: float
    """Level of M against the mean of the sides: 0 identical, -3.01 nothing in common, -inf opposite."""


def stereo(left: NDArray[np.floating], right: NDArray[np.floating], product: NDArray[np.floating]) -> Stereo:
    """Stereo figures from mean squares of both sides and their mean product, each (blocks,), active blocks only.

    References
    ----------
    Definitions; the values against phase are those of `tests/reference/stereo_phase.csv`.
    """
    ll, rr, lr = (float(np.sum(part, dtype=np.float64)) for part in (left, right, product))
    middle, side = 0.25 * (ll + rr + 2 * lr), 0.25 * (ll + rr - 2 * lr)
    # what is left of a difference of nearly equal numbers is rounding: float32 blocks are good to about 1e-6
    middle, side = (max(0.0, part) if part > 1e-7 * (ll + rr) else 0.0 for part in (middle, side))
    with np.errstate(divide="ignore", invalid="ignore"):
        return Stereo(
            width_db=db_from_power(side) - db_from_power(middle) if middle > 0 else float("inf"),
            balance_db=float(db_from_power(np.array(rr)) - db_from_power(np.array(ll))),
            correlation=float(lr / np.sqrt(ll * rr)) if ll > 0 and rr > 0 else 0.0,
            mono_loss_db=db_from_power(middle / (0.5 * (ll + rr))) if ll + rr > 0 else 0.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MonoFlip:
    """Mono loss of two tracks as they are, and with one of them flipped, over the whole band: what is loud counts most."""

    loss_db: float
    """As they are; -inf when they cancel wholly."""
    flipped_loss_db: float
    """With one of them flipped."""
    sure: bool
    """Whether flipping lowers the loss noticeably, and by more than is uncertain."""


def mono_flip(
    left: NDArray[np.floating], right: NDArray[np.floating], product: NDArray[np.floating], *, step_s: float
) -> MonoFlip:
    """Mono loss with and without a flip, from mean squares and mean product of two tracks while they play.

    With E = L^2 + R^2 and c = 2 LR / E, the mono sum holds (1 + c) / 2 of the mean of the sides, and flipped (1 - c) / 2. A flip
    is sure to help when c and the half-width of its 95 % interval (block bootstrap, `spread.draws`) lie below zero. A stretch
    too short for four blocks of 3 s is cut into four shorter ones, as a line check needs.

    Parameters
    ----------
    left, right, product : (blocks,) arrays
        Active blocks only.
    step_s : float
        Seconds a block.
    """
    series = np.stack([left, right, product]).astype(np.float64)

    def share(some: NDArray[np.float64]) -> float:
        powers, products = float(some[:2].sum()), float(some[2].sum())
        return 2.0 * products / powers if powers > 0 else 0.0

    whole = share(series)
    count = series.shape[1]
    resamples = draws(count, step_s=step_s, block_s=min(BLOCK_S, step_s * (count // 4)))
    width = half_width(np.array([share(series[:, positions]) for positions in resamples]))
    # float32 blocks are good to about 1e-6: less than that is nothing
    loss_db, flipped_loss_db = (
        db_from_power(0.5 * part if part > 1e-6 else 0.0) for part in (1.0 + whole, 1.0 - whole)
    )
    return MonoFlip(
        loss_db=loss_db,
        flipped_loss_db=flipped_loss_db,
        sure=width is not None and whole + width < 0 and flipped_loss_db - loss_db >= _FLIP_LEAST_DB,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Octaves:
    """Stereo figures in each octave, by nominal mid-band frequency in Hz."""

    width_db: dict[str, float]
    mono_loss_db: dict[str, float]


def by_octave(pair: PairFigures, grid: AnalysisGrid) -> Octaves:
    """Width and mono loss in the octaves 63 Hz to 16 kHz, of the whole take: loud moments count for most.

    Octaves that hold less than a millionth of the power are left out, and so is the width of one whose sides are the same.
    """
    frequency_hz = grid.bins_hz
    sum_of_powers = pair.left + pair.right
    cross = 2.0 * pair.cross.real
    width: dict[str, float] = {}
    loss: dict[str, float] = {}
    for octave, nominal_hz in enumerate(OCTAVES_HZ[1:], -4):
        # exact mid-band frequency, base ten (IEC 61260-1:2014, formula 2)
        centre_hz = 1000.0 * 10.0 ** (0.3 * octave)
        inside = (frequency_hz >= centre_hz * 10.0**-0.15) & (frequency_hz < centre_hz * 10.0**0.15)
        power, shared = float(sum_of_powers[inside].sum()), float(cross[inside].sum())
        if power <= 1e-6 * sum_of_powers.sum():
            continue
        middle, side = power + shared, power - shared
        if middle > 1e-6 * power:
            loss[f"{nominal_hz:g}"] = round(db_from_power(middle / (2.0 * power)), 2)
            if side > 1e-6 * power:
                width[f"{nominal_hz:g}"] = round(db_from_power(side / middle), 2)
    return Octaves(width_db=width, mono_loss_db=loss)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """Delay and polarity of one track against another."""

    delay_s: float
    """By how much the second comes later than the first."""
    certainty: float
    """Height of the correlation's peak, 0 to 1: how much of what they share comes with this one delay."""
    positive: float
    """Largest positive correlation within 3 ms."""
    negative: float
    """Largest negative correlation within 3 ms, as a positive number."""
    turned: bool
    """True where the peak that tells the delay, to which all frequencies count alike, is a negative one."""
    adds_when_moved: bool = False
    """True where the largest correlation within 6 ms is a positive one. Of one signal with a side inverted it never is: no
    autocorrelation is larger than at lag zero."""

    @property
    def delayed(self) -> bool:
        """True where one comes late, at one clear delay."""
        return self.certainty > DELAY_CERTAINTY and abs(self.delay_s) >= DELAY_LEAST_S

    @property
    def only_late(self) -> bool:
        """True where one comes late and is the right way up: notes that cancel then do so for the delay."""
        return self.adds_when_moved or (self.delayed and not self.turned)

    @property
    def opposite(self) -> bool:
        """True where one is upside down: by far in what is loud, or somewhat in what is loud and surely in all frequencies.

        The limits are common practice, no source; a short stretch of a wide source says little by its loud notes alone.
        """
        if self.negative <= _OPPOSITE:
            return False
        surely = self.turned and self.certainty > _SURE and self.negative > self.positive
        return surely or self.negative > _FAR * self.positive


def alignment(pair: PairFigures, grid: AnalysisGrid, *, top_hz: float = 20000.0) -> Alignment:
    """Delay and polarity from the cross spectrum.

    The delay is found with phase transform weighting, where each frequency counts by its coherence, and refined by
    band-limited interpolation; polarity with the plain correlation, which the strong low notes decide.

    Parameters
    ----------
    pair : PairFigures
        Cross and auto spectra, each (bins,).
    grid : AnalysisGrid
        Of the measurement.
    top_hz : float
        Frequencies above are left out of the polarity.

    References
    ----------
    Knapp & Carter, IEEE Trans. ASSP 24 (1976) 320, doi:10.1109/TASSP.1976.1162830 (phase transform).
    """
    size = np.sqrt(pair.left * pair.right)
    coherent = np.abs(pair.cross) / np.maximum(size, 1e-30)
    present = size > 1e-7 * size.max() if size.max() > 0 else np.zeros(size.size, bool)
    weight = np.where(present, coherent, 0.0)
    phase = np.where(present, pair.cross / np.maximum(np.abs(pair.cross), 1e-30), 0.0) * weight
    rate = grid.sample_rate_hz
    length = grid.transform * _FINER
    correlation = np.fft.irfft(phase, length) * _FINER
    norm = 2.0 * float(present.sum()) / grid.transform
    reach = int(_MOST_DELAY_S * rate * _FINER)
    lags = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    peak = int(np.argmax(np.abs(lags)))
    frequency_hz = grid.bins_hz
    low = np.where(frequency_hz <= top_hz, 1.0, 0.0)
    plain = np.fft.irfft(pair.cross * low, grid.transform)
    scale = np.sqrt(
        np.fft.irfft(pair.left * low, grid.transform)[0] * np.fft.irfft(pair.right * low, grid.transform)[0]
    )
    close, wide = (
        np.concatenate([plain[-lag:], plain[: lag + 1]]) / max(float(scale), 1e-30)
        for lag in (int(reach_s * rate) for reach_s in (_NEAR_S, _APART_S))
    )
    return Alignment(
        delay_s=-(peak - reach) / (rate * _FINER),
        certainty=float(np.abs(lags[peak]) / norm) if norm > 0 else 0.0,
        positive=float(max(0.0, close.max())),
        negative=float(max(0.0, -close.min())),
        turned=bool(lags[peak] < 0),
        adds_when_moved=bool(wide.max() > -wide.min()),
    )
