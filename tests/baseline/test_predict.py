"""Where the next take should read: against closed forms, numerical integration and sampling of the whole model, then its limits.

What is computed here again is computed another way: conjugate updates as textbooks write them, a grid over mean and variance,
a Gibbs sampler of players and covariance, contrasts in place of generalised least squares. Bayesian Data Analysis and Murphy's
note are quoted from memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from deskhand.baseline import predict
from deskhand.baseline.predict import Predictive, Prior, pooled, predictive, scaled, scatter_of
from tests.support.hypotheses import examples

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

BDA_3_3: Final = "Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 3.3 (from memory)"
BDA_3_6: Final = "Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 3.6 (from memory)"
MURPHY: Final = "Murphy, Conjugate Bayesian analysis of the Gaussian distribution, 2007, 8 and 9 (from memory)"
few: Final = settings(max_examples=examples(30), deadline=None, derandomize=True, database=None)
COVARIANCE: Final = np.array([[2.0, 0.6, -0.3], [0.6, 1.0, 0.2], [-0.3, 0.2, 0.5]])


def prior_of(size: int = 1, *, strength: float = 4.0, ratio: float = 1.0) -> Prior:
    return Prior(covariance=COVARIANCE[:size, :size], strength=strength, player_ratio=ratio)


def drawn(
    rng: np.random.Generator, prior: Prior, noise: Array, players: Sequence[str | None], *, mean: float = -7.0
) -> Array:
    """(takes, d) readings by the model: a covariance, players around the house's mean, takes around their player's."""
    size = len(prior.covariance)
    covariance = np.atleast_2d(
        stats.invwishart.rvs(df=prior.strength + size + 1, scale=prior.strength * prior.covariance, random_state=rng)
    )
    root = np.linalg.cholesky(covariance)
    own = {
        name: root @ rng.standard_normal(size) * np.sqrt(prior.player_ratio)
        for name in dict.fromkeys(player for player in players if player is not None)
    }
    alone = [root @ rng.standard_normal(size) * np.sqrt(prior.player_ratio) for _ in players]
    places = [alone[at] if player is None else own[player] for at, player in enumerate(players)]
    return np.array(
        [
            mean + place + np.sqrt(one) * root @ rng.standard_normal(size)
            for place, one in zip(places, noise, strict=True)
        ]
    )


def coupling_of(noise: Array, players: Sequence[str | None], ratio: float) -> Array:
    """Covariance of the takes in units of one player's, written out take by take; an unnamed one is a player of its own."""
    names = [f"unnamed {at}" if player is None else player for at, player in enumerate(players)]
    return np.array(
        [
            [(noise[a] if a == b else 0.0) + (ratio if names[a] == names[b] else 0.0) for b in range(len(names))]
            for a in range(len(names))
        ]
    )


def by_contrasts(
    rows: Array,
    noise: Array,
    players: Sequence[str | None],
    prior: Prior,
    *,
    next_noise: float,
    next_player: str | None,
    ratio: float,
) -> Predictive:
    """The same predictive another way: differences to the first take, which no longer know the mean, then plain conditioning."""
    count, size = rows.shape
    every = coupling_of(np.append(noise, next_noise), [*players, next_player], ratio)
    # the last of all is the one to be predicted, as its difference to the first
    contrast = np.hstack([-np.ones((count, 1)), np.eye(count)])
    between = contrast @ every @ contrast.T
    seen, cross, own = between[:-1, :-1], between[-1, :-1], between[-1, -1]
    known = contrast[:-1, :-1] @ rows
    gain = np.linalg.solve(seen, cross) if count > 1 else np.zeros(0)
    scatter = prior.strength * prior.covariance + (known.T @ np.linalg.solve(seen, known) if count > 1 else 0.0)
    # an inverse Wishart with mean covariance has strength + d + 1 degrees of freedom; each contrast adds one
    wishart_dof = prior.strength + size + 1 + (count - 1)
    dof = wishart_dof - size + 1
    return Predictive(location=rows[0] + gain @ known, scale=scatter * (own - cross @ gain) / dof, dof=dof)


def same(one: Predictive, other: Predictive, rel: float = 1e-9) -> None:
    assert one.dof == pytest.approx(other.dof, rel=rel)
    np.testing.assert_allclose(one.location, other.location, rtol=rel, atol=1e-9)
    np.testing.assert_allclose(one.scale, other.scale, rtol=rel, atol=1e-12)


# closed forms


