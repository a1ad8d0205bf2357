"""One signal at every sample rate and offset, and how far its readings spread."""

from __future__ import annotations

import functools
from dataclasses import fields
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soxr

from deskhand.measure.loud_moments import exceeded_loudness_sone
from deskhand.measure.provider import providers
from deskhand.measure.readings import Readings
from tests.support.feed import reading_of
from tests.support.signals import amplitude, hits, pink, plucks, sine, speech_like

if TYPE_CHECKING:
    pass

MASTER_HZ: Final = 96000

"""As high as any version: nothing but the lower rates is resampled."""

RATES_HZ: Final = (44100, 48000, 96000)

LENGTH_S: Final = 22.0

TOP_HZ: Final = 18000.0

LISTENING_DBA: Final = 80.0

Flat = dict[str, float | None]

"""Reading to value; of those by band, "name.band"."""

MOVES: Final = (
    "level_dbfs", "loud_dbfs", "rms_dbfs", "peak_dbfs", "true_peak_dbtp", "loudness_lufs", "momentary_max_lufs",
    "short_term_max_lufs", "level_distribution_dbfs", "noise_dbfs", *(provider.name for provider in providers() if provider.follows_gain),
)  # fmt: skip

"""By the gain."""

ROUNDED: Final = ("level_distribution_dbfs", "tone_db", "width_octave_db", "mono_loss_octave_db")

"""To 0.01 dB."""

LIMITS: Final = {
    # power is power at every rate
    "active_fraction": 0.005, "level_dbfs": 0.01, "loud_dbfs": 0.01, "rms_dbfs": 0.01, "level_distribution_dbfs": 0.02,
    "noise_dbfs": 0.01, "width_db": 0.01, "balance_db": 0.01, "correlation": 0.001, "mono_loss_db": 0.01,
    # the K-weighting is derived for each rate
    "loudness_lufs": 0.01, "momentary_max_lufs": 0.01, "short_term_max_lufs": 0.01, "loudness_range_lu": 0.01,
    # samples lie elsewhere on the wave; between them four times oversampling at 44.1 and 48 kHz, two times at 96 kHz
    "peak_dbfs": 0.3, "crest_db": 0.3, "true_peak_dbtp": 0.1,
    # bands are sums of bins, which lie elsewhere at 44.1 kHz: a tone near an edge falls to another side; levels over -40 dB
    "tone_db": 0.4, "passage_tone_db": 0.4, "passage_scatter_db2": 0.4, "passages": 0.0,
    "side_tone_db": 0.4, "side_scatter_db2": 0.4, "width_octave_db": 1.0, "mono_loss_octave_db": 0.05,
    "sharpness_acum": 0.005, "loudness_sone": 0.1, "harsh_sone": 0.02, "loudness_n5_sone": 0.5,
    # octave filters are warped near half the rate; tails lie on a grid of 1.2 %
    "articulation_db": 0.3, "tail_s": 0.03, "tail_octave_s": 0.06, "hum_db": 0.05, "delay_ms": 0.005,
    # resampling draws from other values
    "level_dbfs_pm": 0.01, "loud_dbfs_pm": 0.01, "loudness_lufs_pm": 0.01, "crest_db_pm": 0.3, "articulation_db_pm": 0.25,
    "tail_s_pm": 0.02, "width_db_pm": 0.01, "balance_db_pm": 0.01, "correlation_pm": 0.001, "mono_loss_db_pm": 0.01,
} | {provider.name: provider.rates_apart for provider in providers()}  # fmt: skip

"""How far a reading may lie apart between 44.1, 48 and 96 kHz, in its own unit: for a sound that ends at 18 kHz."""

HEARD_DB: Final = -40.0

"""Bands below this in the tone, and octaves narrower than this, are not compared."""


def rests(length_s: float, *, on_s: float = 6.0, off_s: float = 5.0) -> np.ndarray:
    """1 while it plays, 0 in the rests, with ramps of 20 ms."""
    turn_s = np.mod(np.arange(round(length_s * MASTER_HZ)) / MASTER_HZ, on_s + off_s)
    return np.asarray(np.clip(turn_s / 0.02, 0.0, 1.0) * np.clip((on_s - turn_s) / 0.02, 0.0, 1.0))


