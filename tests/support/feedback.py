"""Microphones in front of a monitor that feeds them back: closed loops, sample by sample, whose stability limit is known.

A loop is what is played into the microphones, the paths from the monitor to each of them, the sends, and a gain that changes with time. The monitor
stops where its amplifier does (a hyperbolic tangent), and so does the converter (full scale).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

RATE_HZ: Final = 48000
FINE: Final = 1 << 18
"""Transform in which the limit is looked for: 0.18 Hz, finer than the phase of any path here turns."""


@njit(cache=True)
def _run(played: Array, paths: Array, sends: Array, gains: Array, most: float) -> Array:
    inputs, frames = played.shape
    taps = paths.shape[1]
    heard = np.zeros((inputs, frames))
    # the newest first, twice, so that every stretch of it lies in one piece
    monitor = np.zeros(2 * taps)
    place = 0
    for frame in range(frames):
        line = monitor[place : place + taps]
        total = 0.0
        for row in range(inputs):
            value = played[row, frame] + np.dot(paths[row], line)
            value = min(1.0, max(-1.0, value))
            heard[row, frame] = value
            total += sends[row] * value
        fed = most * np.tanh(gains[frame] * total / most)
        place = place - 1 if place else taps - 1
        monitor[place] = fed
        monitor[place + taps] = fed
    return heard


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """Microphones, a monitor, and what lies between."""

    paths: Array
    """(inputs, taps) responses from the monitor to each microphone, from the sample after the one that is fed."""
    sends: Array
    """(inputs,) amplitudes with which each microphone goes into the monitor."""
    most: float = 4.0
    """Amplitude at which the monitor's amplifier stops."""

    def response(self) -> NDArray[np.complex128]:
        """(131073,) open loop of all microphones together at gain 1, the sample of the loop itself included."""
        delay = np.exp(-2j * np.pi * np.fft.rfftfreq(FINE))
        return np.asarray(np.fft.rfft(self.sends @ self.paths, FINE) * delay)

    def limit(self) -> tuple[float, float]:
        """Largest stable gain in dB, and the frequency that rings first in Hz (Nyquist's criterion: the loop's phase is whole turns there)."""
        loop = self.response()
        turns = np.unwrap(np.angle(loop)) / (2 * np.pi)
        crossed = np.flatnonzero(np.floor(turns[1:]) != np.floor(turns[:-1]))
        strongest = crossed[np.argmax(np.abs(loop[crossed]))]
        return float(-20 * np.log10(abs(loop[strongest]))), float(strongest * RATE_HZ / FINE)

    def heard_in_blocks(self, played: Array, gain_db: Array, block: int = 128) -> NDArray[np.float32]:
        """(inputs, frames) as `heard` gives it, by transforms of blocks: many times faster, for paths that begin a block later or more."""
        import scipy.fft as sfft

        inputs, frames = played.shape
        late = self.paths[:, block - 1 :]
        count = -(-late.shape[1] // block)
        late = np.pad(late, ((0, 0), (0, count * block - late.shape[1]))).reshape(inputs, count, block)
        parts = sfft.rfft(late.astype(np.float32), 2 * block, axis=2)
        # the newest first, twice, so that every stretch of it lies in one piece
        fed = np.zeros((2 * count, block + 1), np.complex64)
        place, before = count, np.zeros(block, np.float32)
        gains, most, sends = (
            (10.0 ** (gain_db / 20)).astype(np.float32),
            np.float32(self.most),
            self.sends.astype(np.float32),
        )
        heard = np.zeros((inputs, frames), np.float32)
        for first in range(0, frames - block + 1, block):
            piece = slice(first, first + block)
            come = sfft.irfft(np.einsum("ipf,pf->if", parts, fed[place : place + count]), 2 * block, axis=1)[:, block:]
            heard[:, piece] = np.clip(played[:, piece].astype(np.float32) + come, -1.0, 1.0)
            driven = most * np.tanh(gains[piece] * (sends @ heard[:, piece]) / most)
            place = place - 1 if place else count - 1
            fed[place] = fed[(place + count) % (2 * count)] = sfft.rfft(np.concatenate([before, driven]))
            before = driven
        return heard

    def critical(self) -> tuple[Array, Array]:
        """Frequencies in Hz at which the loop's phase is whole turns, and the gain in dB at which each would ring."""
        loop = self.response()
        turns = np.unwrap(np.angle(loop)) / (2 * np.pi)
        crossed = np.flatnonzero(np.floor(turns[1:]) != np.floor(turns[:-1]))
        return crossed * RATE_HZ / FINE, -20.0 * np.log10(np.abs(loop[crossed]) + 1e-12)

    def heard(self, played: Array, gain_db: Array) -> Array:
        """(inputs, frames) what the microphones give while the gain, (frames,) in dB, changes."""
        return np.asarray(
            _run(
                np.ascontiguousarray(played),
                np.ascontiguousarray(self.paths),
                self.sends,
                10.0 ** (gain_db / 20),
                self.most,
            )
        )


def made_path(rng: np.random.Generator, *, delay_s: float, direct: float, t60_s: float, below_db: float) -> Array:
    """Response of a monitor into a microphone: the direct sound, a few early reflections, a tail that dies away, and both devices' own colour.

    Parameters
    ----------
    rng : Generator
    delay_s : float
        Until the direct sound, the desk's own delay included.
    direct : float
        Amplitude of the direct sound.
    t60_s : float
        Reverberation time.
    below_db : float
        Energy of all that is reflected, against the direct sound.
    """
    import scipy.signal as ss

    taps = round((delay_s + 0.45 * t60_s) * RATE_HZ)
    path = np.zeros(taps)
    first = round(delay_s * RATE_HZ) - 1
    path[first] = 1.0
    time_s = np.arange(taps - first) / RATE_HZ
    tail = rng.standard_normal(taps - first) * 10.0 ** (-3 * time_s / t60_s) * (time_s > 0.012)
    early = np.zeros(taps - first)
    for place in rng.uniform(0.001, 0.03, 12):
        early[round(place * RATE_HZ)] += rng.choice([-1, 1]) * 10.0 ** (-3 * place / t60_s)
    reflected = tail / np.sqrt(np.sum(tail**2)) + 0.7 * early / np.sqrt(np.sum(early**2))
    path[first:] += reflected / np.sqrt(np.sum(reflected**2)) * 10.0 ** (-below_db / 20)
    for _ in range(5):
        hz, gain_db, q = np.exp(rng.uniform(np.log(150), np.log(9000))), rng.uniform(-6, 6), rng.uniform(0.7, 4.0)
        path = ss.sosfilt(_bell(hz, gain_db, q), path)
    path = ss.sosfilt(ss.butter(2, (120.0, 12000.0), "bandpass", fs=RATE_HZ, output="sos"), path)
    return np.asarray(direct * path)


def _bell(hz: float, gain_db: float, q: float) -> Array:
    """(1, 6) bell, after the equaliser cookbook of the W3C."""
    amplitude, angle = 10.0 ** (gain_db / 40), 2 * np.pi * hz / RATE_HZ
    alpha = np.sin(angle) / (2 * q)
    b = np.array([1 + alpha * amplitude, -2 * np.cos(angle), 1 - alpha * amplitude])
    a = np.array([1 + alpha / amplitude, -2 * np.cos(angle), 1 - alpha / amplitude])
    return np.concatenate([b / a[0], a / a[0]])[None]
