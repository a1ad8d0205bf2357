"""Chroma of a signal at a low sample rate: energy of the twelve pitch classes, four times a second."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]

CLASSES: Final = 12
"""Pitch classes, C the first."""
WINDOW: Final = 2048
"""Samples of the window at about 3 kHz: 0.68 s, so that semitones are apart from E2 on."""
LOWEST_NOTE: Final = 40
"""E2, 82 Hz: the semitone is 4.9 Hz wide there, 3.3 lines of the window."""
HIGHEST_NOTE: Final = 83
"""B5, 988 Hz: the decimated signal folds nothing back that low. Fundamentals of voices and accompaniment lie below it."""
_A4_HZ: Final = 440.0
"""ISO 16:1975."""
_A4_NOTE: Final = 69
"""Number of that note (MIDI 1.0)."""
_COMPRESSION: Final = 0.5
"""Power to which the power of a semitone is raised before it is summed: its magnitude. Set by validations/songs.py, half to tune on: of
songs in other keys the voices agreed by 0.62 with 0.25 and by 0.73 with this, of other melodies over the same chords by 0.30 and 0.17."""
_MIDDLE_NOTE: Final = 60.0
"""Middle of the weight of the notes, C4. Set by that study."""
_NOTE_SPREAD: Final = 15.0
"""Standard deviation of that weight, in semitones: notes at the edges come and go as a song is moved to another
key. Set by that study: other keys agreed by 0.76 with it."""


@functools.cache
def note_weights(rate_hz: float) -> Array32:
    """(bins, notes) weights that turn |rfft(window x)|^2 into the power of each semitone, full at its middle and none at the next, less towards the edges.

    Parameters
    ----------
    rate_hz : float
        Rate of the signal, about 3 kHz.
    """
    frequency_hz = np.arange(1, WINDOW // 2 + 1) * rate_hz / WINDOW
    note = _A4_NOTE + CLASSES * np.log2(frequency_hz / _A4_HZ)
    notes = np.arange(LOWEST_NOTE, HIGHEST_NOTE + 1)
    weights = np.zeros((WINDOW // 2 + 1, notes.size), np.float32)
    weights[1:] = np.clip(1.0 - np.abs(note[:, None] - notes), 0.0, None)
    # of magnitudes, which are what is summed
    emphasis = np.exp(-0.5 * ((notes - _MIDDLE_NOTE) / _NOTE_SPREAD) ** 2) ** (1.0 / _COMPRESSION)
    return np.asarray(weights * emphasis, np.float32)


def chroma(windows: Array32, rate_hz: float) -> Array32:
    """(frames, 12) energy of the pitch classes of windows of a signal, compressed; silence is 0.

    Parameters
    ----------
    windows : (frames, 2048) array
    rate_hz : float

    References
    ----------
    Müller, Fundamentals of Music Processing, 2nd ed. 2021, 3.1.2 (log-frequency spectrum and chroma, their compression).
    """
    import scipy.fft

    spectra = scipy.fft.rfft(windows * spectrum.hann(WINDOW), axis=1)
    power = np.empty(spectra.shape, np.float32)
    spectrum.squared(spectra, power)
    notes = (power @ note_weights(rate_hz)) ** np.float32(_COMPRESSION)
    folded = np.zeros((len(notes), CLASSES), np.float32)
    for index in range(notes.shape[1]):
        folded[:, (LOWEST_NOTE + index) % CLASSES] += notes[:, index]
    return folded