def test_the_prior_means_what_it_says() -> None:
    # the variance under the prior has the stated mean: that of an inverse gamma, and of an inverse Wishart
    strength, covariance = 5.0, COVARIANCE
    one = stats.invgamma(a=(strength + 2) / 2, scale=strength * covariance[0, 0] / 2)
    assert one.mean() == pytest.approx(covariance[0, 0])
    many = stats.invwishart(df=strength + 4, scale=strength * covariance)
    np.testing.assert_allclose(many.mean(), covariance)


@pytest.mark.source(BDA_3_3)
@pytest.mark.parametrize("count", [pytest.param(count, id=f"{count}-takes") for count in (1, 2, 7, 40)])
def test_one_number_is_the_normal_inverse_chi_squared(rng: np.random.Generator, count: int) -> None:
    prior = prior_of(strength=3.0)
    rows = rng.normal(-20.0, 2.0, (count, 1))
    found = predictive(rows, np.ones(count), [None] * count, prior, next_noise=1.0, next_player=None)
    # scaled inverse chi squared of nu0 degrees of freedom under a flat mean
    nu0, nu0_s0 = prior.strength + 2, prior.strength * prior.covariance[0, 0]
    nu = nu0 + count - 1
    variance = (nu0_s0 + np.sum((rows - rows.mean()) ** 2)) / nu
    expected = stats.t(nu, loc=rows.mean(), scale=np.sqrt(variance * (1 + 1 / count)))
    for value in (-27.0, -20.0, -18.5):
        assert found.log_density(np.array([value])) == pytest.approx(expected.logpdf(value), rel=1e-9)
        two_sided = 2 * min(expected.cdf(value), expected.sf(value))
        assert found.tail(np.array([value])) == pytest.approx(two_sided, rel=1e-9)
    low, high = found.interval(0.9)
    assert (low[0], high[0]) == pytest.approx(expected.interval(0.9))


@pytest.mark.source(BDA_3_6)
@pytest.mark.source(MURPHY)
@pytest.mark.parametrize("size", [pytest.param(size, id=f"{size}-parts") for size in (1, 2, 3)])
def test_several_are_the_normal_inverse_wishart(rng: np.random.Generator, size: int) -> None:
    prior, count = prior_of(size, strength=6.0), 9
    rows = rng.multivariate_normal(np.full(size, 3.0), 2 * prior.covariance, count)
    found = predictive(rows, np.ones(count), [None] * count, prior, next_noise=1.0, next_player=None)
    # the textbook's update with next to no knowledge of the mean. Its prior of the mean, of variance Sigma / kappa, brings a
    # factor |Sigma|^(-1/2) that a flat one has not: one degree of freedom less to begin with
    kappa0, mu0, nu0 = 1e-10, np.full(size, 50.0), prior.strength + size + 1 - 1
    kappa, nu = kappa0 + count, nu0 + count
    mean = rows.mean(axis=0)
    mu = (kappa0 * mu0 + count * mean) / kappa
    off = mean - mu0
    scatter = (
        prior.strength * prior.covariance
        + (rows - mean).T @ (rows - mean)
        + kappa0 * count / kappa * np.outer(off, off)
    )
    expected = stats.multivariate_t(mu, scatter * (kappa + 1) / (kappa * (nu - size + 1)), df=nu - size + 1)
    for _ in range(5):
        value = rng.multivariate_normal(mean, 4 * prior.covariance)
        assert found.log_density(value) == pytest.approx(expected.logpdf(value), abs=1e-6)


def test_unequal_takes_by_integrating_over_mean_and_variance(rng: np.random.Generator) -> None:
    prior = prior_of(strength=4.0)
    rows, noise, next_noise = rng.normal(5.0, 1.5, (4, 1)), np.array([1.0, 3.0, 1.5, 8.0]), 2.5
    found = predictive(rows, noise, [None] * 4, prior, next_noise=next_noise, next_player=None)
    # p(mean, variance | takes) on a grid; the mean is flat, the variance inverse gamma
    mean = np.linspace(-25.0, 35.0, 1201)[:, None, None]
    log_variance = np.linspace(np.log(0.02), np.log(2000.0), 1001)[:, None]
    variance = np.exp(log_variance)
    given = stats.norm.logpdf(rows[:, 0], loc=mean, scale=np.sqrt(noise * variance)).sum(axis=-1)
    before = stats.invgamma.logpdf(
        variance[:, 0], a=(prior.strength + 2) / 2, scale=prior.strength * prior.covariance[0, 0] / 2
    )
    weight = np.exp(given + before + log_variance[:, 0])
    weight /= weight.sum()
    for value in (-2.0, 4.0, 5.5, 11.0):
        density = stats.norm.pdf(value, loc=mean[..., 0], scale=np.sqrt(next_noise * variance[:, 0]))
        assert np.exp(found.log_density(np.array([value]))) == pytest.approx(float((weight * density).sum()), rel=2e-3)
        above = stats.norm.sf(value, loc=mean[..., 0], scale=np.sqrt(next_noise * variance[:, 0]))
        upper = float((weight * above).sum())
        assert found.tail(np.array([value])) == pytest.approx(2 * min(upper, 1 - upper), rel=5e-3)


