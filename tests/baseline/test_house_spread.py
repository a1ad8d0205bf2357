"""Shape that the covariances of a house's sources share, and the scale of each: against truth that was drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from deskhand.baseline.house_spread import HouseSpread, Scatter, Worths, house_spread, within_takes

SIZE = 4
WORTHS = Worths(shape=5.0, own_shape=10.0, scale=1.5, house_scale=10.0)


def drawn(rng: np.random.Generator, covariance: np.ndarray, known: np.ndarray, dof: int) -> Scatter:
    return Scatter(
        scatter=np.atleast_2d(stats.wishart.rvs(df=dof, scale=covariance, random_state=rng)), dof=dof, covariance=known
    )


def shape_of(rng: np.random.Generator) -> np.ndarray:
    shape = stats.invwishart.rvs(df=SIZE + 4, scale=np.eye(SIZE), random_state=rng)
    return np.asarray(shape * SIZE / np.trace(shape))


def test_shape_and_scales_that_were_drawn_are_found(rng: np.random.Generator) -> None:
    shape, known = shape_of(rng), np.diag([1.0, 4.0, 0.25, 2.0])
    root = np.linalg.cholesky(known)
    scales = {f"source {number}": float(scale) for number, scale in enumerate(np.geomspace(0.2, 5.0, 12))}
    house = house_spread(
        {source: drawn(rng, scale * root @ shape @ root.T, known, 4000) for source, scale in scales.items()},
        SIZE,
        WORTHS,
    )
    np.testing.assert_allclose(house.shape, shape, atol=0.06)
    assert house.scales == pytest.approx(scales, rel=0.05)
    source = "source 3"
    np.testing.assert_allclose(
        house.covariance_of(source, known), scales[source] * root @ shape @ root.T, atol=0.1 * scales[source]
    )


@pytest.mark.source("Flury, Common Principal Components and Related Multivariate Models, 1988, ch. 5 (from memory)")
def test_it_solves_both_equations(rng: np.random.Generator) -> None:
    """At the solution the scales follow from the shape, and the shape from the scales."""
    sources = {f"{number}": drawn(rng, np.eye(SIZE) * number, np.eye(SIZE), 3 + number) for number in range(1, 6)}
    house = house_spread(sources, SIZE, WORTHS)
    scatters, dofs = np.array([each.scatter for each in sources.values()]), [each.dof for each in sources.values()]
    sizes = np.array([np.trace(np.linalg.solve(house.shape, scatter)) / SIZE for scatter in scatters])
    scales = (1.5 * house.scale + sizes) / (1.5 + np.array(dofs))
    assert list(house.scales.values()) == pytest.approx(list(scales), rel=1e-6)
    shape = 5.0 * np.eye(SIZE) + sum(scatter / scale for scatter, scale in zip(scatters, scales, strict=True))
    np.testing.assert_allclose(house.shape, shape * SIZE / np.trace(shape), rtol=1e-6, atol=1e-9)


def test_few_takes_of_one_source_say_its_scale_and_not_its_shape(rng: np.random.Generator) -> None:
    shape = shape_of(rng)
    errors: dict[str, list[float]] = {"alone": [], "with the house": []}
    for _ in range(60):
        sources = {f"{number}": drawn(rng, shape, np.eye(SIZE), 4) for number in range(12)}
        alone = sources["0"].scatter / 4
        errors["alone"].append(float(np.linalg.norm(alone * SIZE / np.trace(alone) - shape)))
        house = house_spread(sources, SIZE, WORTHS)
        errors["with the house"].append(float(np.linalg.norm(house.shape - shape)))
    assert np.median(errors["with the house"]) < 0.5 * np.median(errors["alone"])


def test_nothing_kept_is_what_was_known_before() -> None:
    known = np.diag([1.0, 2.0, 3.0, 4.0])
    nothing = Scatter(scatter=np.zeros((SIZE, SIZE)), dof=0, covariance=known)
    for house in (house_spread({}, SIZE, WORTHS), house_spread({"kick": nothing}, SIZE, WORTHS)):
        np.testing.assert_allclose(house.covariance_of("kick", known), known)


def test_a_least_factor_bounds_how_narrow_a_source_is() -> None:
    house = HouseSpread(shape=np.eye(2), scale=1.0, shapes={}, scales={"overheads": 0.1}, worths={})
    known = np.diag([1.0, 4.0])
    np.testing.assert_allclose(house.covariance_of("overheads", known), 0.1 * known)
    np.testing.assert_allclose(house.covariance_of("overheads", known, least=0.5), 0.5 * known)


@pytest.mark.source("known truth: passages drawn with a covariance of their own, takes with a share of it")
def test_passages_show_a_sources_own_shape(rng: np.random.Generator) -> None:
    """Few takes say little of a shape; the passages of each say it again."""
    own = np.diag([4.0, 1.0, 0.25, 0.25]) * SIZE / 5.5
    errors: dict[bool, list[float]] = {True: [], False: []}
    for _ in range(40):
        between = drawn(rng, 0.3 * own, np.eye(SIZE), 4)
        within = drawn(rng, own, np.eye(SIZE), 40).scatter
        others = {
            f"{number}": replace(
                drawn(rng, np.eye(SIZE), np.eye(SIZE), 4),
                within=drawn(rng, np.eye(SIZE), np.eye(SIZE), 40).scatter,
                within_dof=40.0,
            )
            for number in range(6)
        }
        for read in (True, False):
            scatter = replace(between, within=within, within_dof=40.0) if read else between
            house = house_spread({**others, "own": scatter}, SIZE, WORTHS)
            shape = house.covariance_of("own", np.eye(SIZE))
            errors[read].append(float(np.linalg.norm(shape * SIZE / np.trace(shape) - own)))
            assert house.worths["own"] == (20.0 if read else 0.0)
    assert np.median(errors[True]) < 0.5 * np.median(errors[False])


def test_passages_of_several_takes_count_up_to_so_many_each() -> None:
    scatter, dof = within_takes([(np.eye(2), 3.0), (2.0 * np.eye(2), 60.0)], 4.0)
    assert dof == 6.0
    np.testing.assert_allclose(scatter, 2.0 * np.eye(2) + 4.0 * 2.0 * np.eye(2))
    assert within_takes([], 4.0) == (None, 0.0)
