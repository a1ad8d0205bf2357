"""Kernels that are made when they are first called: for the types they name, by one thread, with numbers converted."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from deskhand.dsp.kernel import kernel


def scaled(values: np.ndarray, factor: float) -> float:
    total = 0.0
    for value in values:
        total += factor * value
    return total


def test_nothing_is_made_before_the_first_call() -> None:
    compiled = kernel("float64(float64[::1], float64)")(scaled)
    assert not compiled.overloads
    assert compiled(np.arange(4.0), 0.5) == 3.0
    assert len(compiled.overloads) == 1


def test_an_integer_is_converted_and_other_arrays_are_refused() -> None:
    compiled = kernel("float64(float64[::1], float64)")(scaled)
    assert compiled(np.arange(4.0), 2) == 12.0
    assert compiled(np.arange(4.0), 0.5) == 3.0
    with pytest.raises(TypeError, match="No matching definition"):
        compiled(np.arange(4, dtype=np.float32), 0.5)
    assert len(compiled.overloads) == 1


def test_many_threads_call_at_once() -> None:
    for _ in range(3):
        compiled = kernel("float64(float64[::1], float64)")(scaled)
        with ThreadPoolExecutor(8) as pool:
            assert set(pool.map(lambda factor, called=compiled: called(np.ones(10), factor), [0.5] * 40)) == {5.0}
        assert len(compiled.overloads) == 1
