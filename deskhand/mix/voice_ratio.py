"""Lead voice against everything else in a recorded mix, from the sources' energies, as its faders are found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.mix.faders import _BANDS as FITTED_BANDS
from deskhand.mix.faders import _source_energies, _weighted
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.figures import Figures
    from deskhand.mix.bus import Strip

    Array = NDArray[np.float64]

_BANDS: Final = slice(6, 21)
"""200 Hz to 5 kHz of the bands from 50 Hz to 12.5 kHz: where words are (ANSI S3.5-1997 gives what lies outside a tenth of the importance)."""
_LEAST_S: Final = 10
"""Seconds of singing that it needs, as a fader does. Common practice, no source."""
_MOST_SECONDS: Final = 300
"""Seconds that are used, spread over the singing: a bound on the work. Common practice, no source."""
_RESAMPLES: Final = 20
"""Resamples of the seconds for its interval: a bound on the work. Common practice, no source."""
_KNOWN_DB: Final = 3.0
"""A ratio that is less sure than this is not known. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceRatio:
    """Energy of the lead voice against that of all others while it sings."""

    ratio_db: float
    ratio_db_pm: float
    """Half the width of its 95 % interval, by resampling seconds."""


def voice_ratio(
    figures: Figures, strips: Sequence[Strip], mix: tuple[int, ...], voice: str, blocks: NDArray[np.bool_]
) -> VoiceRatio | None:
    """Lead voice against all others in a recorded mix, 200 Hz to 5 kHz; None where it cannot be told.

    Parameters
    ----------
    figures : Figures
        Of all rows: sources after their chains, and the tracks of the mix.
    strips : sequence of Strip
        Sources that may be in it.
    mix : one or two track positions
    voice : str
        Lead voice, one of the strips.
    blocks : (blocks,) array of bool
        True for the blocks of 100 ms in which it sings.
    """
    names = [strip.source for strip in strips]
    if voice not in names or not mix:
        return None
    tone = np.array([figures.tracks[track].tone[:, FITTED_BANDS] for track in mix], np.float64).mean(axis=0)
    sources = np.stack([_source_energies(figures, strip) for strip in strips], axis=-1)
    count = min(len(tone), len(blocks) // 10)
    sings = blocks[: 10 * count].reshape(count, 10).mean(axis=1) >= 0.5
    known = np.flatnonzero(
        sings & np.isfinite(tone[:count]).all(axis=1) & np.isfinite(sources[:count]).all(axis=(1, 2))
    )
    if known.size < _LEAST_S:
        return None
    seconds = known[:: -(-known.size // _MOST_SECONDS)]
    rng = np.random.default_rng(1)
    index = names.index(voice)
    ratio_db = _ratio_db(sources[seconds], tone[seconds], index)
    if ratio_db is None:
        return None
    resampled = [
        resampled_db
        for _ in range(_RESAMPLES)
        if (drawn := seconds[rng.integers(seconds.size, size=seconds.size)]) is not None
        and (resampled_db := _ratio_db(sources[drawn], tone[drawn], index)) is not None
    ]
    if len(resampled) < _RESAMPLES // 2:
        return None
    half_db = 0.5 * float(np.ptp(np.percentile(resampled, (2.5, 97.5))))
    return None if half_db > _KNOWN_DB else VoiceRatio(ratio_db=ratio_db, ratio_db_pm=half_db)


def _ratio_db(sources: Array, tone: Array, index: int) -> float | None:
    """Energy of one source against what is left of the mix, in dB; None where it makes none or all of it."""
    power_gains = _weighted(sources.reshape(-1, sources.shape[-1]), tone.reshape(-1))
    if power_gains is None:
        return None
    voice = float((power_gains[index] * sources[:, _BANDS, index]).sum())
    band = float((sources[:, _BANDS] @ power_gains).sum()) - voice
    return float(db_from_power(voice / band)) if voice > 0 and band > 0 else None