def band_limited(sound: np.ndarray) -> np.ndarray:
    """(channels, frames) without what lies above 18 kHz; linear phase."""
    low_pass = ss.firwin(2047, TOP_HZ, fs=MASTER_HZ, window=("kaiser", 12.0))
    return np.asarray(ss.oaconvolve(np.atleast_2d(sound), low_pass[None], mode="same", axes=1))


def _guitars() -> np.ndarray:
    """A pair with something in common; squashed, so that its soft moments stay well above every gate."""
    one = plucks(np.random.default_rng(5), LENGTH_S, rate_hz=MASTER_HZ)
    other = plucks(np.random.default_rng(8), LENGTH_S, every_s=0.53, level_dbfs=-26.0, rate_hz=MASTER_HZ)
    return np.tanh(10.0 * np.stack([one, 0.7 * np.roll(one, 48) + other])) * rests(LENGTH_S)


def _voice() -> np.ndarray:
    """Squashed for the same reason."""
    return np.tanh(20.0 * speech_like(np.random.default_rng(6), LENGTH_S, -20.0, rate_hz=MASTER_HZ)) * rests(LENGTH_S)


def _hits() -> np.ndarray:
    """Stretches of 2 s at other speeds each: nobody keeps exact time."""
    rng = np.random.default_rng(7)
    parts = [hits(rng, 2.0, every_s=rng.uniform(0.2, 0.28), rate_hz=MASTER_HZ) for _ in range(round(LENGTH_S / 2.0))]
    return np.concatenate(parts)


MASTERS: Final = {"guitars": _guitars, "voice": _voice, "hits": _hits}

STRIKING: Final = ("hits",)


@functools.cache
def master(name: str) -> np.ndarray:
    """(channels, frames) at 96 kHz, band-limited, with a peak of -21 dBFS; in the rests noise (and a hum), under every gate."""
    sound = np.atleast_2d(MASTERS[name]())
    rng = np.random.default_rng(9)
    floor = np.stack([pink(rng, LENGTH_S, -100.0, rate_hz=MASTER_HZ) for _ in sound])
    hum = sum(sine(50.0 * n, LENGTH_S, level_dbfs=-94.0 - n, rate_hz=MASTER_HZ) for n in (1, 2, 3))
    floor = floor + hum if name == "guitars" else floor
    return band_limited(sound * amplitude(-21.0) / np.abs(sound).max() + floor)


def at_rate(sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """A master at another rate."""
    if rate_hz == MASTER_HZ:
        return sound
    return np.ascontiguousarray(soxr.resample(sound.T, MASTER_HZ, rate_hz, quality="VHQ").T)


def every_reading(sound: np.ndarray, *, rate_hz: int, strikes: bool) -> Flat:
    """All of `Readings`, by name and band."""
    readings = reading_of(sound, sample_rate_hz=rate_hz, strikes=strikes).readings
    out: Flat = {}
    for item in fields(Readings):
        value = getattr(readings, item.name)
        if item.name == "not_measured":
            continue
        if isinstance(value, dict):
            out |= {f"{item.name}.{band}": level for band, level in value.items()}
        else:
            out[item.name] = value
    # the check fills this in, from the samples
    stretch = sound[:, : 6 * rate_hz]
    out["loudness_n5_sone"] = exceeded_loudness_sone(stretch, sample_rate_hz=rate_hz, level_dba=LISTENING_DBA)
    return out


@functools.cache
def read(name: str, rate_hz: int, gain_db: float = 0.0) -> Flat:
    sound = at_rate(master(name), rate_hz) * amplitude(gain_db)
    return every_reading(sound, rate_hz=rate_hz, strikes=name in STRIKING)


def spreads(versions: list[Flat]) -> dict[str, float]:
    """Largest difference between versions, by reading; infinite when one of them has it and another has not."""
    out: dict[str, float] = {}
    for name in dict.fromkeys(name for version in versions for name in version):
        base, _, band = name.partition(".")
        values = [version.get(name) for version in versions]
        known = [value for value in values if value is not None]
        if not known or (band and base in ("tone_db", "width_octave_db") and max(known) < HEARD_DB):
            continue
        spread = max(known) - min(known) if len(known) == len(values) else float("inf")
        out[base] = max(spread, out.get(base, 0.0))
    return out
