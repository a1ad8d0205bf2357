"""Prediction of the next take's readings from those that were kept: a posterior predictive with room for who plays and for how long.

Readings of one source in several takes are taken as normal around the mean of whoever plays, players around the house's own
mean, with a covariance that is unknown and stands under a prior (matrix-normal inverse-Wishart; for one number the
normal-inverse-gamma). A take that was short, or whose reading is unsure, counts for less, by its own variance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_RATIOS: Final = (0.25, 0.5, 1.0, 2.0, 4.0)
"""Factors on the prior's ratio of variances that are tried. Common practice, no source."""
_RATIO_PENALTY: Final = 1.0
"""Evidence, in log likelihood, that it takes to leave the prior's ratio by a factor of e. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Predictive:
    """Multivariate Student t of the next reading."""

    location: Array
    """(d,)."""
    scale: Array
    """(d, d) scale matrix (not the covariance)."""
    dof: float

    def distance(self, reading: Array) -> float:
        """Squared distance in units of the scale."""
        off = reading - self.location
        return float(off @ np.linalg.solve(self.scale, off))

    def tail(self, reading: Array) -> float:
        """Probability of a reading as far out as this one or further: T squared over d is F with (d, dof) degrees of freedom."""
        size = reading.size
        return float(special.fdtrc(size, self.dof, self.distance(reading) / size))

    def log_density(self, reading: Array) -> float:
        """Natural logarithm of the density at a reading."""
        size = reading.size
        return float(
            special.gammaln((self.dof + size) / 2)
            - special.gammaln(self.dof / 2)
            - size / 2 * np.log(self.dof * np.pi)
            - 0.5 * np.linalg.slogdet(self.scale)[1]
            - (self.dof + size) / 2 * np.log1p(self.distance(reading) / self.dof)
        )

    def interval(self, probability: float = 0.95) -> tuple[Array, Array]:
        """Low and high of the central interval of each component alone."""
        reach = special.stdtrit(self.dof, 0.5 + probability / 2) * np.sqrt(np.diag(self.scale))
        return self.location - reach, self.location + reach


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Spread between takes that is known before any are kept."""

    covariance: Array
    """(d, d) of one player's long takes around that player's mean."""
    strength: float
    """Takes that this knowledge is worth."""
    player_ratio: float
    """Variance between players, over that between one player's takes."""
    most_dof: float = np.inf
    """Degrees of freedom that the next reading's distribution has at most: its tails stay as heavy, however much is kept."""


def _first_ratio(players: Sequence[str | None], prior: Prior) -> float:
    """Ratio of the prior; 0 where nobody is ever named: who plays is then part of the spread."""
    return prior.player_ratio if any(player is not None for player in players) else 0.0


def _take_covariance(noise: Array, players: Sequence[str | None], ratio: float) -> Array:
    """(takes, takes) covariance of the takes in units of one player's: those of one player go together, an unnamed one is alone."""
    same = [
        [first == second if first is not None else row == column for column, second in enumerate(players)]
        for row, first in enumerate(players)
    ]
    return np.asarray(np.diag(noise) + ratio * np.array(same, float).reshape(noise.size, noise.size))


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScatterFit:
    """Fit of the kept takes to one mean, with what is left and its scatter under the prior."""

    inverse: Array
    weight: float
    mean: Array
    residuals: Array
    scatter: Array
    log_likelihood: float


def _fit(rows: Array, take_covariance: Array, prior: Prior) -> _ScatterFit:
    """Mean and scatter of kept takes, one a row, under a prior; `take_covariance` is that of the takes among each other."""
    inverse = np.asarray(np.linalg.inv(take_covariance), np.float64)
    unit = np.ones(len(rows))
    weight = float(unit @ inverse @ unit)
    mean = (unit @ inverse @ rows) / weight
    residuals = rows - mean
    size = rows.shape[1]
    scatter = prior.strength * prior.covariance + residuals.T @ inverse @ residuals
    dof = prior.strength + size + 1 + len(rows) - 1
    # the terms of the marginal likelihood in which the covariance of the takes appears (a flat prior on the mean)
    likelihood = (
        -0.5 * size * (np.linalg.slogdet(take_covariance)[1] + np.log(weight))
        - 0.5 * dof * np.linalg.slogdet(scatter)[1]
    )
    return _ScatterFit(
        inverse=inverse,
        weight=weight,
        mean=mean,
        residuals=residuals,
        scatter=scatter,
        log_likelihood=float(likelihood),
    )


