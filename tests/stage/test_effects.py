"""Effects of the invented rigs, measured by plain numpy: what each does is what its name says, and no more."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.stage.effects import (
    RATE_HZ,
    amplitude,
    chorus,
    distant,
    gate_gain,
    held_below,
    octave_below,
    ping_pong,
    rotating_speaker,
)


def level_db(sound: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(sound**2) + 1e-20))


def sine(hz: float, length_s: float = 2.0, level: float = 0.2) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)


def strongest_hz(sound: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size)))
    return float(np.argmax(spectrum) * RATE_HZ / sound.size)


@pytest.mark.source("arithmetic: echoes of 0.4, 0.16, 0.064 ... of the sound, the odd ones left, the even ones right")
def test_ping_pong_echoes_change_sides_and_leave_the_direct_sound() -> None:
    impulse = np.zeros(RATE_HZ)
    impulse[0] = 1.0
    left, right = ping_pong(impulse, step_s=0.1, feedback=0.4)
    assert [left[round(0.1 * step * RATE_HZ)] for step in range(5)] == pytest.approx([1.0, 0.4, 0.0, 0.064, 0.0])
    assert [right[round(0.1 * step * RATE_HZ)] for step in range(5)] == pytest.approx([1.0, 0.0, 0.16, 0.0, 0.0256])


@pytest.mark.source("arithmetic: the echoes of noise add 1 + 0.4^2 + 0.4^6 ... left, 1 + 0.4^4 + 0.4^8 ... right")
def test_ping_pong_changes_the_level_by_its_echoes_only() -> None:
    noise = np.random.default_rng(1).standard_normal(10 * RATE_HZ)
    left, right = (level_db(side) - level_db(noise) for side in ping_pong(noise, step_s=0.05, feedback=0.4))
    assert left == pytest.approx(10 * np.log10(1 + 0.4**2 + 0.4**6 + 0.4**10), abs=0.1)
    assert right == pytest.approx(10 * np.log10(1 + 0.4**4 + 0.4**8), abs=0.1)


@pytest.mark.source("arithmetic: what is added left and taken away right is gone in mono")
def test_a_chorus_is_gone_in_mono() -> None:
    dry = sine(440.0)
    wet = chorus(dry, wet=0.7)
    assert np.allclose(wet.mean(axis=0), dry)
    assert abs(level_db(wet[0]) - level_db(wet[1])) < 3.0
    assert np.max(np.abs(wet[0] - wet[1])) > 0.1


@pytest.mark.source("definition: an octave is half the frequency")
@pytest.mark.parametrize("hz", [pytest.param(hz, id=f"{hz:g}-Hz") for hz in (82.4, 110.0, 146.8)])
def test_the_octave_below_is_half_the_frequency(hz: float) -> None:
    assert strongest_hz(octave_below(sine(hz))) == pytest.approx(hz / 2, abs=1.0)


@pytest.mark.source("arithmetic: sound takes 1 m / 343 m/s = 2.915 ms for a metre")
def test_a_metre_is_late_by_the_speed_of_sound() -> None:
    noise = np.random.default_rng(2).standard_normal(RATE_HZ)
    far = distant(noise, 1.0, top_hz=20000.0)
    lag = int(np.argmax(np.correlate(far[:8000], noise[:8000], "full"))) - 7999
    assert abs(lag / RATE_HZ * 1000 - 2.915) < 0.05


@pytest.mark.source("definition: a rotating speaker swings in level at the rate of its turning")
def test_a_rotating_speaker_swings_at_its_rate() -> None:
    wide = rotating_speaker(np.random.default_rng(3).standard_normal(8 * RATE_HZ), rate_hz=4.0)
    hop = RATE_HZ // 100
    envelope = np.mean(wide[0].reshape(-1, hop) ** 2, axis=1)
    spectrum = np.abs(np.fft.rfft(envelope - envelope.mean()))
    assert np.argmax(spectrum) * 100 / envelope.size == pytest.approx(4.0, abs=0.5)
    assert abs(level_db(wide[0]) - level_db(wide[1])) < 0.5


@pytest.mark.source("definition: a gate leaves what is loud, and takes off its range in pauses")
def test_a_gate_is_open_on_notes_and_closed_in_pauses() -> None:
    sound = 0.0003 * np.random.default_rng(4).standard_normal(3 * RATE_HZ)
    sound[RATE_HZ : 2 * RATE_HZ] += sine(220.0, 1.0)
    gain = gate_gain(sound, open_db=-30.0, hold_s=0.1, release_s=0.05, range_db=-60.0)
    assert gain.shape == sound.shape
    assert np.all(gain[RATE_HZ + 480 : 2 * RATE_HZ] > 0.99)
    assert np.all(gain[round(2.6 * RATE_HZ) :] < amplitude(-55.0))
    assert np.all(np.abs(np.diff(gain)) < 0.02)


@pytest.mark.source("definition: nothing above the peak; what is far from one is left")
def test_rare_peaks_are_held_and_the_rest_is_left() -> None:
    sound = np.stack([sine(300.0, level=0.1)])
    sound[0, RATE_HZ] = 0.9
    held = held_below(sound, 0.5)
    assert np.abs(held).max() <= 0.5 + 1e-9
    assert np.allclose(held[:, : RATE_HZ // 2], sound[:, : RATE_HZ // 2])