def sampled_by_gibbs(
    rng: np.random.Generator,
    rows: Array,
    noise: Array,
    players: Sequence[str | None],
    prior: Prior,
    next_noise: float,
    next_player: str | None,
    draws: int,
) -> Array:
    """(draws, d) next readings under the whole hierarchical model, each unknown in turn from its own conditional."""
    count, size = rows.shape
    names = [f"unnamed {at}" if player is None else player for at, player in enumerate(players)]
    every = list(dict.fromkeys(names))
    member = np.array([every.index(name) for name in names])
    mean, effect, covariance = rows.mean(axis=0), np.zeros((len(every), size)), prior.covariance
    out = np.empty((draws, size))
    burn = 200
    for at in range(-burn, draws):
        root = np.linalg.cholesky(covariance)
        for place in range(len(every)):
            own = member == place
            precision = (1 / noise[own]).sum() + 1 / prior.player_ratio
            middle = ((rows[own] - mean) / noise[own, None]).sum(axis=0) / precision
            effect[place] = middle + root @ rng.standard_normal(size) / np.sqrt(precision)
        precision = (1 / noise).sum()
        middle = ((rows - effect[member]) / noise[:, None]).sum(axis=0) / precision
        mean = middle + root @ rng.standard_normal(size) / np.sqrt(precision)
        left = (rows - effect[member] - mean) / np.sqrt(noise)[:, None]
        covariance = stats.invwishart.rvs(
            df=prior.strength + size + 1 + count + len(every),
            scale=prior.strength * prior.covariance + left.T @ left + effect.T @ effect / prior.player_ratio,
            random_state=rng,
        )
        if at >= 0:
            root = np.linalg.cholesky(covariance)
            theirs = (
                effect[every.index(next_player)]
                if next_player in every
                else root @ rng.standard_normal(size) * np.sqrt(prior.player_ratio)
            )
            out[at] = mean + theirs + np.sqrt(next_noise) * root @ rng.standard_normal(size)
    return out


@pytest.mark.parametrize("next_player", [pytest.param("Ana", id="known"), pytest.param("Ben", id="unknown")])
def test_players_by_sampling_the_whole_model(rng: np.random.Generator, next_player: str) -> None:
    # one named player and some unnamed: the ratio of variances stays the prior's
    prior = prior_of(2, strength=6.0, ratio=1.7)
    players = ["Ana", "Ana", None, "Ana", None]
    noise, next_noise = np.array([1.0, 2.0, 1.0, 1.5, 4.0]), 1.4
    rows = drawn(rng, prior, noise, players)
    found = predictive(rows, noise, players, prior, next_noise=next_noise, next_player=next_player)
    seen = sampled_by_gibbs(rng, rows, noise, players, prior, next_noise, next_player, 5000)
    spread = np.sqrt(np.diag(found.scale) * found.dof / (found.dof - 2))
    np.testing.assert_allclose(seen.mean(axis=0), found.location, atol=0.08 * spread.max())
    np.testing.assert_allclose(np.std(seen, axis=0), spread, rtol=0.08)
    correlation = found.scale[0, 1] / np.sqrt(found.scale[0, 0] * found.scale[1, 1])
    assert np.corrcoef(seen.T)[0, 1] == pytest.approx(correlation, abs=0.06)
    low, high = found.interval(0.8)
    np.testing.assert_allclose(np.quantile(seen, (0.1, 0.9), axis=0), [low, high], atol=0.12 * spread.max())


