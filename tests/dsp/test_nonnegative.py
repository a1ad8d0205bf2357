"""Non-negative least squares against scipy, on well and badly posed problems."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from deskhand.dsp.nonnegative import nonnegative_factors
from tests.support.hypotheses import examples


@pytest.mark.source("peer: scipy.optimize.nnls (Lawson & Hanson 1974)")
@settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9), st.integers(0, 40), st.booleans())
def test_factors_are_those_of_scipy(seed: int, count: int, more: int, positive: bool) -> None:
    rng = np.random.default_rng(seed)
    columns = rng.standard_normal((count + more, count)) * 10.0 ** rng.uniform(-3, 3, count)
    columns = np.abs(columns) if positive else columns
    wanted = rng.standard_normal(count + more)
    expected, distance = nnls(columns, wanted)
    factors = nonnegative_factors(columns, wanted)
    assert factors.min() >= 0.0
    assert np.linalg.norm(columns @ factors - wanted) == pytest.approx(distance, rel=1e-9, abs=1e-12)
    scale = np.linalg.norm(columns, axis=0)
    np.testing.assert_allclose(factors * scale, expected * scale, atol=1e-7)


def test_no_column_helps() -> None:
    np.testing.assert_array_equal(nonnegative_factors(-np.eye(3), np.ones(3)), np.zeros(3))


def test_columns_that_are_alike_and_none_at_all() -> None:
    columns = np.ones((6, 2))
    assert columns @ nonnegative_factors(columns, np.full(6, 4.0)) == pytest.approx(np.full(6, 4.0))
    assert nonnegative_factors(np.zeros((4, 0)), np.ones(4)).shape == (0,)
