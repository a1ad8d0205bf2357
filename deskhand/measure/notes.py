"""Articulation and tail: beginnings of notes and their dying away, from the onsets and free decays of the pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.figures import TAIL_OCTAVES_HZ
from deskhand.measure.spread import half_width, half_width_of_median, places

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LEAST_DECAYS: Final = 12
"""Fewer decays say nothing of the tail. Common practice, no source; docs/validation-tails.md counts what it leaves out."""
LEAST_ONSETS: Final = 12
"""Fewer onsets say nothing of the articulation. Common practice, no source."""
_KERNEL: Final = 0.12
"""Width of the kernel over ln(tail). Ours, no source; docs/validation-tails.md has the errors it leaves."""
_TAILS_S: Final = np.geomspace(0.05, 12.0, 480)
_FALL_DB: Final = (8.0, 45.0)
"""Weights of a decay by its fall: the least that is found, and the most that counts. Common practice, no source."""
_AGREE: Final = 0.25
"""Share of the weight that must lie near the mode. Common practice, no source."""
_SURE: Final = 0.35
"""Half the width of the 95 % interval of ln(tail) up to which a tail is told. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tail:
    """Observed decay in one band."""

    tail_s: float | None
    """Seconds for a fall of 60 dB; None when it cannot be told."""
    tail_s_pm: float | None
    """Half the width of the central 95 % of the tails of its decays drawn anew. It tells how far the decays agree, not how near they come to a
    room: of rooms known to docs/validation-tails.md it holds three in four for a guitar, one in four for a voice of few endings."""
    decays: int
    reason: str = ""
    """Reason why it cannot be told."""


def _densities(tails_s: NDArray[np.floating], weights: NDArray[np.floating]) -> NDArray[np.float64]:
    """Densities (decays, grid) that each decay adds at each tail of the grid."""
    apart = (np.log(tails_s)[:, None] - np.log(_TAILS_S)) / _KERNEL
    return np.asarray(weights[:, None] * np.exp(-0.5 * apart**2))


def observed_tail(decays: NDArray[np.floating], band: int) -> Tail:
    """Tail on which most of the free decays in a band agree.

    Parameters
    ----------
    decays : (decays, 4) array
        Band, start in s, seconds for 60 dB, fall in dB.
    band : int
        Number among `TAIL_OCTAVES_HZ`; one more is all of them.

    Returns
    -------
    Tail
        The mode of the decays' lengths on a logarithmic axis, each weighted by how far it falls. None for fewer than
        12 decays, when less than a quarter of their weight lies near the mode, or when resampling the decays moves it.

    References
    ----------
    Ratnam et al. 2003, doi:10.1121/1.1616578: many decays, of which those that end freely agree; decision by the
    statistics of all of them. The mode and its kernel are ours.
    """
    chosen = decays[decays[:, 0] == band]
    count = len(chosen)
    if count < LEAST_DECAYS:
        return Tail(tail_s=None, tail_s_pm=None, decays=count, reason=f"only {count} notes die away freely")
    weights = np.clip(chosen[:, 3], *_FALL_DB)
    densities = _densities(chosen[:, 2], weights)
    total = densities.sum(axis=0)
    best = int(total.argmax())
    drawn = np.array([np.bincount(draw, minlength=count) for draw in places(count)], np.float64)
    modes = np.log(_TAILS_S[(drawn @ densities).argmax(axis=1)])
    half_width_ln = half_width(np.asarray(modes))
    agreeing = np.abs(np.log(chosen[:, 2] / _TAILS_S[best])) < 2.0 * _KERNEL
    if weights[agreeing].sum() < _AGREE * weights.sum() or half_width_ln is None or half_width_ln > _SURE:
        return Tail(tail_s=None, tail_s_pm=None, decays=count, reason="its notes die away in too many ways")
    tail_s = float(_TAILS_S[best])
    return Tail(tail_s=tail_s, tail_s_pm=tail_s * half_width_ln, decays=count)


def tails(decays: NDArray[np.floating]) -> tuple[Tail, dict[str, float] | None]:
    """Tail of all bands together, and of each octave where it can be told (None when in none)."""
    octaves = {f"{hz:g}": observed_tail(decays, band).tail_s for band, hz in enumerate(TAIL_OCTAVES_HZ)}
    known = {name: round(tail_s, 3) for name, tail_s in octaves.items() if tail_s is not None}
    return observed_tail(decays, len(TAIL_OCTAVES_HZ)), known or None


def articulation_db(onsets: NDArray[np.floating]) -> tuple[float | None, float | None]:
    """Median contrast of the onsets at 2 to 8 kHz in dB, and how sure it is; None for fewer than 12.

    Parameters
    ----------
    onsets : (onsets, 2) array
        Time in s, contrast in dB: see `deskhand.dsp.decays.onsets`.
    """
    if len(onsets) < LEAST_ONSETS:
        return None, None
    contrasts = np.asarray(onsets[:, 1], np.float64)
    return float(np.median(contrasts)), half_width_of_median(contrasts)


def together(parts: Sequence[Sequence[NDArray[np.float32]]], columns: int) -> NDArray[np.float32]:
    """Join the decays or onsets of several tracks into one (rows, columns) array."""
    arrays = [array for part in parts for array in part]
    return np.concatenate(arrays) if arrays else np.empty((0, columns), np.float32)