@pytest.mark.parametrize(
    "players",
    [
        pytest.param([None] * 3, id="nobody-named"),
        pytest.param(["Ana", "Ana", "Ben"], id="two-players"),
        pytest.param(["Ana", None, "Ben"], id="one-unnamed"),
        pytest.param(["Ana", None, "Ana", "Ana", None, "Ana", "Ana"], id="one-named"),
    ],
)
@pytest.mark.parametrize("next_player", [pytest.param(name, id=str(name)) for name in ("Ana", "Cyd", None)])
def test_players_by_contrasts(rng: np.random.Generator, players: list[str | None], next_player: str | None) -> None:
    prior, noise = prior_of(3, ratio=2.0), 1.0 + rng.exponential(2.0, len(players))
    rows = drawn(rng, prior, noise, players)
    given = {"next_noise": 1.8, "next_player": next_player}
    # where nobody was ever named, players are of no account
    ratio = prior.player_ratio if any(players) else 0.0
    same(
        predictive(rows, noise, players, prior, **given),
        by_contrasts(rows, noise, players, prior, **given, ratio=ratio),
    )


def evidence(rows: Array, noise: Array, players: Sequence[str | None], prior: Prior, ratio: float) -> float:
    """Log density of the differences to the first take, whatever the house's mean is: a matrix Student t around 0."""
    (count, size), dof = (len(rows) - 1, rows.shape[1]), prior.strength + rows.shape[1] + 1
    contrast = np.hstack([-np.ones((count, 1)), np.eye(count)])
    between = contrast @ coupling_of(noise, players, ratio) @ contrast.T
    known, before = contrast @ rows, prior.strength * prior.covariance
    scatter = before + known.T @ np.linalg.solve(between, known)
    own = special.multigammaln((dof + count) / 2, size) - special.multigammaln(dof / 2, size)
    own -= 0.5 * size * (np.linalg.slogdet(between)[1] + count * np.log(np.pi))
    own += 0.5 * dof * np.linalg.slogdet(before)[1] - 0.5 * (dof + count) * np.linalg.slogdet(scatter)[1]
    return float(own)


@pytest.mark.source("scipy.stats.multivariate_t")
def test_the_evidence_is_a_student_t(rng: np.random.Generator) -> None:
    prior, players = prior_of(), ["Ana", "Ben", None, "Ana", "Ben"]
    noise = 1.0 + rng.exponential(1.0, 5)
    rows = drawn(rng, prior, noise, players)
    contrast = np.hstack([-np.ones((4, 1)), np.eye(4)])
    for ratio in (0.2, 1.0, 8.0):
        dof = prior.strength + 2
        shape = (
            contrast @ coupling_of(noise, players, ratio) @ contrast.T * prior.strength * prior.covariance[0, 0] / dof
        )
        peer = stats.multivariate_t(np.zeros(4), shape, df=dof).logpdf(contrast @ rows[:, 0])
        assert evidence(rows, noise, players, prior, ratio) == pytest.approx(float(peer), abs=1e-8)


@pytest.mark.parametrize("size", [pytest.param(size, id=f"{size}-parts") for size in (1, 3)])
def test_the_ratio_is_the_one_of_most_evidence(rng: np.random.Generator, size: int) -> None:
    prior, given = prior_of(size, ratio=1.5), {"next_noise": 1.2, "next_player": "Ben"}
    chosen = set()
    for _ in range(80):
        players = [("Ana", "Ben", "Cyd", None)[at] for at in rng.permutation([0, 1, *rng.integers(0, 4, 9)])]
        noise = 1.0 + rng.exponential(0.5, len(players))
        rows = drawn(rng, replace(prior, player_ratio=float(10.0 ** rng.uniform(-2.0, 1.5))), noise, players)
        found = {
            factor: evidence(rows, noise, players, prior, prior.player_ratio * factor)
            - predict._RATIO_PENALTY * abs(np.log(factor))
            for factor in predict._RATIOS
        }
        factor = max(found, key=lambda one: found[one])
        chosen.add(factor)
        same(
            predictive(rows, noise, players, prior, **given),
            by_contrasts(rows, noise, players, prior, **given, ratio=prior.player_ratio * factor),
        )
    # otherwise nothing was chosen
    assert len(chosen) > 1


# the density, its tail and its intervals


@pytest.mark.source("scipy.stats.multivariate_t")
@pytest.mark.parametrize("size", [pytest.param(size, id=f"{size}-parts") for size in (1, 2, 3)])
def test_the_tail_is_what_lies_further_out(rng: np.random.Generator, size: int) -> None:
    found = Predictive(location=np.arange(size) - 4.0, scale=COVARIANCE[:size, :size], dof=6.5)
    peer = stats.multivariate_t(found.location, found.scale, df=found.dof)
    seen = np.atleast_2d(peer.rvs(40_000, random_state=rng).reshape(-1, size))
    off = seen - found.location
    distance = np.einsum("ni,ij,nj->n", off, np.linalg.inv(found.scale), off)
    for value in seen[:6]:
        assert found.log_density(value) == pytest.approx(peer.logpdf(value), rel=1e-9)
        # four standard errors of a share of 40 000
        assert found.tail(value) == pytest.approx(float(np.mean(distance > found.distance(value))), abs=0.01)
    assert found.tail(found.location) == 1.0


