"""Spread of a number of several parts in one house: a shape that its sources share, and a scale for each of them.

How far a source goes from week to week is told by few takes, since every part of the number tells of it; which parts go together is
not. That much the sources of a house share, and the passages of each take show it once more: songs differ within a take as they do
between takes, only that a take is the mean of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_TURNS: Final = 40
"""Turns in which shapes and scales settle (tests/baseline/test_house_spread.py)."""
_WITHIN_WORTH: Final = 0.5
"""Takes of knowledge of a shape that one song within a take is worth (validations/heard_through.py)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Scatter of one source's readings, beside the covariance that is known of its role."""

    scatter: Array
    """(d, d) of takes around their players' means, in units of a long take's, as `predict.scatter_of` gives it."""
    dof: int
    covariance: Array
    """(d, d) prior covariance of the role."""
    within: Array | None = None
    """(d, d) of the passages around the means of their takes; None where none were read."""
    within_dof: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Worths:
    """Takes that what is known before is worth against what a house shows."""

    shape: float
    """Of the shape, against all sources of the house."""
    own_shape: float
    """Of the house's shape, against the passages of a source."""
    scale: float
    """Of the scale that house and passages let expect, against a source's own."""
    house_scale: float
    """Of the scale known before, against the house's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseSpread:
    """Shapes of the covariances of a house's sources, and their scales."""

    shape: Array
    """(d, d) covariance after whitening by the role's, with a mean variance of 1: of a source that shows none of its own."""
    scale: float
    """Factor on the role's covariance of a source of which nothing is kept."""
    shapes: Mapping[str, Array]
    """Source to the shape that its passages show."""
    scales: Mapping[str, float]
    """Source to its own factor."""
    worths: Mapping[str, float]
    """Source to the takes that its passages are worth."""

    def covariance_of(self, source: str, covariance: Array, *, least: float = 0.0) -> Array:
        """(d, d) covariance of a source in this house, from that of its role, made narrower by no more than a factor."""
        root = np.linalg.cholesky(covariance)
        shape = self.shapes.get(source, self.shape)
        return np.asarray(max(least, self.scales.get(source, self.scale)) * root @ shape @ root.T)


def house_spread(sources: Mapping[str, Scatter], size: int, worths: Worths) -> HouseSpread:
    """Shapes and scales of the covariances of a house's sources, from all of their scatter together.

    Parameters
    ----------
    sources : mapping of str to Scatter
        All sources of the house.
    size : int
        Parts of the number.
    worths : Worths

    References
    ----------
    Flury, Common Principal Components and Related Multivariate Models, 1988, ch. 5 (proportional covariance matrices, whose
    likelihood equations are solved in turn like this; here with conjugate priors on shape and scale).
    """
    held = {source: scatter for source, scatter in sources.items() if scatter.dof > 0 or scatter.within_dof > 0}
    if not held:
        return HouseSpread(shape=np.eye(size), scale=1.0, shapes={}, scales={}, worths={})
    scatters = list(held.values())
    roots = np.linalg.inv(np.linalg.cholesky(np.array([each.covariance for each in scatters])))
    between = roots @ np.array([each.scatter for each in scatters]) @ roots.transpose(0, 2, 1)
    within = roots @ np.array([_within(each, size) for each in scatters]) @ roots.transpose(0, 2, 1)
    dofs = np.array([each.dof for each in scatters], float)
    within_dofs = np.array([each.within_dof for each in scatters])
    shape = np.eye(size)
    for _ in range(_TURNS):
        within_scales = (_sizes(shape[None], within) + 1.0) / (within_dofs + 1.0)
        shapes = _normed(worths.own_shape * shape + within / within_scales[:, None, None])
        sizes = _sizes(shapes, between)
        house_scale = (worths.house_scale + sizes.sum()) / (worths.house_scale + dofs.sum())
        share = _share_of_passages(sizes, dofs, within_scales, within_dofs, worths.house_scale)
        expected = np.where(within_dofs > 0, share * within_scales, house_scale)
        scales = (worths.scale * expected + sizes) / (worths.scale + dofs)
        shape = _normed(
            worths.shape * np.eye(size)
            + np.einsum("kij,k->ij", between, 1.0 / scales)
            + np.einsum("kij,k->ij", within, 1.0 / within_scales)
        )
    return HouseSpread(
        shape=shape,
        scale=float(house_scale),
        shapes=dict(zip(held, shapes, strict=True)),
        scales=dict(zip(held, (float(scale) for scale in scales), strict=True)),
        worths=dict(zip(held, (_WITHIN_WORTH * float(dof) for dof in within_dofs), strict=True)),
    )


def _within(scatter: Scatter, size: int) -> Array:
    """(d, d) scatter of the passages, 0 where none were read."""
    return np.zeros((size, size)) if scatter.within is None else scatter.within


def _sizes(shapes: Array, scatters: Array) -> Array:
    """(sources,) scatter against a shape, the mean over its parts."""
    return np.asarray(np.trace(np.linalg.solve(shapes, scatters), axis1=-2, axis2=-1) / scatters.shape[-1])


def _normed(covariances: Array) -> Array:
    """(..., d, d) covariances with a mean variance of 1."""
    mean = np.trace(covariances, axis1=-2, axis2=-1)[..., None, None] / covariances.shape[-1]
    return np.asarray(covariances / mean)


def _share_of_passages(
    sizes: Array, dofs: Array, within_scales: Array, within_dofs: Array, known_worth: float
) -> float:
    """Variance of a take against that of its passages, as the whole house shows it; before that, what makes takes as wide as the roles say."""
    read = within_dofs > 0
    if not read.any():
        return 1.0
    shown = (dofs * within_scales)[read].sum()
    return float((known_worth + sizes[read].sum()) / (known_worth * within_scales[read].mean() + shown))


def within_takes(covariances: Sequence[tuple[Array, float]], most: float) -> tuple[Array | None, float]:
    """Scatter of passages over several takes, and its degrees of freedom.

    Parameters
    ----------
    covariances : sequence of ((d, d) array, passages)
        Of each take.
    most : float
        Passages of a take that count: those of one song say the same thing again.
    """
    if not covariances:
        return None, 0.0
    dofs = [min(passages - 1.0, most) for _, passages in covariances]
    return np.asarray(sum(dof * covariance for (covariance, _), dof in zip(covariances, dofs, strict=True))), sum(dofs)
