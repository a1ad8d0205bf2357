"""Patches of takes: features of a fingerprint, and an index of patches of them that is blind to key and to small shifts.

The index compares magnitudes of the two-dimensional Fourier transform of patches of chroma (Bertin-Mahieux & Ellis, Large-scale
cover song recognition using the 2D Fourier transform magnitude, ISMIR 2012).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import chroma
from deskhand.measure.fingerprint import BAND, VOICE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from deskhand.measure.fingerprint import Fingerprint

    Array32 = NDArray[np.float32]

PATCH: Final = 48
"""Frames of a patch: 24 s, some eight bars at a usual tempo."""
_HOP: Final = 24
"""Frames from patch to patch of the take: half a patch."""
_KEPT_HOP: Final = 12
"""Frames from patch to patch of a kept take: the index forgives a shift of some seconds."""
_TEMPI: Final = (0.95, 1.0, 1.05)
"""Tempi at which the take's patches are looked for: a patch finds what is within some 4 % of it."""
_TIME_BINS: Final = 6
"""Lines of a patch's transform over time, on either side of 0: from 20 gained nothing in validations/songs.py, half to tune on."""
_CLASS_BINS: Final = 7
"""Lines over the pitch classes: all that a real signal has."""
_MOST_PATCHES: Final = 40
"""Kept patches looked at for each patch of the take."""
_MOST_CANDIDATES: Final = 6000
"""Candidates that are looked at: they take half a second at most."""
_BATCH: Final = 32
"""Patches of the take that are multiplied with all kept ones at once: they stay in the processor's cache."""
_VOICE_DOWN_DB: Final = 12.0
"""By so much below its loud moments somebody still sings: what bleeds in lies lower. Common practice, no source."""
_MOST_BLEED: Final = 0.95
"""Likeness of the voices to the band from which on they are its bleed. Set by validations/songs.py, half to tune on: where nobody sings 95 %
of the frames lie above 0.96, with bleed 8 or 15 dB down; where somebody does, three quarters below 0.93 and 0.87."""
_BAND_DOWN_DB: Final = 30.0
"""By so much below its loud moments the band is silent. Common practice, no source."""
VOICE_WEIGHT: Final = 0.5
"""Share of the voice in how like two frames are. Common practice, no source."""
_TINY: Final = np.float32(1e-6)
"""Added to lengths, so that silence has none."""


@dataclass(frozen=True, slots=True, eq=False)
class BandFeatures:
    """Features of a take: rows whose inner product is how like two frames are, and where somebody sings."""

    rows: Array32
    """(frames, 24) pitch classes of the band and of the voice."""
    voiced: NDArray[np.bool_]


def band_features(fingerprint: Fingerprint) -> BandFeatures:
    """Features of a fingerprint: without their mean, of length 1, nothing in silence."""
    classes = fingerprint.chroma.astype(np.float32)
    classes -= classes.mean(axis=2, keepdims=True)
    classes /= np.linalg.norm(classes, axis=2, keepdims=True) + _TINY
    level_db = fingerprint.level_db
    loud_db = np.percentile(level_db, 95, axis=1)[:, None]
    sounding = level_db > loud_db - np.array([[_BAND_DOWN_DB], [_VOICE_DOWN_DB]])
    # a microphone that nobody sings into hears the band
    sounding[VOICE] &= (classes[BAND] * classes[VOICE]).sum(axis=1) < _MOST_BLEED
    classes *= sounding[..., None]
    classes[BAND] *= np.sqrt(1.0 - VOICE_WEIGHT)
    classes[VOICE] *= np.sqrt(VOICE_WEIGHT)
    return BandFeatures(np.ascontiguousarray(np.concatenate(list(classes), axis=1)), sounding[VOICE])


def _starts(features: BandFeatures, hop: int) -> NDArray[np.int64]:
    """First frames of a take's patches."""
    return np.arange(0, max(0, len(features.rows) - PATCH) + 1, hop)


def _descriptors(features: BandFeatures, starts: NDArray[np.int64], tempo: float = 1.0) -> Array32:
    """(patches, values) of the patches that begin at some frames: blind to key and to shifts."""
    import scipy.fft

    positions = np.minimum(starts[:, None] + np.arange(PATCH) * tempo, len(features.rows) - 1)
    below = positions.astype(np.int64)
    above = np.minimum(below + 1, len(features.rows) - 1)
    share = (positions - below).astype(np.float32)[..., None]
    patches = (
        features.rows[below] if tempo == 1.0 else features.rows[below] * (1 - share) + features.rows[above] * share
    )
    window = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(PATCH) + 0.5) / PATCH)).astype(np.float32)
    patches = (patches * window[:, None]).reshape(len(starts), PATCH, 2, chroma.CLASSES)
    lines = np.abs(scipy.fft.fft(scipy.fft.rfft(patches, axis=3)[..., 1:_CLASS_BINS], axis=1))
    kept = np.concatenate([lines[:, : _TIME_BINS + 1], lines[:, -_TIME_BINS:]], axis=1)
    return kept.reshape(len(starts), -1).astype(np.float32)


def candidates(own: BandFeatures, kept: Mapping[int, BandFeatures]) -> list[tuple[int, int, int]]:
    """Likely pairs of patches (first frame in the take, number of the kept take, first frame in it), the likeliest first.

    Parameters
    ----------
    own : BandFeatures
    kept : mapping
        Number of a kept take to its features.
    """
    starts = _starts(own, _HOP)
    kept_starts = [(take, int(start)) for take, features in kept.items() for start in _starts(features, _KEPT_HOP)]
    kept_patches = np.concatenate([_descriptors(features, _starts(features, _KEPT_HOP)) for features in kept.values()])
    mean, spread = kept_patches.mean(axis=0), kept_patches.std(axis=0) + _TINY

    def unit(values: Array32) -> Array32:
        scaled = (values - mean) / spread
        return np.asarray(scaled / (np.linalg.norm(scaled, axis=-1, keepdims=True) + _TINY), np.float32)

    kept_patches = unit(kept_patches)
    own_patches = np.stack([unit(_descriptors(own, starts, tempo)) for tempo in _TEMPI])
    most = min(_MOST_PATCHES, len(kept_patches))
    pairs: list[tuple[float, int, int]] = []
    for first in range(0, len(starts), _BATCH):
        batch = own_patches[:, first : first + _BATCH]
        products = batch.reshape(-1, batch.shape[2]) @ kept_patches.T
        likeness = products.reshape(len(_TEMPI), batch.shape[1], -1).max(axis=0)
        best = np.argpartition(likeness, -most, axis=1)[:, -most:]
        pairs += [
            (float(likeness[row, column]), first + row, int(column))
            for row, columns in enumerate(best)
            for column in columns
        ]
    pairs = sorted(pairs, reverse=True)[:_MOST_CANDIDATES]
    return [(int(starts[patch]), *kept_starts[kept_patch]) for _, patch, kept_patch in pairs]