def test_the_density_integrates_to_one() -> None:
    one = Predictive(location=np.array([2.0]), scale=np.array([[3.0]]), dof=4.0)
    assert integrate.quad(lambda x: np.exp(one.log_density(np.array([x]))), -np.inf, np.inf)[0] == pytest.approx(1.0)
    two = Predictive(location=np.array([1.0, -2.0]), scale=np.array([[1.0, 0.5], [0.5, 2.0]]), dof=9.0)
    axis = np.linspace(-30.0, 30.0, 241)
    density = [[np.exp(two.log_density(np.array([x, y]))) for y in axis] for x in axis]
    assert np.trapezoid(np.trapezoid(density, axis), axis) == pytest.approx(1.0, abs=1e-3)


@given(probability=st.floats(0.05, 0.999), dof=st.floats(2.0, 60.0), place=st.floats(-50.0, 50.0))
@few
def test_one_part_at_the_end_of_its_interval_has_the_rest_for_a_tail(
    probability: float, dof: float, place: float
) -> None:
    found = Predictive(location=np.array([place]), scale=np.array([[2.5]]), dof=dof)
    for end in found.interval(probability):
        assert found.tail(end) == pytest.approx(1 - probability, rel=1e-6)


# data from the model


@pytest.mark.parametrize(
    ("size", "players", "next_player"),
    [
        pytest.param(1, [None] * 4, None, id="one-part"),
        pytest.param(1, ["Ana", "Ana", None, "Ana", None], "Ana", id="known-player"),
        pytest.param(1, ["Ana", "Ana", None, "Ana", None], "Ben", id="unknown-player"),
        pytest.param(3, ["Ana", "Ben", "Ana"], "Ben", id="three-parts-two-players"),
        pytest.param(3, [None], None, id="one-take"),
    ],
)
def test_the_tail_is_uniform_when_the_model_is_true(
    rng: np.random.Generator, size: int, players: list[str | None], next_player: str | None
) -> None:
    # unnamed takes are each another player only where somebody is named
    prior = prior_of(size, strength=4.0, ratio=1.5 if any(players) else 1e-12)
    tails, inside = [], []
    for _ in range(1500):
        noise = 1.0 + rng.exponential(2.0, len(players) + 1)
        rows = drawn(rng, prior, noise, [*players, next_player])
        found = predictive(rows[:-1], noise[:-1], players, prior, next_noise=float(noise[-1]), next_player=next_player)
        tails.append(found.tail(rows[-1]))
        low, high = found.interval(0.8)
        inside.append((low <= rows[-1]) & (rows[-1] <= high))
    assert stats.kstest(tails, "uniform").pvalue > 0.01
    # four standard errors
    np.testing.assert_allclose(np.mean(inside, axis=0), 0.8, atol=0.042)


def test_a_learned_ratio_keeps_near_to_nominal(rng: np.random.Generator) -> None:
    # no longer exact, as the ratio is taken for known once it is chosen
    players = ["Ana", "Ben", "Ana", "Cyd", "Ben", "Ana", "Cyd", "Ben"]
    prior = prior_of(strength=4.0, ratio=1.0)
    for truth in (0.3, 1.0, 3.0):
        tails = []
        for at in range(600):
            noise = 1.0 + rng.exponential(1.0, len(players) + 1)
            next_player = ("Ana", "Dora")[at % 2]
            rows = drawn(rng, replace(prior, player_ratio=truth), noise, [*players, next_player])
            found = predictive(
                rows[:-1], noise[:-1], players, prior, next_noise=float(noise[-1]), next_player=next_player
            )
            tails.append(found.tail(rows[-1]))
        assert float(np.mean(np.array(tails) < 0.05)) == pytest.approx(0.05, abs=0.04)


# limits


