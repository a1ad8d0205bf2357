"""Tone as it is heard: its octaves weighed by the ear against the whole, one passage of the playing after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from deskhand.dsp.loudness_level import spl_from_phon
from deskhand.dsp.spectrum import exact_hz
from deskhand.measure.tone import playing_seconds
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

OCTAVES_HZ: Final = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
"""Nominal octaves of a tone (IEC 61260-1)."""
FLOOR_DB: Final = -38.0
"""Soft floor of a tone: what lies further below the whole is hardly heard in it, and its level is chance. Common practice, no source; with
30 dB the top octave of strings and voices was none of their tone (validations/clean_stage.py, half to tune on)."""
PASSAGE_S: Final = 20
"""Playing that makes one passage: a verse, of which a song has several. Common practice, no source."""
_LOUDNESS_PHON: Final = 80.0
"""Equal-loudness contour (ISO 226:2023) by which a tone is weighed: about how loud a band is heard. Common practice, no source."""
_SMOOTHING_OCTAVE: Final = 0.4
"""Standard deviation of the weights around an octave's centre, so that a note that moves across the edge of a band is no other tone.
Common practice, no source."""


def _kernel() -> Array:
    """(8, 31) weights from the power in third-octaves to the tone at each octave's centre."""
    bands = exact_hz()
    known = np.clip(bands, 20.0, 12500.0)
    level = spl_from_phon(np.full(bands.size, _LOUDNESS_PHON), known)
    ear_weights = power_from_db(_LOUDNESS_PHON - level)
    bands_octave = np.log2(bands)
    off = (np.log2(np.array(OCTAVES_HZ))[:, None] - bands_octave) / _SMOOTHING_OCTAVE
    weights = np.exp(-0.5 * off**2)
    return np.asarray(weights * ear_weights)


_KERNEL: Final = _kernel()


def tone_of(levels_db: Array) -> Array:
    """(..., 8) tone around the octave centres of (..., 31) third-octave levels, as `tone_vector`."""
    power = power_from_db(levels_db) @ _KERNEL.T
    whole = np.maximum(power.sum(axis=-1, keepdims=True), 1e-20)
    return np.asarray(db_from_power(power / whole + power_from_db(FLOOR_DB)))


def octave_pairs() -> tuple[tuple[int, int], ...]:
    """Octaves two by two, each with itself and with every higher one, as a scatter between passages is written down."""
    return tuple((low, high) for number, low in enumerate(OCTAVES_HZ) for high in OCTAVES_HZ[number:])


class PassageTones(NamedTuple):
    """Tone of the passages of a take."""

    tone_db: dict[str, float]
    """Octave to its level, the mean over the passages in dB: a loud song weighs no more than a soft one."""
    scatter_db2: dict[str, float]
    """Two octaves ("63 125") to the covariance of their levels between passages; empty for a single passage."""
    passages: float


def passage_tones(tone: NDArray[np.floating], blocks: NDArray[np.bool_]) -> PassageTones | None:
    """Tones of the passages that a source plays; None where it plays nothing.

    Parameters
    ----------
    tone : (seconds, 31) array
        Mean power of each second in third-octaves.
    blocks : (blocks,) array of bool
        True for the blocks of 100 ms in which it plays.

    Returns
    -------
    PassageTones or None
    """
    power = _passage_power(tone[None], playing_seconds(tone, blocks))
    if not len(power):
        return None
    tones_db = tone_of(db_from_power(np.maximum(power[:, 0], 1e-20)))
    return PassageTones(
        tone_db=_mean_by_octave(tones_db), scatter_db2=_scatter_by_octaves(tones_db), passages=float(len(tones_db))
    )


class SideTones(NamedTuple):
    """Tone of the right side less that of the left, of the passages of a pair."""

    tone_db: dict[str, float]
    """Octave to the difference, the mean over the passages."""
    scatter_db2: dict[str, float]
    """Two octaves ("63 125") to the covariance of their differences between passages; empty for a single passage."""


def side_tones(left: NDArray[np.floating], right: NDArray[np.floating], blocks: NDArray[np.bool_]) -> SideTones | None:
    """Tones of a pair's sides against each other; None where it plays nothing, or a side carries nothing.

    Parameters
    ----------
    left, right : (seconds, 31) array
        Mean power of each second in third-octaves.
    blocks : (blocks,) array of bool
        True for the blocks of 100 ms in which the pair plays.

    Returns
    -------
    SideTones or None
    """
    power = _passage_power(np.stack([left, right]), playing_seconds(0.5 * (left + right), blocks))
    if not len(power):
        return None
    tones_db = tone_of(db_from_power(np.maximum(power, 1e-20)))
    apart_db = tones_db[:, 1] - tones_db[:, 0]
    return SideTones(tone_db=_mean_by_octave(apart_db), scatter_db2=_scatter_by_octaves(apart_db))


def _passage_power(tones: Array | NDArray[np.floating], playing: NDArray[np.bool_]) -> Array:
    """(passages, sides, 31) mean power of (sides, seconds, 31), passage by passage; those in which a side carries nothing are left out."""
    chosen = np.flatnonzero(playing)
    if not chosen.size:
        return np.empty((0, len(tones), tones.shape[-1]))
    # what is left over belongs to the last one
    count = max(1, chosen.size // PASSAGE_S)
    passages = np.array_split(chosen, [PASSAGE_S * number for number in range(1, count)])
    power = np.array([tones[:, seconds].mean(axis=1, dtype=np.float64) for seconds in passages])
    return np.asarray(power[(power.sum(axis=-1) > 0).all(axis=1)])


def _mean_by_octave(tones_db: Array) -> dict[str, float]:
    """Octave to the mean over the passages of (passages, 8) levels."""
    return {
        f"{octave}": round(float(level), 3) for octave, level in zip(OCTAVES_HZ, tones_db.mean(axis=0), strict=True)
    }


def _scatter_by_octaves(tones_db: Array) -> dict[str, float]:
    """Two octaves to the covariance of (passages, 8) levels; empty for a single passage."""
    if len(tones_db) < 2:
        return {}
    covariance = np.cov(tones_db.T)
    places = {octave: index for index, octave in enumerate(OCTAVES_HZ)}
    return {f"{low} {high}": round(float(covariance[places[low], places[high]]), 4) for low, high in octave_pairs()}