def predictive(
    rows: Array,
    noise: Array,
    players: Sequence[str | None],
    prior: Prior,
    *,
    next_noise: float,
    next_player: str | None,
) -> Predictive:
    """Distribution of the next reading.

    Parameters
    ----------
    rows : (takes, d) array
        Readings of the kept takes; at least one.
    noise : (takes,) array
        Variance of each around its player's mean, in units of a long and sure take's (1 and more).
    players : sequence of str or None
        Who played; None where it is not said: then as one more player of whom nothing else is known, unless nobody is
        ever named.
    prior : Prior
    next_noise : float
        Noise of the take to be judged, as of the kept ones.
    next_player : str or None
        Who plays in it.

    Returns
    -------
    Predictive

    References
    ----------
    Gelman, Carlin, Stern, Dunson, Vehtari & Rubin, Bayesian Data Analysis, 3rd ed. 2013: 3.3 (normal-inverse-chi-squared, which
    is the normal-inverse-gamma), 3.6 (its multivariate form), 14.7 (known ratios of variances). With one player and equal takes
    it is their result; see `tests/baseline`.
    """
    ratio = _first_ratio(players, prior)
    if ratio > 0.0 and len({player for player in players if player is not None}) > 1 and len(rows) > 3:
        # how far players are from each other is learned from them, starting from the prior's ratio
        ratio = max(
            (prior.player_ratio * factor for factor in _RATIOS),
            key=lambda tried: (
                _fit(rows, _take_covariance(noise, players, tried), prior).log_likelihood
                - _RATIO_PENALTY * abs(np.log(tried / prior.player_ratio))
            ),
        )
    fit = _fit(rows, _take_covariance(noise, players, ratio), prior)
    shared = np.array([ratio if player is not None and player == next_player else 0.0 for player in players])
    pull = fit.inverse @ shared
    next_variance = next_noise + ratio
    width = next_variance - float(shared @ pull) + (1.0 - float(pull.sum())) ** 2 / fit.weight
    dof = prior.strength + 2 + len(rows) - 1
    return Predictive(
        location=np.asarray(fit.mean + pull @ fit.residuals), scale=fit.scatter / dof * width, dof=float(dof)
    )


def scatter_of(rows: Array, noise: Array, players: Sequence[str | None], prior: Prior) -> tuple[Array, int]:
    """Scatter of kept takes around their players' means, in units of a long take's, and its degrees of freedom."""
    if len(rows) < 2:
        return np.zeros_like(prior.covariance), 0
    fit = _fit(rows, _take_covariance(noise, players, _first_ratio(players, prior)), prior)
    return np.asarray(fit.residuals.T @ fit.inverse @ fit.residuals), len(rows) - 1


def scaled(prior: Prior, sizes: Sequence[tuple[float, int]], *, worth: float, least: float) -> Prior:
    """Prior made wider or narrower by how much the whole house varies.

    Parameters
    ----------
    prior : Prior
    sizes : sequence of (size, degrees of freedom)
        Of each source: its scatter whitened by its own prior covariance, the mean over its components.
    worth : float
        Takes that the prior's own width is worth.
    least : float
        Factor below which the variance is not made narrower.
    """
    total = sum(size for size, _ in sizes)
    count = sum(dof for _, dof in sizes)
    factor = max(least, (worth + total) / (worth + count))
    return replace(prior, covariance=factor * prior.covariance)


def pooled(prior: Prior, peers: Sequence[tuple[Array, int]], *, worth: float, most: float) -> Prior:
    """Prior with what the house's other sources of the same role say of the spread.

    Parameters
    ----------
    prior : Prior
    peers : sequence of (scatter, degrees of freedom)
        Of each of them.
    worth : float
        Weight of a take of another source counts against one of its own.
    most : float
        Takes that all of them together are worth at most.
    """
    count = sum(dof for _, dof in peers)
    if not count:
        return prior
    weight = min(worth, most / count)
    scatter = np.sum([scatter for scatter, _ in peers], axis=0)
    strength = prior.strength + weight * count
    return replace(
        prior, covariance=(prior.strength * prior.covariance + weight * scatter) / strength, strength=strength
    )
