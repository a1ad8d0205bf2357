"""Scatter of a source's tone between the passages of its takes, as kept parts hold it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.baseline.house_spread import within_takes
from deskhand.measure.passages import OCTAVES_HZ, octave_pairs

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from deskhand.baseline.numbers import Values
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]


def passage_scatter(values: Values) -> tuple[Array, float] | None:
    """(8, 8) covariance of a kept part's tone between its passages, and how many there were; None where it was not read."""
    return scatter_between(values, "passage_scatter_db2")


def scatter_between(values: Values, reading: str) -> tuple[Array, float] | None:
    """(8, 8) covariance between the passages that a reading holds, and how many there were; None where it was not read."""
    count = values.get("passages")
    levels = [values.get(f"{reading}.{low} {high}") for low, high in octave_pairs()]
    if count is None or any(level is None for level in levels):
        return None
    covariance = np.zeros((len(OCTAVES_HZ), len(OCTAVES_HZ)))
    covariance[np.triu_indices(len(OCTAVES_HZ))] = [level[0] for level in levels if level is not None]
    return covariance + np.triu(covariance, 1).T, count[0]


def between_passages(parts: Iterable[KeptPart], most: float) -> tuple[Array | None, float]:
    """Scatter of a source's tone between the passages of its takes, and its degrees of freedom (`within_takes`)."""
    return within_takes([read for part in parts if (read := passage_scatter(part.values)) is not None], most)
