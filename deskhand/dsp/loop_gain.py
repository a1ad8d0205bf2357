"""Gain of a loop through a microphone and its monitor, read from what the microphone gives while somebody talks into it.

A closed loop gives its talker divided by 1 - G, where G is the open loop: gain, path and delay. Averaged over many windows, the logarithm of the
spectrum is that of the talker minus that of 1 - G. The first is smooth over frequency, the second ripples, since G comes late by the path from the
monitor. The cepstrum keeps them apart (Oppenheim & Schafer, "From frequency to quefrency: a history of the cepstrum", IEEE Signal Processing
Magazine 21(5), 2004): what lies beyond some milliseconds is the loop's, and of minimum phase, as 1 - G is below the limit, so that G follows from it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

WINDOW_S: Final = 0.34
"""Length of a window: holds the loop's ripple to 3 Hz (docs/validation-ringing.md)."""
_FROM_S: Final = 0.0035
"""Delay from which on the cepstrum is the loop's: what comes before is the talker's tone. Set on the half to tune on (docs/validation-ringing.md)."""
_TO_S: Final = 0.15
"""Delay up to which a loop is looked for. Common practice, no source."""
_RANGE_HZ: Final = (150.0, 8000.0)
"""Range in which a loop is looked for: where speech has power. Common practice, no source."""
_EDGE_BINS: Final = 20
"""Bins over which the spectrum is levelled beyond the range."""


def open_loop(
    mean_log_power: NDArray[np.float64], sample_rate_hz: int
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Open loop's gain from the mean logarithmic spectrum of its microphone.

    Parameters
    ----------
    mean_log_power : (bins,) float64
        Natural logarithm of the power spectrum, averaged over windows in which there is speech.
    sample_rate_hz : int

    Returns
    -------
    frequencies_hz : (count,) float64
        Those of the bins in the range.
    gain : (count,) complex128
        Open loop G, as the closed one shows it.

    References
    ----------
    Oppenheim & Schafer 2004, see the head of the module.
    """
    bins = mean_log_power.size
    length = 2 * (bins - 1)
    frequencies_hz = np.arange(bins) * sample_rate_hz / length
    low, high = np.searchsorted(frequencies_hz, _RANGE_HZ).tolist()
    levelled = 0.5 * np.asarray(mean_log_power, np.float64)
    levelled[:low] = levelled[low : low + _EDGE_BINS].mean()
    levelled[high:] = levelled[high - _EDGE_BINS : high].mean()
    cepstrum = np.fft.irfft(levelled)
    first, last = round(_FROM_S * sample_rate_hz), round(_TO_S * sample_rate_hz)
    late = np.zeros(length)
    late[first:last] = 2.0 * cepstrum[first:last]
    gain = 1.0 - np.exp(-np.fft.rfft(late))
    inside = slice(low + _EDGE_BINS // 4, high - _EDGE_BINS // 4)
    return frequencies_hz[inside], np.asarray(gain[inside], np.complex128)


def gain_margin(mean_log_powers: NDArray[np.float64], sample_rate_hz: int) -> tuple[float, float]:
    """Gain that is left before a loop rings, and where it would ring first.

    By Nyquist's criterion it rings where G reaches 1: the largest real part of G is taken, of what all parts of the talk show. A loop ripples all the
    time, a pitch only while it is spoken.

    Parameters
    ----------
    mean_log_powers : (parts, bins) float64
        Natural logarithm of the power spectrum, averaged over windows in which there is speech, of parts of the talk one after the other.
    sample_rate_hz : int

    Returns
    -------
    Margin in dB, and frequency in Hz. A talker alone, whose own pitch ripples too, reads 5 dB or more: no loop at all cannot be told from one that is
    that far from ringing.
    """
    loops = [open_loop(part, sample_rate_hz) for part in mean_log_powers]
    shown = np.min([gain.real for _, gain in loops], axis=0)
    nearest = int(np.argmax(shown))
    return -db_from_amplitude(max(float(shown[nearest]), 1e-6)), float(loops[0][0][nearest])