def test_many_takes_are_their_own_mean_and_spread(rng: np.random.Generator) -> None:
    truth = np.array([[4.0, -1.0], [-1.0, 1.0]])
    rows = rng.multivariate_normal([5.0, -5.0], truth, 1000)
    # a prior that is far off by then says nothing
    found = predictive(rows, np.ones(1000), [None] * 1000, prior_of(2, strength=2.0), next_noise=1.0, next_player=None)
    np.testing.assert_allclose(found.location, rows.mean(axis=0), rtol=1e-9)
    np.testing.assert_allclose(found.scale, np.cov(rows.T), rtol=0.01, atol=0.02)
    assert found.dof > 900


def test_one_take_is_the_middle_and_the_prior_the_width() -> None:
    prior = prior_of(2, strength=4.0)
    row = np.array([[3.0, -9.0]])
    found = predictive(row, np.array([2.0]), [None], prior, next_noise=5.0, next_player=None)
    np.testing.assert_allclose(found.location, row[0])
    # its own variance and the next one's, of a covariance that has the prior's mean
    np.testing.assert_allclose(found.scale * found.dof / (found.dof - 2), (2.0 + 5.0) * prior.covariance)


def test_a_take_that_knows_nothing_moves_nothing(rng: np.random.Generator) -> None:
    prior, rows = prior_of(2), rng.normal(0.0, 1.0, (6, 2))
    rows[2] = 400.0
    noise = np.ones(6)
    noise[2] = 1e13
    found = predictive(rows, noise, [None] * 6, prior, next_noise=1.0, next_player=None)
    without = predictive(np.delete(rows, 2, axis=0), np.ones(5), [None] * 5, prior, next_noise=1.0, next_player=None)
    np.testing.assert_allclose(found.location, without.location, atol=1e-6)
    # nor does it make the next one narrower than one take more can
    assert np.all(np.diag(found.scale) >= np.diag(without.scale) * without.dof / found.dof * (1 - 1e-6))


