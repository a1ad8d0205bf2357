"""Synthesised instruments and voices: notes in, samples out, at 48 kHz, from a seeded generator."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy.signal as ss

from deskhand.dsp.kernel import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Sound = NDArray[np.float64]

RATE_HZ: Final = 48000
"""Sample rate of the demo: that of most desks. Common practice, no source."""
SINE_OFFSET_DB: Final = 3.0103
"""A full-scale sine reads 0 dBFS (AES17-2020, 3.12.1): RMS levels are raised by it; four decimals, as the demo's samples are made with."""
_PAD_FRAMES: Final = 4096
"""Frames of a pad that are summed at a time: its two rows of complex numbers stay in a cache of 256 KB. Arithmetic."""
_VOWELS: Final = {
    "a": ((730, 1090, 2440, 3400, 4500), (90, 110, 140, 200, 250)),
    "e": ((530, 1840, 2480, 3500, 4500), (70, 100, 140, 200, 250)),
    "i": ((290, 2290, 3010, 3600, 4500), (60, 100, 150, 200, 250)),
    "o": ((500, 880, 2420, 3300, 4500), (70, 90, 130, 200, 250)),
    "u": ((320, 870, 2250, 3300, 4500), (60, 90, 130, 200, 250)),
}
"""First to fifth formant in Hz with bandwidths, as textbooks on speech give them for an adult; rounded, from memory."""
_FORMANT_GAINS: Final = (1.0, 0.6, 0.35, 0.22, 0.12)
"""Gains of the formants: a voice falls by some decibels from each to the next. Common practice, no source."""


