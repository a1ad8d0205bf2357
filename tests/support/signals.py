"""Signals whose answer is known, made from arithmetic and seeded noise; full scale is 1.0 throughout.

Nothing here comes from deskhand's own demo sounds: a test must not share its maker with what it tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.signal as ss

from tests.support.once import drawn_once

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Sound = NDArray[np.float64]

RATE_HZ: Final = 48000
LSB_16: Final = 2.0**-15


def amplitude(level_db: float) -> float:
    """Amplitude of a level in dB; written out, so that the tests do not lean on the units they test."""
    return float(10.0 ** (level_db / 20.0))


def sine(
    frequency_hz: float, length_s: float, *, level_dbfs: float = 0.0, phase_rad: float = 0.0, rate_hz: int = RATE_HZ
) -> Sound:
    """A steady sine; its peak is its level (AES17: a full-scale sine has 0 dBFS)."""
    frames = round(length_s * rate_hz)
    return amplitude(level_dbfs) * np.sin(2 * np.pi * frequency_hz * np.arange(frames) / rate_hz + phase_rad)


def tones(segments: Sequence[tuple[float, float]], *, frequency_hz: float = 1000.0, rate_hz: int = RATE_HZ) -> Sound:
    """One sine whose level changes and whose phase runs on: (seconds, peak dBFS) after each other."""
    level = np.concatenate([np.full(round(length_s * rate_hz), amplitude(dbfs)) for length_s, dbfs in segments])
    return level * np.sin(2 * np.pi * frequency_hz * np.arange(level.size) / rate_hz)


def at_level(sound: Sound, level_dbfs: float) -> Sound:
    """Scaled to an RMS level (AES17)."""
    return sound / np.sqrt(2.0 * np.mean(sound**2)) * amplitude(level_dbfs)


@drawn_once
def white(rng: np.random.Generator, length_s: float, level_dbfs: float, *, rate_hz: int = RATE_HZ) -> Sound:
    """White noise at an RMS level (AES17)."""
    return at_level(rng.standard_normal(round(length_s * rate_hz)), level_dbfs)


@drawn_once
def pink(
    rng: np.random.Generator, length_s: float, level_dbfs: float, *, rate_hz: int = RATE_HZ, low_hz: float = 10.0
) -> Sound:
    """Noise with exactly as much power in each octave, from `low_hz` up."""
    frames = round(length_s * rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    frequency_hz = np.fft.rfftfreq(frames, 1 / rate_hz)
    spectrum[frequency_hz < low_hz] = 0.0
    spectrum[frequency_hz >= low_hz] /= np.sqrt(frequency_hz[frequency_hz >= low_hz])
    return at_level(np.fft.irfft(spectrum, frames), level_dbfs)


def pluck(
    rng: np.random.Generator, frequency_hz: float, length_s: float, *, decay_s: float = 1.5, rate_hz: int = RATE_HZ
) -> Sound:
    """One plucked string, peak 1 (Karplus & Strong, Computer Music Journal 7 (1983) 43): noise round an averaging loop."""
    frames = round(length_s * rate_hz)
    # the average of two neighbours is half a sample late
    period = max(2, round(rate_hz / frequency_hz - 0.5))
    keep = 10.0 ** (-3.0 / (decay_s * frequency_hz))
    burst = ss.lfilter(*ss.butter(1, 4000, fs=rate_hz), rng.standard_normal(period))
    # one sample of silence in front, and period after period from the one before
    sound = np.zeros(1 + period * -(-frames // period))
    sound[1 : 1 + period] = burst - burst.mean()
    for first in range(1 + period, sound.size, period):
        before = sound[first - period - 1 : first]
        sound[first : first + period] = 0.5 * keep * (before[1:] + before[:-1])
    sound = sound[1 : 1 + frames]
    # a string starts from a finger, not from nothing, and ends under one
    rise, fall = round(0.001 * rate_hz), min(frames, round(0.02 * rate_hz))
    sound[:rise] *= np.linspace(0, 1, rise)
    sound[-fall:] *= np.linspace(1, 0, fall)
    return np.asarray(sound / np.abs(sound).max())


@drawn_once
def plucks(
    rng: np.random.Generator,
    length_s: float,
    *,
    every_s: float = 0.4,
    level_dbfs: float = -20.0,
    rate_hz: int = RATE_HZ,
) -> Sound:
    """Plucked notes after each other, low and high, over a breath of noise as every input has."""
    out = np.zeros(round(length_s * rate_hz))
    for count, at in enumerate(np.arange(0.0, length_s - every_s, every_s)):
        # each note dies away before the sound ends
        note = pluck(rng, 82.4 * 2.0 ** (((7 * count) % 29) / 12.0), min(2.2 * every_s, length_s - at), rate_hz=rate_hz)
        first = round(at * rate_hz)
        note = note[: out.size - first]
        out[first : first + note.size] += note
    return at_level(out, level_dbfs) + white(rng, length_s, -90.0, rate_hz=rate_hz)[: out.size]


@drawn_once
def hits(
    rng: np.random.Generator, length_s: float, *, every_s: float = 0.5, peak_dbfs: float = -6.0, rate_hz: int = RATE_HZ
) -> Sound:
    """Drum-like: a falling tone and a burst of noise, both dying away, over a breath of noise."""
    frames = round(min(0.9, length_s - 0.1) * rate_hz)
    time_s = np.arange(frames) / rate_hz
    out = np.zeros(round(length_s * rate_hz) + frames)
    for at in np.arange(0.1, length_s - 0.45, every_s):
        skin = np.sin(2 * np.pi * 180 * time_s * (1 + 0.3 * np.exp(-time_s / 0.02))) * np.exp(-time_s / 0.09)
        wires = ss.lfilter(*ss.butter(1, 6000, fs=rate_hz), rng.standard_normal(frames)) * np.exp(-time_s / 0.05)
        rise = np.clip(time_s / 0.0005, 0, 1)
        first = round(at * rate_hz)
        out[first : first + frames] += (skin + 0.7 * wires) * rise
    out = out[: round(length_s * rate_hz)]
    return out / np.abs(out).max() * amplitude(peak_dbfs) + white(rng, length_s, -90.0, rate_hz=rate_hz)[: out.size]


@drawn_once
def speech_like(rng: np.random.Generator, length_s: float, level_dbfs: float, *, rate_hz: int = RATE_HZ) -> Sound:
    """Noise with the long-term slope of speech, its loudness moving as syllables do (about 4 a second)."""
    frames = round(length_s * rate_hz)
    noise = rng.standard_normal(frames)
    noise = ss.sosfilt(ss.butter(2, 120, "highpass", fs=rate_hz, output="sos"), noise)
    noise = ss.sosfilt(ss.butter(2, 800, "lowpass", fs=rate_hz, output="sos"), noise)
    slow = ss.sosfilt(ss.butter(2, 4.0, "lowpass", fs=rate_hz, output="sos"), rng.standard_normal(frames + rate_hz))
    slow = slow[rate_hz:] / slow[rate_hz:].std()
    return (
        at_level(noise * 10.0 ** (0.4 * np.clip(slow, -1.5, 1.5)), level_dbfs)
        + white(rng, length_s, -80.0, rate_hz=rate_hz)[:frames]
    )


def harmonics(
    frequency_hz: float,
    length_s: float,
    *,
    peak_dbfs: float,
    odd_only: bool = True,
    top_hz: float = 18000.0,
    rate_hz: int = RATE_HZ,
) -> Sound:
    """A band-limited square (odd) or saw (all) wave: its partials end at `top_hz`."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    orders = range(1, int(top_hz / frequency_hz) + 1, 2 if odd_only else 1)
    wave = np.asarray(sum(np.sin(2 * np.pi * frequency_hz * order * time_s) / order for order in orders))
    return wave / np.abs(wave).max() * amplitude(peak_dbfs)


