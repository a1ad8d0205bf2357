"""Tone: third-octave levels of the playing, their tilt, harshness, loudness and sharpness."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import hearing
from deskhand.dsp.spectrum import NOMINAL_HZ, exact_hz
from deskhand.dsp.weighting import weighting_db
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

LISTENING_DBA: Final = 80.0
"""A-weighted listening level where a house states none. Common practice, no source."""
_BARK: Final = 0.1 * np.arange(1, hearing.SPECIFIC + 1)
_HARSH_LOW_BARK, _HARSH_HIGH_BARK = 13.0, 18.6
"""2 to 5 kHz (Zwicker 1961: 13 Bark ends at 2 kHz, 18.6 lies at 5 kHz)."""


def octaves(bands: NDArray[np.floating]) -> NDArray[np.float64]:
    """Power (..., 8) in the octaves 63 Hz to 8 kHz, of (..., 31) third-octaves."""
    # octaves are three neighbours; the band of 20 Hz belongs to the octave of 16 Hz
    thirds = np.asarray(bands[..., 1:28], np.float64)
    return np.asarray(thirds.reshape(*bands.shape[:-1], 9, 3).sum(axis=-1)[..., 1:])


def levels_db(tone_db: Mapping[str, float]) -> NDArray[np.float64]:
    """Third-octave levels (31,) of a tone reading; -inf where nothing sounds."""
    return np.array([tone_db.get(f"{band:g}", -np.inf) for band in NOMINAL_HZ])


def tilt_db_per_octave(tone_db: dict[str, float]) -> float | None:
    """Least-squares slope over the octaves 63 Hz to 8 kHz that lie within 45 dB of the whole; four at least."""
    octave_power = octaves(power_from_db(levels_db(tone_db)))
    sounding = octave_power > power_from_db(-45.0)
    if sounding.sum() < 4:
        return None
    return float(np.polyfit(np.arange(octave_power.size)[sounding], db_from_power(octave_power[sounding]), 1)[0])


def playing_seconds(tone: NDArray[np.floating], blocks: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(seconds,) True for those in which the source plays for at least half, or for the most active one."""
    seconds = tone.shape[0]
    padded = np.zeros(10 * seconds)
    padded[: min(blocks.size, padded.size)] = blocks[: padded.size]
    share = padded.reshape(seconds, 10).mean(axis=1)
    usable = np.isfinite(tone).all(axis=1)
    return np.asarray(usable & (share >= min(0.5, share[usable].max() if usable.any() else 1.0)) & (share > 0))


def tone_db(tone: NDArray[np.float32], blocks: NDArray[np.bool_]) -> dict[str, float] | None:
    """Band levels over the seconds in which the source plays (`playing_seconds`)."""
    chosen = playing_seconds(tone, blocks)
    if not chosen.any():
        return None
    power = tone[chosen].mean(axis=0, dtype=np.float64)
    total = power.sum()
    if total <= 0:
        return None
    return {
        f"{band:g}": round(db_from_power(float(value / total)), 2)
        for band, value in zip(NOMINAL_HZ, power, strict=True)
        if value > 0
    }


def harshest_s(tone: NDArray[np.floating], blocks: NDArray[np.bool_], *, most: int = 3) -> list[tuple[float, float]]:
    """Stretches in which most of the sound lies from 2 to 5 kHz.

    Parameters
    ----------
    tone : (seconds, 31) array
        Power in third-octaves.
    blocks : (blocks,) bool array
        True where the source plays, every 0.1 s.
    most : int
        Number of stretches at most.

    Returns
    -------
    list of (from, to) in seconds
        Of the tenth of the playing with the largest share, A-weighted, in order of time; neighbours joined.
    """
    seconds = min(len(tone), -(-blocks.size // 10))
    padded = np.zeros(10 * seconds)
    padded[: min(blocks.size, padded.size)] = blocks[: padded.size]
    playing = padded.reshape(seconds, 10).mean(axis=1) >= 0.5
    weighted = np.nan_to_num(np.asarray(tone[:seconds], np.float64)) * power_from_db(weighting_db("A", exact_hz()))
    bright = weighted[:, [band for band, hz in enumerate(NOMINAL_HZ) if 2000 <= hz <= 5000]].sum(axis=1)
    share = np.where(playing, bright / np.maximum(weighted.sum(axis=1), 1e-30), 0.0)
    if not playing.any():
        return []
    limit = np.percentile(share[playing], 90)
    spans: list[list[float]] = []
    for second in np.flatnonzero(playing & (share >= limit)):
        if spans and second <= spans[-1][1] + 1:
            spans[-1][1] = float(second + 1)
        else:
            spans.append([float(second), float(second + 1)])
    longest = sorted(spans, key=lambda span: span[0] - span[1])[:most]
    return [(begin, end) for begin, end in sorted(longest)]


def as_heard(tone: dict[str, float] | None, level_dba: float) -> tuple[float | None, float | None, float | None]:
    """Loudness in sone, its part between 2 and 5 kHz, and sharpness in acum, of a tone at a listening level."""
    if tone is None:
        return None, None, None
    levels = levels_db(tone)[1:29]
    weighted = float(power_from_db(levels + weighting_db("A", exact_hz()[1:29])).sum())
    loudness, specific = hearing.stationary_loudness(np.minimum(levels + level_dba - db_from_power(weighted), 120.0))
    harsh = float(specific[(_BARK > _HARSH_LOW_BARK) & (_BARK <= _HARSH_HIGH_BARK)].sum() * 0.1)
    sharpness = hearing.sharpness_acum(loudness, specific)
    return loudness, harsh, sharpness if np.isfinite(sharpness) else None
