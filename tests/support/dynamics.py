"""Detectors and limiters against what they should do on steps and on songs."""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
import scipy.signal as ss

from deskhand.chain.run import run
from deskhand.dsp import dynamics
from tests.support import material
from tests.support.chain import made, read

RATE_HZ: Final = 48000


def smoothed(demand_db: np.ndarray, attack_s: float, release_s: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    out = demand_db.copy()
    dynamics.smooth(out, dynamics.keep(attack_s, rate_hz), dynamics.keep(release_s, rate_hz), np.zeros(1))
    return out


def two_stage(demand_db: np.ndarray, attack_s: float = 0.0) -> np.ndarray:
    out = demand_db.copy()
    dynamics.smooth_two_stage(out, dynamics.keep(attack_s, RATE_HZ), float(RATE_HZ), np.zeros(3))
    return out


def time_constant_s(release_db: np.ndarray, first_s: float, last_s: float) -> float:
    """Of what decays exponentially between two times."""
    first, last = round(first_s * RATE_HZ), round(last_s * RATE_HZ)
    return (last_s - first_s) / float(np.log(release_db[first] / release_db[last]))


def limited(signal: np.ndarray, rate_hz: int = RATE_HZ, **keys: str) -> np.ndarray:
    return run(signal, [made("limiter", **keys)], sample_rate_hz=rate_hz)


@functools.cache
def song(title: str) -> tuple[np.ndarray, int]:
    """Eight seconds of the loud middle of a real song."""
    return read(material.guitar_song(title) / "song.wav", from_s=61.0, length_s=8.0)


def hot(rng: np.random.Generator, rate_hz: int) -> dict[str, np.ndarray]:
    """Two seconds each of noise up to 20 kHz or 0.4 of the rate, tones and clicks, all 6 to 12 dB over full scale."""
    frames = 2 * rate_hz
    time_s = np.arange(frames) / rate_hz
    low = ss.firwin(255, min(0.8, 40000.0 / rate_hz))
    white = rng.standard_normal((2, frames))
    return {
        "noise": ss.lfilter(low, [1.0], white),
        "bursts": ss.lfilter(low, [1.0], white * np.repeat(rng.random((1, 40)) > 0.5, frames // 40, axis=1)),
        "tones": np.stack([2.0 * np.sin(2.0 * np.pi * hz * time_s + 0.4) for hz in (rate_hz / 4.0, 997.0)]),
        "clicks": np.where(rng.random((2, frames)) < 2e-4, rng.choice([-3.0, 3.0], (2, frames)), 0.0),
    }