def note_hz(midi: float) -> float:
    """Frequency of a note in equal temperament, A4 = 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def add(into: Sound, sound: Sound, at_s: float, gain: float = 1.0) -> None:
    """Mix a sound into a track; what falls outside is left off."""
    start = round(at_s * RATE_HZ)
    first, last = max(0, start), min(into.size, start + sound.size)
    if last > first:
        into[first:last] += gain * sound[first - start : last - start]


@kernel("float64[::1](float64[::1], int64, float64, float64, int64)")
def _string(excitation: np.ndarray, period: int, fraction: float, damping: float, frames: int) -> np.ndarray:
    """Plucked string: a delay line with an averaging filter and an all-pass for the part of a sample.

    After Karplus & Strong, Computer Music Journal 7 (1983) 43, and Jaffe & Smith, same issue, 56.
    """
    line = np.zeros(period)
    string = np.zeros(frames)
    last, all_in, all_out = 0.0, 0.0, 0.0
    tap = 0
    for index in range(frames):
        fresh = excitation[index] if index < excitation.shape[0] else 0.0
        value = line[tap] + fresh
        average = damping * (0.52 * value + 0.48 * last)
        last = value
        tuned = fraction * (average - all_out) + all_in
        all_in, all_out = average, tuned
        line[tap] = tuned
        string[index] = value
        tap += 1
        if tap == period:
            tap = 0
    return string


@functools.lru_cache(maxsize=64)
def butterworth(order: int, hz: float | tuple[float, float], kind: Literal["lowpass", "highpass", "bandpass"]) -> Sound:
    """(sections, 6) filter, designed once: a show asks for the same few thousands of times."""
    return np.asarray(ss.butter(order, hz, kind, fs=RATE_HZ, output="sos"))


@functools.lru_cache(maxsize=64)
def _low_pass(share: float) -> tuple[Sound, Sound]:
    """Coefficients of a first-order low-pass at a share of half the sample rate."""
    b, a = ss.butter(1, share)
    return b, a


@functools.cache
def _knock_filter() -> tuple[Sound, Sound]:
    """Coefficients of the band in which a pick knocks."""
    b, a = ss.butter(2, (1500, 7000), "bandpass", fs=RATE_HZ)
    return b, a


def pluck(
    rng: np.random.Generator,
    hz: float,
    length_s: float,
    *,
    bright: float = 0.5,
    decay_s: float = 2.0,
    pick: float = 0.15,
) -> Sound:
    """One plucked note with the noise of the pick, peak about 1."""
    frames = round(length_s * RATE_HZ)
    exact = RATE_HZ / hz - 0.98
    period = int(exact)
    damping = 10.0 ** (-3.0 / (decay_s * hz))
    excitation = rng.standard_normal(period)
    b, a = _low_pass(min(0.9, 0.03 + 0.5 * bright))
    excitation = ss.lfilter(b, a, excitation)
    # plucked a seventh along the string: what has a node there is missing
    shift = max(1, period // 7)
    excitation = excitation - np.roll(excitation, shift)
    excitation /= np.abs(excitation).max() + 1e-12
    sound = _string(excitation, period, exact - period, damping, frames)
    knock = rng.standard_normal(min(frames, round(0.006 * RATE_HZ)))
    knock = ss.lfilter(*_knock_filter(), knock)
    sound[: knock.size] += pick * knock * np.hanning(2 * knock.size)[knock.size :]
    ramp = min(frames, round(0.03 * RATE_HZ))
    sound[-ramp:] *= np.linspace(1, 0, ramp)
    rise = round(0.0008 * RATE_HZ)
    sound[:rise] *= np.linspace(0, 1, rise)
    return np.asarray(sound - sound.mean())


def amplifier(sound: Sound, drive: float) -> Sound:
    """A soft asymmetric curve between two filters, as a guitar amplifier and its loudspeaker shape a string."""
    shaped = ss.sosfilt(butterworth(1, 120, "highpass"), sound) * drive
    # oversampled twice, so that what the curve adds does not fold back
    wide = ss.resample_poly(shaped, 2, 1)
    wide = np.tanh(wide + 0.15) - np.tanh(0.15)
    bent = ss.resample_poly(wide, 1, 2)[: sound.size]
    bent = ss.sosfilt(butterworth(2, 75, "highpass"), bent)
    return np.asarray(ss.sosfilt(butterworth(3, 4800, "lowpass"), bent))


def room_response(
    rng: np.random.Generator, *, tail_s: float, wet: float, early_ms: tuple[float, ...]
) -> NDArray[np.float64]:
    """(2, frames) responses of a stereo room: the direct sound, some early reflections, decaying noise."""
    frames = round(1.2 * tail_s * RATE_HZ)
    time_s = np.arange(frames) / RATE_HZ
    response = np.zeros((2, frames))
    for side in range(2):
        tail = rng.standard_normal(frames) * 10.0 ** (-3.0 * time_s / tail_s)
        tail *= np.clip(time_s / 0.015, 0, 1)
        tail = ss.sosfilt(butterworth(1, 5000, "lowpass"), tail)
        tail *= wet / np.sqrt(np.sum(tail**2))
        response[side] = tail
        response[side, 0] += 1.0
        for early in early_ms:
            frame = round((early + rng.uniform(-1.5, 1.5)) * RATE_HZ / 1000)
            response[side, frame] += wet * rng.uniform(0.15, 0.35) * rng.choice([-1.0, 1.0])
    return response


def in_room(sound: Sound, response: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2, frames) of a mono sound in a stereo room."""
    return np.array([ss.oaconvolve(sound, side)[: sound.size] for side in response])


