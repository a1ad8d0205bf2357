"""Spreads that are known before anything is kept: of a number by role, of tones and widths by octave."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house.roles import ROLES, ToneFamily

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

TONE_PLAYER_RATIO: Final = 1.0
"""Variance of a tone between players over that of one player from week to week. Common practice, no source."""
_KIT_APART: Final = 6.0
"""Factor on the variance between players of drums, since who plays them may bring them. Common practice, no source."""
_CORRELATION: Final = 0.5
"""Correlation between neighbouring octaves. Common practice, no source."""
_WIDTH_SPREAD_DB: Final = {63: 3.0, 125: 3.0, 250: 2.5, 500: 2.0, 1000: 2.0, 2000: 1.5, 4000: 1.5, 8000: 1.5}
"""Octave to the spread of a pair's width from song to song, read from openly licensed recordings of guitars, a piano and drums."""
_ANY_SPREADS_DB: Final = (2.0, 2.0, 1.8, 1.2, 1.0, 1.0, 1.0, 1.2)
"""Octaves of one player and rig in another song and key: within about 2 dB an octave, more below 125 Hz, read from openly licensed
recordings of one guitarist."""
_KEYS_SPREADS_DB: Final = (1.5, 2.0, 3.5, 1.5, 1.3, 2.5, 2.0, 1.5)
"""Keys in another song and with another sound. Common practice, no source."""
_SINGING_SPREADS_DB: Final = (1.0, 3.5, 3.5, 1.2, 1.8, 2.5, 2.5, 1.5)
"""A voice's lowest octaves move by 7 dB with the key, read from openly licensed recordings of two singers."""
_SPEECH_SPREADS_DB: Final = (2.4, 3.7, 2.3, 1.0, 1.7, 1.9, 2.3, 2.3)
"""One speaker at other distances from the microphone, and other words: read from the seasons of validations/clean_stage.py, half to
tune on."""
_DRUM_SPREADS_DB: Final = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)
"""One kit in another song. Common practice, no source."""
_CYMBAL_SPREADS_DB: Final = (1.5, 2.5, 2.5, 1.0, 1.5, 2.0, 2.5, 3.0)
"""Overheads: one song is played on the hat and another on the ride, common practice, no source; how much of kick and toms they hear is
read from the seasons of validations/clean_stage.py, half to tune on."""
_PERCUSSION_SPREADS_DB: Final = (3.5, 3.5, 3.5, 3.5, 3.0, 2.5, 1.5, 1.5)
"""Percussion: another song, another instrument; read from the same."""
_TONE_SPREADS_DB: Final[dict[ToneFamily, tuple[float, ...]]] = {
    "singing": _SINGING_SPREADS_DB,
    "speech": _SPEECH_SPREADS_DB,
    "keys": _KEYS_SPREADS_DB,
    "drum": _DRUM_SPREADS_DB,
    "percussion": _PERCUSSION_SPREADS_DB,
    "cymbals": _CYMBAL_SPREADS_DB,
    "any": _ANY_SPREADS_DB,
}
"""Family of tones to the spread of its octaves."""

_SIDE_SPREADS_DB: Final[dict[ToneFamily, tuple[float, ...]]] = {
    # toms and kick lie on one side, and are the song's
    "cymbals": (4.0, 4.0, 4.0, 0.8, 0.4, 0.4, 0.7, 0.4),
    "percussion": (1.4, 1.4, 1.4, 1.4, 1.4, 1.4, 1.4, 1.4),
    # a piano's high notes lie on one side
    "keys": (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
    "any": (0.7, 0.7, 0.7, 0.7, 0.7, 0.7, 0.7, 0.7),
}
"""Family of tones to the spread of the octaves of one side of a pair against the other, from song to song: read from the pairs of
validations/pairs.py, half to tune on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberPrior:
    """Spread of a number that is known before anything is kept."""

    spread: float
    """Standard deviation from week to week of one player's long takes, on the number's scale."""
    sure_after_s: float
    """Playing after which the variance within a take has come down to that between takes; a reading that states its own
    uncertainty goes by that."""
    player_ratio: float
    """Variance between players over the variance of one player from week to week."""
    wider: tuple[tuple[str, float], ...] = ()
    """Roles whose spread is larger, with the factor."""

    def spread_of(self, role: str) -> float:
        """Standard deviation of a role."""
        return self.spread * dict(self.wider).get(role, 1.0)


def player_ratio_of(ratio: float, role: str) -> float:
    """Variance between players over that of one player, of a role."""
    return ratio * _KIT_APART if role in ROLES and ROLES[role].kit else ratio


def tone_covariance(role: str) -> Array:
    """(8, 8) prior covariance of the octave levels of a role, in dB squared. Common practice where no other source is named."""
    spread = np.array(_TONE_SPREADS_DB[ROLES[role].tone_family if role in ROLES else "any"])
    return _covariance(spread, np.arange(spread.size))


def width_covariance(bands_hz: Sequence[int]) -> Array:
    """(n, n) prior covariance of a pair's widths in these octaves, in dB squared."""
    return _covariance(np.array([_WIDTH_SPREAD_DB[band] for band in bands_hz]), np.log2(np.array(bands_hz, float)))


def side_covariance(role: str) -> Array:
    """(8, 8) prior covariance of the octaves of a pair's right side less its left, of a role, in dB squared."""
    family = ROLES[role].tone_family if role in ROLES else "any"
    spread = np.array(_SIDE_SPREADS_DB.get(family, _SIDE_SPREADS_DB["any"]))
    return _covariance(spread, np.arange(spread.size))


def _covariance(spread: Array, octave: NDArray[np.number]) -> Array:
    """(n, n) covariance of levels so many octaves up, of which neighbours go together."""
    return np.asarray(np.outer(spread, spread) * _CORRELATION ** np.abs(octave[:, None] - octave))


def tone_spread_db(role: str, octave: int) -> float:
    """Prior spread of the level around one of the eight octaves of a role, in dB."""
    return _TONE_SPREADS_DB[ROLES[role].tone_family if role in ROLES else "any"][octave]
