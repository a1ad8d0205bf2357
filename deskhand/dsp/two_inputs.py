"""Responses from one or two inputs to one output by averaged cross-spectra, with their random error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

_INDEPENDENT_SHARE: Final = 0.947
"""Independent segments among half-overlapping ones under Hann's window: 1 / (1 + 2 / 36) (Welch, IEEE Trans. AU 15 (1967) 70)."""
_RIDGE: Final = 1e-7
"""Power added to each input, against that of all inputs at the same line: sides that are alike stay solvable. Common practice, no source."""
_FLOOR: Final = 1e-14
"""Power added to each input, against the strongest line: -140 dB, below the noise of 24 bits. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossSpectra:
    """Cross-spectra of inputs and output, summed over segments."""

    inputs: Spectrum
    """(inputs, inputs, bins) sum of conj(X_row) X_column."""
    cross: Spectrum
    """(inputs, bins) sum of conj(X) Y."""
    output: Array
    """(bins,) sum of |Y|^2."""
    segments: int

    @classmethod
    def total(cls, parts: Sequence[CrossSpectra]) -> CrossSpectra:
        """Sum over the segments of all parts, of which there is one at least."""
        whole = parts[0]
        for part in parts[1:]:
            whole = whole + part
        return whole

    def __add__(self, other: CrossSpectra) -> CrossSpectra:
        """Sum over the segments of both, which are of one length."""
        return CrossSpectra(
            inputs=self.inputs + other.inputs,
            cross=self.cross + other.cross,
            output=self.output + other.output,
            segments=self.segments + other.segments,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Responses:
    """Response from each input to the output, the other input held."""

    response: Spectrum
    """(inputs, bins)."""
    covariance: Spectrum
    """(inputs, inputs, bins) of the estimates, from what the inputs leave of the output."""


def cross_spectra(inputs: Array, output: Array, *, segment: int) -> CrossSpectra:
    """Sum the cross-spectra of half-overlapping segments under Hann's window.

    Parameters
    ----------
    inputs : (1 or 2, frames) array
    output : (frames,) array
    segment : int
        Frames of a segment; an end that fills none is left out.

    References
    ----------
    Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70.
    """
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(segment) / segment)
    starts = range(0, output.size - segment + 1, segment // 2)
    count, bins = len(inputs), segment // 2 + 1
    gram = np.zeros((count, count, bins), np.complex128)
    cross, power = np.zeros((count, bins), np.complex128), np.zeros(bins)
    for start in starts:
        spectra = scipy.fft.rfft(inputs[:, start : start + segment] * window, axis=1)
        seat = scipy.fft.rfft(output[start : start + segment] * window)
        gram += np.conj(spectra)[:, None] * spectra[None]
        cross += np.conj(spectra) * seat
        power += seat.real**2 + seat.imag**2
    return CrossSpectra(inputs=gram, cross=cross, output=power, segments=len(starts))


def solve_responses(spectra: CrossSpectra) -> Responses:
    """Least-squares responses, line by line, and the covariance of their random errors.

    Parameters
    ----------
    spectra : CrossSpectra
        Of more segments than there are inputs.

    References
    ----------
    Bendat & Piersol, Random Data, 4th ed. 2010, 7.3 (multiple-input/output relationships) and 9.3 (random errors): the variance of
    a response is that of the output which the inputs do not explain, over the averages and the conditioned power of the input.
    """
    count, averages = len(spectra.cross), spectra.segments * _INDEPENDENT_SHARE
    power = np.einsum("iib->b", spectra.inputs).real
    ridge = _RIDGE * power + _FLOOR * float(power.max(initial=0.0)) + 1e-300
    inverse = _inverse(spectra.inputs, ridge)
    response = np.sum(inverse * spectra.cross[None], axis=1)
    explained = np.sum(np.conj(response) * spectra.cross, axis=0).real
    # degrees of freedom that the inputs take are given back
    left = np.maximum(spectra.output - explained, 0.0) / max(averages - count, 1.0)
    return Responses(response=response, covariance=inverse * left)


def _inverse(matrix: Spectrum, ridge: Array) -> Spectrum:
    """Inverse of Hermitian matrices, (1, 1, bins) or (2, 2, bins), with a ridge on their diagonal."""
    if len(matrix) == 1:
        return np.asarray(1.0 / (matrix + ridge))
    first, second, across = matrix[0, 0].real + ridge, matrix[1, 1].real + ridge, matrix[0, 1]
    determinant = first * second - across.real**2 - across.imag**2
    return np.array(
        [[second / determinant, -across / determinant], [-np.conj(across) / determinant, first / determinant]]
    )
