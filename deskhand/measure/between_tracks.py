"""Sums over what tracks have in common: samples of all, products and spectra of pairs, leaks of clicks and talkbacks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import spectrum

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.measure.grid import AnalysisGrid
    from deskhand.measure.track_figures import LeakFigures, PairFigures, TrackFigures

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]
    Spectra = Mapping[int, NDArray[np.complex64]]
    """Spectra (hops, bins) of the last chunk by track."""

_GRAM_FRAMES: Final = 2048
"""Samples compared of each second: enough to tell tracks that are the same. Common practice, no source."""
_LEAK_LOW_HZ: Final = 300.0
"""Lower edge of the range in which leaks are looked for. Common practice, no source."""
_LEAK_HIGH_HZ: Final = 8000.0
"""Upper edge of that range. Common practice, no source."""
_SOUNDING: Final = 3e-6  # mean square: a click or talkback sounds above -52 dBFS RMS (common practice, no source)


def leak_bins(grid: AnalysisGrid) -> tuple[int, int]:
    """First bin and the bin after the last in which leaks are looked for."""
    rate_hz = grid.sample_rate_hz
    return int(_LEAK_LOW_HZ / rate_hz * grid.transform), int(_LEAK_HIGH_HZ / rate_hz * grid.transform)


def add_samples(gram: Array64, samples: Array32) -> None:
    """Add a part of a chunk to the (tracks, tracks) sums of products of samples."""
    centred = samples[:, : min(_GRAM_FRAMES, samples.shape[1])].astype(np.float64)
    centred -= centred.mean(axis=1, keepdims=True)  # an offset in both is nothing they share
    gram += centred @ centred.T


def add_product(pair: PairFigures, key: tuple[int, int], samples: Array32, start: int, grid: AnalysisGrid) -> None:
    """Fill in the mean product of a pair's samples in each block of a chunk."""
    hops = samples.shape[1] // grid.hop
    left, right = (samples[track, : hops * grid.hop].reshape(hops, grid.hop) for track in key)
    first = start // grid.hop
    pair.product[first : first + hops] = np.einsum("ij,ij->i", left, right) / grid.hop


def add_pair(pair: PairFigures, key: tuple[int, int], spectra: Spectra) -> None:
    """Add the spectra of a chunk to the sums of a pair."""
    spectrum.add_pair(spectra[key[0]], spectra[key[1]], pair.cross, pair.left, pair.right)


def add_leaks(
    leaks: Mapping[tuple[int, int], LeakFigures],
    origin: int,
    figures: Sequence[TrackFigures],
    spectra: Spectra,
    start: int,
    grid: AnalysisGrid,
    hops: int,
) -> None:
    """Add the spectra of a chunk, where the origin sounds, to the sums of its leaks into other tracks."""
    first = start // grid.hop
    low_bin, high_bin = leak_bins(grid)
    level = figures[origin].mean_square[first : first + hops]
    every = spectra[origin][:hops, low_bin:high_bin]
    # windows reach back behind their block: the window, not the block, tells whether the origin sounds in it
    origin_power = np.einsum("ij,ij->i", every.real, every.real) + np.einsum("ij,ij->i", every.imag, every.imag)
    sounding = 2.0 * origin_power > _SOUNDING * float(np.sum(grid.window**2)) * grid.transform
    loud = level[level > _SOUNDING]
    if not sounding.any():
        return
    rows = np.flatnonzero(sounding)
    for (leaking, target), leak in leaks.items():
        if leaking != origin:
            continue
        leak.power += float(loud.sum())
        leak.blocks += loud.size
        spectrum.add_leak(
            spectra[origin], spectra[target], rows, low_bin, leak.cross, leak.origin, leak.target, leak.plain, leak.sums
        )
