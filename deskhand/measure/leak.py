"""Leaks: the part of a click or a talkback that can be heard in another track."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from deskhand.measure.figures import Figures

_LEAST_WINDOWS: Final = 6
"""Windows in which the origin must sound, as many as independent ones. Common practice, no source."""
_ENOUGH_WINDOWS: Final = 12
"""Windows of which chance makes a steady coherence; of fewer, more has to stand out. Common practice, no source."""
_STANDS_OUT: Final = 3.0
"""Coherence against that of chance, 1 over the windows, from which a leak is told. Common practice, no source."""
_LATEST_S: Final = 0.06
"""Latest arrival of a leak: 20 m through air. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """Leak of a track into another."""

    level_dbfs: float
    """Level of the part that follows the origin, while the origin sounds (AES17)."""


def find_leak(figures: Figures, origin: int, target: int) -> Leak | None:
    """Leak of `origin` into `target`; None when nothing stands out from chance.

    What two signals share by chance falls with the number of windows averaged; what one passes to the other does not
    (Bendat & Piersol, Random Data, 4th ed., 9.1: variance of the coherence estimate). A drummer who plays to a click is
    not the click: the hits wander by milliseconds, and their phases average out. What is left must also arrive at one
    delay between 0 and 60 ms.
    """
    leak = figures.leaks[origin, target]
    weights, squares = leak.sums
    if squares <= 0.0:
        return None
    # windows overlap by two fifths: they count for about four fifths of as many
    windows = 0.8 * float(weights**2 / squares)
    if windows < _LEAST_WINDOWS:
        return None
    order = np.argsort(leak.plain)[::-1]
    strong_bins = order[: max(4, int(np.searchsorted(np.cumsum(leak.plain[order]), 0.8 * leak.plain.sum())) + 1)]
    coherence = np.abs(leak.cross[strong_bins]) ** 2 / np.maximum(
        leak.origin[strong_bins] * leak.target[strong_bins], 1e-60
    )
    # by how much it exceeds what chance gives, where the origin is strong
    above_chance = coherence * windows
    share = leak.plain[strong_bins] / leak.plain[strong_bins].sum()
    least = _STANDS_OUT * max(1.0, _ENOUGH_WINDOWS / windows)
    if float((above_chance * share).sum()) < least or above_chance.mean() < 0.5 * least:
        return None
    grid = figures.grid
    whitened_spectrum = np.zeros(grid.bins, np.complex128)
    low = figures.leak_bins[0]
    strong_mask = np.zeros(leak.cross.size, bool)
    strong_mask[strong_bins] = True
    whitened = leak.cross / np.sqrt(np.maximum(leak.origin * leak.target, 1e-30))
    whitened_spectrum[low : low + leak.cross.size][strong_mask] = whitened[strong_mask]
    envelope = _envelope(whitened_spectrum, grid.transform)
    latest = int(_LATEST_S * grid.sample_rate_hz)
    early = int(0.002 * grid.sample_rate_hz)
    within = np.concatenate([envelope[-early:], envelope[:latest]])
    if within.max() < 0.98 * envelope.max():
        return None
    # what the origin becomes on its way, times what it is while it sounds: the window weighs both alike
    passed = (coherence - 1.0 / windows) * leak.target[strong_bins] / np.maximum(leak.origin[strong_bins], 1e-60)
    leaked_power = float((passed * share).sum()) * leak.power / max(1, leak.blocks)
    if leaked_power <= 0.0:
        return None
    return Leak(level_dbfs=float(dbfs_from_mean_square(np.array(leaked_power))))


def _envelope(spectrum: np.ndarray, length: int) -> np.ndarray:
    """Magnitude of the analytic signal whose one-sided spectrum is given."""
    analytic = np.zeros(length, np.complex128)
    analytic[: spectrum.size] = spectrum
    return np.abs(np.fft.ifft(analytic))