def _dying_away(sound: Sound) -> Sound:
    """Sound whose last 50 ms fade out: what is cut off in its tail ends in a click."""
    ramp = min(sound.size // 2, round(0.05 * RATE_HZ))
    sound[-ramp:] *= np.linspace(1, 0, ramp)
    return np.asarray(sound)


def kick(rng: np.random.Generator) -> Sound:
    """A bass drum."""
    time_s = np.arange(round(0.45 * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * np.cumsum(52 + 75 * np.exp(-time_s / 0.025)) / RATE_HZ
    body = np.sin(phase) * np.exp(-time_s / 0.11)
    beater = rng.standard_normal(time_s.size) * np.exp(-time_s / 0.004)
    beater = ss.sosfilt(butterworth(2, (1500, 5000), "bandpass"), beater)
    attack = np.clip(time_s / 0.0015, 0, 1)
    return _dying_away(attack * (body + 0.5 * beater))


def snare(rng: np.random.Generator) -> Sound:
    """A snare drum."""
    time_s = np.arange(round(0.35 * RATE_HZ)) / RATE_HZ
    shell = np.sin(2 * np.pi * 185 * time_s) * np.exp(-time_s / 0.06) + 0.5 * np.sin(2 * np.pi * 332 * time_s) * np.exp(
        -time_s / 0.04
    )
    wires = rng.standard_normal(time_s.size) * np.exp(-time_s / 0.075)
    wires = ss.sosfilt(butterworth(1, (900, 9000), "bandpass"), wires)
    return _dying_away(np.clip(time_s / 0.0008, 0, 1) * (0.7 * shell + 0.9 * wires))


def cymbal(rng: np.random.Generator, length_s: float) -> Sound:
    """A hi-hat (short) or a crash (long)."""
    time_s = np.arange(round(4 * length_s * RATE_HZ)) / RATE_HZ
    noise = ss.sosfilt(butterworth(2, 5500, "highpass"), rng.standard_normal(time_s.size))
    return _dying_away(np.clip(time_s / 0.0015, 0, 1) * noise * np.exp(-time_s / length_s))


def electric_piano(hz: float, length_s: float) -> Sound:
    """A tine: one sine bends another, less as it rings on (Chowning, J. Audio Eng. Soc. 21 (1973) 526)."""
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    fall = np.exp(-time_s / 1.1)
    modulator = np.sin(2 * np.pi * hz * time_s) * 1.4 * fall
    bell = 0.12 * np.sin(2 * np.pi * 7 * hz * time_s) * np.exp(-time_s / 0.12) if 7 * hz < 9000 else 0.0
    sound = (np.sin(2 * np.pi * hz * time_s + modulator) + bell) * fall
    return _dying_away(sound) * np.clip(time_s / 0.003, 0, 1)


def pad(rng: np.random.Generator, hz: float, length_s: float) -> NDArray[np.float64]:
    """(2, frames) of detuned saws behind a low-pass, swelling in and out."""
    frames = round(length_s * RATE_HZ)
    time_s = np.arange(frames) / RATE_HZ
    saws = np.zeros((2, frames))
    for pan in (-0.8, -0.3, 0.3, 0.8):
        tuned = hz * 2.0 ** (rng.uniform(-8, 8) / 1200)
        partials = np.arange(1, int(2200 / tuned) + 1)
        weights = np.exp(1j * rng.uniform(0, 2 * np.pi, partials.size)) / partials**1.3
        # the sum over all partials by Horner's rule: one exponential for all of them in place of a sine for each
        turn = np.exp(2j * np.pi * tuned * time_s)
        partial_sum = np.zeros(frames, complex)
        for first in range(0, frames, _PAD_FRAMES):
            part, part_turn = partial_sum[first : first + _PAD_FRAMES], turn[first : first + _PAD_FRAMES]
            for weight in weights[::-1]:
                part += weight
                part *= part_turn
        wave = partial_sum.imag
        saws[0] += wave * np.sqrt(0.5 * (1 - pan))
        saws[1] += wave * np.sqrt(0.5 * (1 + pan))
    swell = np.minimum(1.0, np.minimum(time_s / 0.6, (length_s - time_s) / 0.6))
    return saws * swell


def _glottis(rng: np.random.Generator, hz: NDArray[np.float64], breath: float) -> Sound:
    """Pulses of a smooth shape (Rosenberg, J. Acoust. Soc. Am. 49 (1971) 583), differentiated, with some breath."""
    phase = np.cumsum(hz / RATE_HZ)
    cycle = phase % 1.0
    opened = 0.5 * (1 - np.cos(np.pi * cycle / 0.4))
    closing = np.cos(0.5 * np.pi * (cycle - 0.4) / 0.24)
    flow = np.where(cycle < 0.4, opened, np.where(cycle < 0.64, closing, 0.0))
    # the closing corner is rounded, as tissue is
    flow = ss.sosfilt(butterworth(2, 5500, "lowpass"), flow)
    air = breath * rng.standard_normal(hz.size) * (0.3 + flow)
    return np.diff(flow, prepend=flow[0]) * 20 + air


def syllable(
    rng: np.random.Generator,
    hz: float,
    length_s: float,
    vowel: str,
    consonant: str,
    *,
    size: float = 1.0,
    vibrato: float = 0.012,
) -> Sound:
    """One sung or spoken syllable: a consonant of noise, then a vowel.

    Parameters
    ----------
    vowel : one of "aeiou"
    consonant : "s", "t", "m" or "" for none
    size : float
        Formants are scaled by it: below 1 a larger head.
    """
    frames = round(length_s * RATE_HZ)
    time_s = np.arange(frames) / RATE_HZ
    drift = np.cumsum(rng.standard_normal(frames)) / RATE_HZ
    drift = 1.0 + 0.2 * (drift - drift.mean()) + 0.002 * ss.lfilter([0.02], [1, -0.98], rng.standard_normal(frames))
    wave = 1.0 + vibrato * np.clip((time_s - 0.15) / 0.25, 0, 1) * np.sin(2 * np.pi * 5.4 * time_s + rng.uniform(0, 6))
    scoop = 1.0 - 0.03 * np.exp(-time_s / 0.05)
    source = _glottis(rng, hz * drift * wave * scoop, 0.06)
    formants, widths = _VOWELS[vowel]
    voice = np.zeros(frames)
    for frequency, width, gain in zip(formants, widths, _FORMANT_GAINS, strict=True):
        centre = frequency * size
        radius = np.exp(-np.pi * width / RATE_HZ)
        a = [1.0, -2 * radius * np.cos(2 * np.pi * centre / RATE_HZ), radius * radius]
        peak = ss.lfilter([1 - radius], a, source) * np.sin(2 * np.pi * centre / RATE_HZ)
        voice += gain * peak * 12
    voice *= np.minimum(1.0, np.minimum(time_s / 0.035, np.maximum(0.0, length_s - time_s) / 0.07))
    if consonant in ("s", "t"):
        span = min(frames, round((0.11 if consonant == "s" else 0.03) * RATE_HZ))
        noise = rng.standard_normal(span)
        band = (4500, 9500) if consonant == "s" else (2500, 8000)
        noise = ss.sosfilt(butterworth(2, band, "bandpass"), noise)
        shape = (
            np.hanning(span)
            if consonant == "s"
            else np.exp(-np.arange(span) / (0.008 * RATE_HZ)) * np.clip(np.arange(span) / 40, 0, 1)
        )
        top = np.sqrt(np.mean(voice**2)) + 1e-9
        sung = np.zeros(frames + span // 2)
        sung[span // 2 :] = voice
        sung[:span] += 0.5 * top * noise / (np.sqrt(np.mean(noise**2)) + 1e-9) * shape
        return sung
    if consonant == "m":
        span = min(frames, round(0.06 * RATE_HZ))
        hum = ss.sosfilt(butterworth(2, 500, "lowpass"), voice)
        blend = np.clip(np.arange(frames) / span - 0.5, 0, 1)
        return hum * (1 - blend) + voice * blend
    return voice


def pink(rng: np.random.Generator, frames: int) -> Sound:
    """Noise that falls by about 3 dB an octave, RMS 1."""
    # a length that transforms fast, then cut
    length = 1 << (frames - 1).bit_length()
    white = np.fft.rfft(rng.standard_normal(length))
    slope = 1.0 / np.sqrt(np.maximum(np.arange(white.size) * RATE_HZ / length, 20.0))
    sound = np.fft.irfft(white * slope, length)[:frames]
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


def claps(rng: np.random.Generator, length_s: float) -> NDArray[np.float64]:
    """(2, frames) of applause."""
    frames = round(length_s * RATE_HZ)
    applause = np.zeros((2, frames))
    for _ in range(round(90 * length_s)):
        span = round(0.05 * RATE_HZ)
        clap = (
            rng.standard_normal(span)
            * np.exp(-np.arange(span) / (0.006 * RATE_HZ))
            * np.clip(np.arange(span) / 60, 0, 1)
        )
        start, pan = rng.integers(0, max(1, frames - span)), rng.uniform(0.1, 0.9)
        applause[0, start : start + span] += clap * np.sqrt(1 - pan)
        applause[1, start : start + span] += clap * np.sqrt(pan)
    sos = butterworth(1, (600, 4000), "bandpass")
    time_s = np.arange(frames) / RATE_HZ
    return np.asarray(ss.sosfilt(sos, applause) * np.minimum(1, np.minimum(time_s / 0.4, (length_s - time_s) / 0.8)))
