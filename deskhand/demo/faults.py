"""Faults that are planted on purpose, each with its truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.signal as ss

from deskhand.demo.sounds import RATE_HZ, SINE_OFFSET_DB
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Tracks = dict[str, NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedFault:
    """Fault made on purpose."""

    source: str
    kind: str
    at_s: tuple[float, ...] = ()
    """Moments at which it happens, where it has some."""
    description: str = ""


def gain(tracks: Tracks, names: list[str], change_db: float) -> None:
    """Too little or too much gain; what passes full scale is cut by the writer."""
    for name in names:
        tracks[name] = tracks[name] * amplitude_from_db(change_db)


def hum(tracks: Tracks, name: str, level_dbfs: float, mains_hz: float = 50.03) -> None:
    """Mains hum with harmonics."""
    time_s = np.arange(tracks[name].size) / RATE_HZ
    wave = sum(
        share * np.sin(2 * np.pi * mains_hz * multiple * time_s + multiple)
        for multiple, share in ((1, 1.0), (2, 0.5), (3, 0.7), (5, 0.4), (7, 0.2))
    )
    wave = np.asarray(wave) / np.sqrt(np.mean(np.asarray(wave) ** 2))
    tracks[name] = tracks[name] + wave * amplitude_from_db(level_dbfs - SINE_OFFSET_DB)


def invert(tracks: Tracks, name: str) -> None:
    """Reverse the polarity."""
    tracks[name] = -tracks[name]


def dies(tracks: Tracks, name: str, at_s: float, rng: np.random.Generator) -> None:
    """A cable comes loose: only the converter's noise is left."""
    first = round(at_s * RATE_HZ)
    noise = rng.standard_normal(tracks[name].size) * amplitude_from_db(-112)
    fade = np.clip((first - np.arange(tracks[name].size)) / (0.004 * RATE_HZ), 0.0, 1.0)
    tracks[name] = tracks[name] * fade + noise


def dropouts(tracks: Tracks, name: str, at_s: tuple[float, ...], length_s: float = 0.02) -> None:
    """Samples lost on the way."""
    sound = tracks[name].copy()
    for moment in at_s:
        first = round(moment * RATE_HZ)
        sound[first : first + round(length_s * RATE_HZ)] = 0.0
    tracks[name] = sound


def wireless_hits(
    tracks: Tracks, name: str, at_s: tuple[float, ...], rng: np.random.Generator, level: float = 0.06
) -> None:
    """Bursts of noise from a radio link that loses its carrier."""
    sound = tracks[name].copy()
    low_pass = ss.butter(4, 17000, "lowpass", fs=RATE_HZ, output="sos")
    for moment in at_s:
        first, span = round(moment * RATE_HZ), round(0.06 * RATE_HZ)
        sound[first : first + span] = level * ss.sosfilt(low_pass, rng.standard_normal(span))
    tracks[name] = sound


def clicks(tracks: Tracks, name: str, at_s: tuple[float, ...], height: float = 0.2) -> None:
    """Single wrong samples."""
    sound = tracks[name].copy()
    for moment in at_s:
        sound[round(moment * RATE_HZ)] += height
    tracks[name] = sound


def howl(
    tracks: Tracks, name: str, at_s: float, rng: np.random.Generator, hz: float = 2650.0, length_s: float = 2.2
) -> None:
    """Feedback: a tone that grows until somebody turns it down."""
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    envelope = 10.0 ** ((-62 + 48 * np.minimum(1.0, time_s / (0.8 * length_s))) / 20.0)
    envelope *= np.minimum(1.0, (length_s - time_s) / 0.15)
    first = round(at_s * RATE_HZ)
    sound = tracks[name].copy()
    tone = envelope * np.sin(2 * np.pi * hz * time_s + rng.uniform(0, 6))
    sound[first : first + tone.size] += tone[: sound.size - first]
    tracks[name] = sound


def leak(tracks: Tracks, origin: str, target: str, level_db: float, delay_s: float = 0.0009) -> None:
    """One track heard in another: headphones beside a microphone."""
    bleed = ss.sosfilt(ss.butter(1, (500, 5000), "bandpass", fs=RATE_HZ, output="sos"), tracks[origin])
    bleed = np.concatenate([np.zeros(round(delay_s * RATE_HZ)), bleed])[: bleed.size]
    loud_rms = np.sqrt(np.mean(bleed[np.abs(bleed) > 0.1 * np.abs(bleed).max()] ** 2))
    target_rms = np.sqrt(np.mean(tracks[target] ** 2))
    tracks[target] = tracks[target] + bleed / loud_rms * target_rms * amplitude_from_db(level_db)


def late(tracks: Tracks, name: str, delay_s: float) -> None:
    """Delay a track by some time."""
    tracks[name] = np.concatenate([np.zeros(round(delay_s * RATE_HZ)), tracks[name]])[: tracks[name].size]


def offset(tracks: Tracks, name: str, share: float) -> None:
    """Direct current, as a share of full scale."""
    tracks[name] = tracks[name] + share


def clip(tracks: Tracks, name: str, drive_db: float, gain_after_db: float) -> None:
    """Cut flat in something before the desk, then turned down."""
    top = np.abs(tracks[name]).max() * amplitude_from_db(-drive_db)
    tracks[name] = np.clip(tracks[name], -top, top) * amplitude_from_db(gain_after_db)
