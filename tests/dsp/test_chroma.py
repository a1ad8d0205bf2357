"""Chroma: single notes, a chord in every key, silence, gain; other sample rates."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.dsp import chroma

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATES_HZ = (3000.0, 2940.0)
"""Rates of the decimated signals of recordings at 48 and 44.1 kHz."""


def tones(notes: list[int], rate_hz: float = 3000.0) -> NDArray[np.float32]:
    """(1, 2048) of sines of equal strength, by their numbers: 69 is A4 at 440 Hz (ISO 16:1975)."""
    time_s = np.arange(chroma.WINDOW) / rate_hz
    wave = sum(np.sin(2 * np.pi * 440.0 * 2.0 ** ((note - 69) / 12) * time_s + note) for note in notes)
    return np.asarray(wave, np.float32)[None]


@pytest.mark.source("ISO 16:1975: A4 is 440 Hz; twelve equal steps an octave")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("note", range(chroma.LOWEST_NOTE, chroma.HIGHEST_NOTE + 1, 5))
def test_a_note_is_its_pitch_class(note: int, rate_hz: float) -> None:
    classes = chroma.chroma(tones([note], rate_hz), rate_hz)[0]
    assert int(np.argmax(classes)) == note % 12
    others = np.delete(classes, [(note + step) % 12 for step in (-1, 0, 1)])
    assert others.max() < 0.1 * classes.max()


@pytest.mark.parametrize("transpose", range(12))
def test_a_chord_in_another_key_is_rotated(transpose: int) -> None:
    """Known truth: the three notes of a major chord stand out, and move with the key."""
    classes = chroma.chroma(tones([60 + transpose, 64 + transpose, 67 + transpose]), 3000.0)[0]
    assert set(np.argsort(classes)[-3:]) == {(step + transpose) % 12 for step in (0, 4, 7)}


def test_gain_and_silence(rng: np.random.Generator) -> None:
    windows = rng.normal(size=(3, chroma.WINDOW)).astype(np.float32)
    np.testing.assert_allclose(
        chroma.chroma(windows * np.float32(0.1), 3000.0), 0.1 * chroma.chroma(windows, 3000.0), rtol=1e-3
    )
    assert not chroma.chroma(np.zeros((2, chroma.WINDOW), np.float32), 3000.0).any()
