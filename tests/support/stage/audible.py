"""Masking of planted clicks: how far one stands out of the sound round it in the ear's bands.

References
----------
B. R. Glasberg, B. C. J. Moore, Derivation of auditory filter shapes from notched-noise data, Hearing Research 47 (1990): the
equivalent rectangular bandwidth of hearing at f kHz is 24.7 (4.37 f + 1) Hz.
B. C. J. Moore, B. R. Glasberg, C. J. Plack, A. K. Biswas, The shape of the ear's temporal window, J. Acoust. Soc. Am. 83
(1988): sounds within some 8 ms (equivalent rectangular duration) are heard together.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from tests.support.stage.effects import RATE_HZ, Sound

WINDOW_FRAMES: Final = round(0.008 * 8 / 3 * RATE_HZ)
"""Length of a squared Hann window of 8 ms of equivalent rectangular duration, which is 3/8 of its length. Arithmetic."""
BANDS_HZ: Final = (500.0, 15500.0)
"""Middles of the lowest and the highest band in which a click is looked for: common practice, no source."""


def bandwidth_hz(middle_hz: float) -> float:
    """Equivalent rectangular bandwidth of hearing: Glasberg and Moore 1990."""
    return 24.7 * (4.37 * middle_hz / 1000.0 + 1.0)


def click_margin_db(sound: Sound, frame: int, height: float) -> float:
    """Energy of a single wrong sample against that of the sound round it, in the ear's band where it stands out most.

    Parameters
    ----------
    sound : (frames,) array
    frame : int
        Where the sample is; where a whole window does not fit round it, minus infinity.
    height : float

    Returns
    -------
    float
        Above 0 dB the click adds more than 3 dB in that band: it is heard. Below -6 dB it adds less than 1 dB in every band.
    """
    first = frame - WINDOW_FRAMES // 2
    if first < 0 or first + WINDOW_FRAMES > sound.size:
        return float("-inf")
    window = np.hanning(WINDOW_FRAMES)
    energy = np.abs(np.fft.rfft(window * sound[first : first + WINDOW_FRAMES])) ** 2
    frequency = np.fft.rfftfreq(WINDOW_FRAMES, 1 / RATE_HZ)
    margins, middle_hz = [], BANDS_HZ[0]
    while middle_hz <= BANDS_HZ[1]:
        inside = np.abs(frequency - middle_hz) <= bandwidth_hz(middle_hz) / 2.0
        margins.append(height**2 / (float(np.mean(energy[inside])) + 1e-20))
        middle_hz += bandwidth_hz(middle_hz)
    return float(10.0 * np.log10(max(margins)))
