"""Kernels that are made when they are first called: for the types they name, by one thread, with numbers converted."""

from __future__ import annotations

import subprocess
import sys
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


READ_ALL = """
import importlib, pkgutil
from numba.core.cpu import CPUContext
import deskhand.dsp

def refuse(_):
    raise AssertionError("the rules of what can be compiled were loaded")

CPUContext.load_additional_registries = refuse
count = 0
for module in pkgutil.iter_modules(deskhand.dsp.__path__):
    for name, function in vars(importlib.import_module(f"deskhand.dsp.{module.name}")).items():
        if hasattr(function, "prepare") and function.py_func.__module__.endswith(module.name):
            if any(function._cache._cache_file._load_index()):
                function.prepare()
                count += 1
print(count)
"""


def test_what_is_compiled_is_read_without_the_rules_for_compiling() -> None:
    """numba's own start of it takes longer than a short check: every kernel that is in the cache is read, and its symbols are found."""
    run = subprocess.run([sys.executable, "-c", READ_ALL], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert int(run.stdout) > 10