@given(factor=st.floats(1.01, 50.0), seed=st.integers(0, 10_000))
@few
def test_a_shorter_take_draws_less_and_a_shorter_next_one_is_less_sure(factor: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    prior, rows = prior_of(), rng.normal(0.0, 1.0, (5, 1))
    rows[0] = 6.0
    noise = np.ones(5)
    long = predictive(rows, noise, [None] * 5, prior, next_noise=1.0, next_player=None)
    short = predictive(rows, noise * [factor, 1, 1, 1, 1], [None] * 5, prior, next_noise=1.0, next_player=None)
    assert short.location[0] < long.location[0]
    later = predictive(rows, noise, [None] * 5, prior, next_noise=factor, next_player=None)
    assert later.scale[0, 0] > long.scale[0, 0]


def test_players_who_do_not_differ_are_one(rng: np.random.Generator) -> None:
    rows, players = rng.normal(0.0, 1.0, (3, 2)), ["Ana", "Ben", None]
    given = {"next_noise": 1.0, "next_player": "Ana"}
    found = predictive(rows, np.ones(3), players, prior_of(2, ratio=1e-10), **given)
    same(found, predictive(rows, np.ones(3), [None] * 3, prior_of(2), **given), rel=1e-6)


def test_players_who_differ_without_end_know_only_themselves(rng: np.random.Generator) -> None:
    players: list[str | None] = ["Ana", "Ana", "Ben"]
    rows, prior = rng.normal(0.0, 1.0, (3, 1)), prior_of(ratio=1e5)
    own = predictive(rows, np.ones(3), players, prior, next_noise=1.0, next_player="Ana")
    assert own.location[0] == pytest.approx(rows[:2].mean(), abs=1e-3)
    # of two takes of hers the third lies about their mean
    scatter = prior.strength * prior.covariance[0, 0] + np.sum((rows[:2] - rows[:2].mean()) ** 2)
    assert own.scale[0, 0] * own.dof == pytest.approx(1.5 * scatter, rel=1e-3)
    other = predictive(rows, np.ones(3), players, prior, next_noise=1.0, next_player="Cyd")
    assert other.scale[0, 0] > 1e4 * own.scale[0, 0]


def test_no_difference_between_players_can_be_said(rng: np.random.Generator) -> None:
    # a ratio of nought is a fair thing to say of a number that does not depend on who plays
    rows, players = rng.normal(0.0, 1.0, (5, 1)), ["Ana", "Ben", "Ana", "Ben", "Ana"]
    given = {"next_noise": 1.0, "next_player": "Ana"}
    found = predictive(rows, np.ones(5), players, prior_of(ratio=0.0), **given)
    same(found, predictive(rows, np.ones(5), [None] * 5, prior_of(), **given))


# who plays


def test_a_known_player_is_expected_near_their_own_mean() -> None:
    prior, players = prior_of(ratio=1.0), ["Ana"] * 2 + ["Ben"]
    rows = np.array([[4.0], [4.4], [0.0]])
    house = predictive(rows, np.ones(3), players, prior, next_noise=1.0, next_player=None)
    ana, ben, new = (
        predictive(rows, np.ones(3), players, prior, next_noise=1.0, next_player=name) for name in ("Ana", "Ben", "Cyd")
    )
    # drawn to the house's mean, but not past it
    assert 0.0 < ben.location[0] < house.location[0] < ana.location[0] < 4.2
    # somebody new is at the house's mean and less sure; who is not said is somebody new
    same(new, house)
    assert ana.scale[0, 0] < ben.scale[0, 0] < new.scale[0, 0]


def test_more_takes_of_a_player_draw_closer_to_them() -> None:
    off = []
    for count in (1, 3, 10, 40):
        players = ["Ana"] * count + [None] * 3
        rows = np.array([[5.0]] * count + [[0.0], [0.2], [-0.2]])
        found = predictive(rows, np.ones(len(rows)), players, prior_of(), next_noise=1.0, next_player="Ana")
        off.append(5.0 - found.location[0])
    assert all(later < sooner for sooner, later in zip(off, off[1:], strict=False))
    assert off[-1] < 0.15


def test_how_far_players_are_apart_is_learned() -> None:
    players = ["Ana", "Ben", "Cyd", "Dora"] * 4
    ripple = 0.3 * np.cos(np.arange(16) ** 2)
    apart = np.tile([-6.0, -2.0, 2.0, 6.0], 4) + ripple
    together = ripple
    prior = Prior(covariance=np.array([[0.1]]), strength=4.0, player_ratio=1.0)
    width = {}
    for name, values in (("apart", apart), ("together", together)):
        own, new = (
            predictive(values[:, None], np.ones(16), players, prior, next_noise=1.0, next_player=who)
            for who in ("Ana", "Eve")
        )
        width[name] = new.scale[0, 0] / own.scale[0, 0]
    assert width["apart"] > 1.5 * width["together"]


def test_who_is_not_said_is_somebody_of_whom_nothing_is_known(rng: np.random.Generator) -> None:
    rows, prior = rng.normal(0.0, 1.0, (3, 2)), prior_of(2)
    given = {"next_noise": 1.0, "next_player": "Ana"}
    same(
        predictive(rows, np.ones(3), ["Ana", None, None], prior, **given),
        predictive(rows, np.ones(3), ["Ana", "x", "y"], prior, **given),
    )
    # where nobody was ever named, a first name says nothing
    same(
        predictive(rows, np.ones(3), [None] * 3, prior, **given),
        predictive(rows, np.ones(3), [None] * 3, prior, next_noise=1.0, next_player=None),
    )


# what must not matter


@given(seed=st.integers(0, 10_000), count=st.integers(2, 9))
@few
def test_the_order_of_takes_does_not_matter(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    rows, noise = rng.normal(0.0, 2.0, (count, 3)), 1.0 + rng.exponential(1.0, count)
    players = [("Ana", "Ben", None)[at] for at in rng.integers(0, 3, count)]
    order = rng.permutation(count)
    given = {"next_noise": 1.3, "next_player": "Ana"}
    same(
        predictive(rows, noise, players, prior_of(3), **given),
        predictive(rows[order], noise[order], [players[at] for at in order], prior_of(3), **given),
        rel=1e-7,
    )


@given(seed=st.integers(0, 10_000), count=st.integers(1, 9))
@few
def test_the_unit_does_not_matter(seed: int, count: int) -> None:
    # readings and prior in another unit, from another zero, or mixed with each other
    rng = np.random.default_rng(seed)
    rows, noise = rng.normal(0.0, 2.0, (count, 3)), 1.0 + rng.exponential(1.0, count)
    players = [("Ana", "Ben", None)[at] for at in rng.integers(0, 3, count)]
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0] @ np.diag([0.5, 2.0, 7.0])
    off = rng.normal(0.0, 5.0, 3)
    prior = prior_of(3)
    other = replace(prior, covariance=turn @ prior.covariance @ turn.T)
    given = {"next_noise": 1.3, "next_player": "Ana"}
    one = predictive(rows, noise, players, prior, **given)
    two = predictive(rows @ turn.T + off, noise, players, other, **given)
    np.testing.assert_allclose(two.location, turn @ one.location + off, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(two.scale, turn @ one.scale @ turn.T, rtol=1e-6, atol=1e-8)
    value = rng.normal(0.0, 2.0, 3)
    assert two.tail(turn @ value + off) == pytest.approx(one.tail(value), rel=1e-5)
    jacobian = np.linalg.slogdet(turn)[1]
    assert two.log_density(turn @ value + off) + jacobian == pytest.approx(one.log_density(value), abs=1e-5)


# what other sources of the house say of the spread


@pytest.mark.parametrize(
    "players", [pytest.param(["Ana"] * 7, id="one-player"), pytest.param([None] * 7, id="nobody-named")]
)
def test_the_scatter_is_that_of_the_takes(rng: np.random.Generator, players: list[str | None]) -> None:
    rows = rng.normal(0.0, 1.0, (7, 2))
    scatter, dof = scatter_of(rows, np.ones(7), players, prior_of(2, ratio=1.0))
    assert dof == 6
    # as in `predictive`, where nobody is named players are of no account
    np.testing.assert_allclose(scatter, 6 * np.cov(rows.T), rtol=1e-9)


def test_the_scatter_leaves_out_players_and_short_takes(rng: np.random.Generator) -> None:
    prior, players = prior_of(2, strength=1e9, ratio=3.0), ["Ana", "Ben", "Ana", None, "Ben", "Cyd"]
    found, count = np.zeros((2, 2)), 0
    for _ in range(1500):
        noise = 1.0 + rng.exponential(2.0, len(players))
        scatter, dof = scatter_of(drawn(rng, prior, noise, players), noise, players, prior)
        found, count = found + scatter, count + dof
    np.testing.assert_allclose(found / count, prior.covariance, rtol=0.08, atol=0.05)


def test_one_take_has_no_scatter() -> None:
    for rows in (np.zeros((0, 2)), np.ones((1, 2))):
        scatter, dof = scatter_of(rows, np.ones(len(rows)), [None] * len(rows), prior_of(2))
        assert dof == 0
        assert not scatter.any()


@pytest.mark.parametrize("truth", [pytest.param(truth, id=f"variance-{truth:g}") for truth in (0.2, 1.0, 5.0)])
def test_a_house_that_varies_more_widens_the_prior(truth: float) -> None:
    prior = prior_of(2)
    # sources whose whitened scatter, a component, is exactly what `truth` times the prior's variance gives on average
    everyone = [(truth * 8, 8)] * 50
    found = scaled(prior, everyone, worth=10.0, least=0.01)
    np.testing.assert_allclose(found.covariance, (10 + truth * 400) / 410 * prior.covariance)
    assert (found.strength, found.player_ratio) == (prior.strength, prior.player_ratio)
    # nobody to learn from, or next to nobody: the prior as it is
    np.testing.assert_allclose(scaled(prior, [], worth=10.0, least=0.1).covariance, prior.covariance)
    np.testing.assert_allclose(scaled(prior, everyone, worth=1e9, least=0.1).covariance, prior.covariance, rtol=1e-5)


def test_a_house_that_does_not_vary_has_a_least_spread() -> None:
    found = scaled(prior_of(2), [(0.0, 10)] * 1000, worth=10.0, least=0.25)
    np.testing.assert_allclose(found.covariance, 0.25 * COVARIANCE[:2, :2])


def test_peers_are_so_many_more_takes() -> None:
    prior, peers = prior_of(2, strength=4.0), [(np.diag([20.0, 2.0]), 10), (np.diag([12.0, 6.0]), 6)]
    found = pooled(prior, peers, worth=0.5, most=100.0)
    # sixteen takes of others count as eight
    assert found.strength == pytest.approx(4.0 + 8.0)
    np.testing.assert_allclose(found.covariance, (4.0 * prior.covariance + 0.5 * np.diag([32.0, 8.0])) / 12.0)
    # all of them together are worth no more than so many
    bounded = pooled(prior, peers, worth=0.5, most=2.0)
    assert bounded.strength == pytest.approx(6.0)
    np.testing.assert_allclose(bounded.covariance, (4.0 * prior.covariance + 2.0 * np.diag([2.0, 0.5])) / 6.0)


@pytest.mark.parametrize("peers", [pytest.param([], id="none"), pytest.param([(np.zeros((2, 2)), 0)], id="one-take")])
def test_without_peers_the_prior_stays(peers: list[tuple[Array, int]]) -> None:
    prior = prior_of(2)
    assert pooled(prior, peers, worth=0.5, most=10.0) is prior
