"""Effects of the rigs, in plain numpy: chorus, ping-pong echo, rotating speaker, octave below, noise gate, distance, tone.

Each is the textbook's way to do it; none is taken from the product, and none is level with a real box.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.ndimage
import scipy.signal as ss
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

Sound = NDArray[np.float64]

RATE_HZ: Final = 48000
SPEED_OF_SOUND_M_S: Final = 343.0
"""At 20 degrees Celsius: ISO 9613-1 tables."""
ROTOR_SPLIT_HZ: Final = 800.0
"""Crossover between the horn and the drum of a rotating speaker: common practice, no source."""


def amplitude(level_db: float) -> float:
    """Factor of a level change."""
    return float(10.0 ** (level_db / 20.0))


def late(sound: Sound, delay_s: float) -> Sound:
    """Delayed by whole samples, same length."""
    frames = round(delay_s * RATE_HZ)
    return sound if frames <= 0 else np.concatenate([np.zeros(frames), sound])[: sound.size]


def low_passed(sound: Sound, hz: float, order: int = 1) -> Sound:
    """Through a Butterworth low-pass."""
    return np.asarray(ss.sosfilt(ss.butter(order, hz, "lowpass", fs=RATE_HZ, output="sos"), sound))


def high_passed(sound: Sound, hz: float, order: int = 2) -> Sound:
    """Through a Butterworth high-pass."""
    return np.asarray(ss.sosfilt(ss.butter(order, hz, "highpass", fs=RATE_HZ, output="sos"), sound))


def toned(sound: Sound, hz: float, gain_db: float) -> Sound:
    """With a broad rise or dip around a frequency (a resonator's part added or taken away)."""
    b, a = ss.iirpeak(hz, 0.9, fs=RATE_HZ)
    return np.asarray(sound + (amplitude(gain_db) - 1.0) * ss.lfilter(b, a, sound))


def driven(sound: Sound, drive: float) -> Sound:
    """Bent by tanh, oversampled twice; the loud end (99th percentile) meets the curve at `drive`."""
    top = float(np.percentile(np.abs(sound[np.abs(sound) > 1e-5]), 99)) if np.any(np.abs(sound) > 1e-5) else 1.0
    wide = ss.resample_poly(sound * (drive / top), 2, 1)
    return np.asarray(ss.resample_poly(np.tanh(wide), 1, 2)[: sound.size])


def loudspeaker(sound: Sound, top_hz: float = 4800.0) -> Sound:
    """Through a guitar or bass loudspeaker: nothing below 70 Hz, a steep end at the top."""
    return low_passed(high_passed(sound, 70.0), top_hz, 4)


def distant(sound: Sound, metres: float, *, top_hz: float = 9000.0) -> Sound:
    """Late by the way sound travels, and duller; not softer."""
    return low_passed(late(sound, metres / SPEED_OF_SOUND_M_S), top_hz)


def room_response(rng: np.random.Generator, tail_s: float, *, first_ms: float = 8.0) -> Sound:
    """Response of a room without its direct sound: dull noise that dies by 60 dB in `tail_s`; unit energy."""
    time_s = np.arange(round(1.1 * tail_s * RATE_HZ)) / RATE_HZ
    response = rng.standard_normal(time_s.size) * 10.0 ** (-3.0 * time_s / tail_s)
    response[: round(first_ms / 1000 * RATE_HZ)] = 0.0
    response = low_passed(response, 5000.0)
    return np.asarray(response / np.sqrt(np.sum(response**2)))


def in_room(sound: Sound, response: Sound, wet: float) -> Sound:
    """Direct sound and its room, the room `wet` of it in amplitude."""
    return np.asarray(sound + wet * ss.oaconvolve(sound, response)[: sound.size])


def _read_between(sound: Sound, positions: Sound) -> Sound:
    """Samples at positions between frames, straight lines between them; nothing outside."""
    return np.interp(positions, np.arange(sound.size), sound, left=0.0, right=0.0)


def wavering(sound: Sound, *, rate_hz: float, depth_ms: float, base_ms: float, phase: float = 0.0) -> Sound:
    """Delayed by a time that swings as a sine: the wet part of a chorus."""
    time_s = np.arange(sound.size) / RATE_HZ
    delay_s = (base_ms + depth_ms * np.sin(2 * np.pi * rate_hz * time_s + phase)) / 1000.0
    return _read_between(sound, np.arange(sound.size) - delay_s * RATE_HZ)


def chorus(sound: Sound, *, rate_hz: float = 0.7, depth_ms: float = 2.5, wet: float = 0.7) -> Sound:
    """(2, frames) stereo chorus of the usual kind: the wet part is added on the left and taken away on the right."""
    moving = wet * wavering(sound, rate_hz=rate_hz, depth_ms=depth_ms, base_ms=9.0)
    return np.stack([sound + moving, sound - moving])


def ping_pong(sound: Sound, *, step_s: float, feedback: float) -> Sound:
    """(2, frames) echoes that change sides: the direct sound on both, the first echo left, the second right."""
    both = np.stack([sound, sound]).astype(np.float64)
    gain, count = feedback, 1
    # echoes 40 dB down are not heard under playing
    while gain > amplitude(-40.0) and count * step_s * RATE_HZ < sound.size:
        both[(count - 1) % 2] += gain * late(sound, count * step_s)
        gain, count = gain * feedback, count + 1
    return both


def rotating_speaker(sound: Sound, *, rate_hz: float) -> Sound:
    """(2, frames) of two microphones a quarter turn apart at a rotating speaker: swinging level and pitch."""
    low = low_passed(sound, ROTOR_SPLIT_HZ, 2)
    high = sound - low
    time_s = np.arange(sound.size) / RATE_HZ
    sides = []
    for angle in (0.0, np.pi / 2):
        turn = 2 * np.pi * rate_hz * time_s + angle
        horn = wavering(high, rate_hz=rate_hz, depth_ms=0.35, base_ms=1.0, phase=angle) * (0.65 + 0.35 * np.cos(turn))
        drum = low * (0.85 + 0.15 * np.cos(0.9 * turn))
        sides.append(horn + drum)
    return np.stack(sides)


def octave_below(sound: Sound) -> Sound:
    """Half the frequency, by the divider of the textbooks: each second wave of the filtered sound is turned over."""
    filtered = low_passed(sound, 300.0, 4)
    rising = np.zeros(sound.size, bool)
    rising[1:] = (filtered[:-1] < 0.0) & (filtered[1:] >= 0.0)
    sign = np.where(np.cumsum(rising) % 2 == 0, 1.0, -1.0)
    return low_passed(filtered * sign, 400.0, 2)


def gate_gain(sound: Sound, *, open_db: float, hold_s: float, release_s: float, range_db: float) -> Sound:
    """(frames,) gain of a noise gate that opens at a level below the loud playing, and closes 6 dB lower after a hold.

    Parameters
    ----------
    sound : (frames,) array
    open_db : float
        Against the 99th percentile of the 5 ms levels.
    hold_s, release_s : float
        Time before it closes, and time constant with which it does.
    range_db : float
        Gain when it is closed, negative.
    """
    hop = RATE_HZ // 200
    steps = -(-sound.size // hop)
    padded = np.concatenate([np.abs(sound), np.zeros(steps * hop - sound.size)])
    level = padded.reshape(steps, hop).max(axis=1)
    threshold = float(np.percentile(level, 99)) * amplitude(open_db)
    is_open = scipy.ndimage.binary_propagation(level > threshold, mask=level > threshold / 2.0)
    held = np.asarray(is_open, bool).copy()
    for step in range(1, round(hold_s * RATE_HZ / hop) + 1):
        held[step:] |= is_open[:-step]
    # it opens 5 ms ahead of the note, as a look-ahead does: no attack is cut
    held[:-1] |= held[1:]
    steps_seen = np.arange(steps)
    last_open = np.maximum.accumulate(np.where(held, steps_seen, -steps))
    closed_s = (steps_seen - last_open) * hop / RATE_HZ
    # an exponential release falls by 8.69 dB in each time constant
    gain_db = np.maximum(range_db, -8.69 * closed_s / release_s)
    gain = np.interp(np.arange(sound.size), hop * (np.arange(steps) + 0.5), 10.0 ** (gain_db / 20.0))
    return np.asarray(ss.lfilter(np.ones(96) / 96, [1.0], np.concatenate([gain, np.full(48, gain[-1])]))[48:])


def held_below(sound: Sound, peak: float) -> Sound:
    """(channels, frames) with rare high peaks turned down smoothly over 10 ms either side: a player's limiter."""
    top = np.abs(sound).max(axis=0)
    if float(top.max()) <= peak:
        return sound
    wanted = np.minimum(1.0, peak / np.maximum(top, 1e-9))
    span = round(0.010 * RATE_HZ)
    lowest = scipy.ndimage.minimum_filter1d(wanted, 2 * span + 1)
    window = np.hanning(2 * span + 3)[1:-1]
    return np.asarray(sound * ss.oaconvolve(np.pad(lowest, span, mode="edge"), window / window.sum(), mode="valid"))


def mixed_late(sounds: Sequence[tuple[Sound, float, float]], frames: int) -> Sound:
    """Sum of (sound, gain, delay in s)."""
    total = np.zeros(frames)
    for sound, gain, delay_s in sounds:
        first = round(delay_s * RATE_HZ)
        total[first:] += gain * sound[: frames - first]
    return total