def to_16_bit(sound: Sound, *, dither: np.random.Generator | None = None) -> Sound:
    """Rounded to 16-bit words; with a generator, under triangular dither of two steps."""
    if dither is not None:
        sound = sound + LSB_16 * (dither.random(sound.shape) - dither.random(sound.shape))
    return np.asarray(np.clip(np.round(sound / LSB_16), -32768, 32767) * LSB_16)


def to_24_bit(sound: Sound) -> Sound:
    """Rounded to 24-bit words."""
    return np.asarray(np.clip(np.round(sound * 2.0**23), -(2.0**23), 2.0**23 - 1) * 2.0**-23)


def faded(wave: Sound, length_s: float, *, rate_hz: int) -> Sound:
    ramp = np.linspace(0, 1, round(length_s * rate_hz))
    wave[: ramp.size] *= ramp
    wave[-ramp.size :] *= ramp[::-1]
    return wave


def burst_between_samples(case: dict[str, Any]) -> Sound:
    """A case of EBU Tech 3341, 20 to 23, by its recipe: made at several times the rate, then low-passed and thinned out.

    From an upward zero crossing of the carrier, one period of the burst, then the carrier from phase zero.
    """
    times = case["synthesis_rate_times_fs"]
    carrier, burst = times * case["carrier_fs_divisor"], times * case["burst_fs_divisor"]
    frames = 2 * times * RATE_HZ
    first = frames // 2 // carrier * carrier
    wave = case["carrier_amplitude_ffs"] * np.sin(2 * np.pi * np.arange(frames) / carrier)
    wave[first + burst :] = wave[: frames - first - burst]
    wave[first : first + burst] = case["burst_amplitude_ffs"] * np.sin(2 * np.pi * np.arange(burst) / burst)
    wave = faded(wave, 0.01, rate_hz=times * RATE_HZ)
    low_pass = ss.firwin(1023, 1 / times, window=("kaiser", 12.0))
    return np.asarray(ss.fftconvolve(wave, low_pass, mode="same")[case["downsample_offset"] :: times])
