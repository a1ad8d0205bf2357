"""Examples in docstrings do what they say, in every module."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from typing import Final

import pytest

import deskhand

MODULES: Final = sorted(
    module.name
    for module in pkgutil.walk_packages(deskhand.__path__, "deskhand.")
    if not module.name.endswith("__main__") and ".versions" not in module.name and ".migrations" not in module.name
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_do_what_they_say(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE).failed == 0


def test_there_are_examples() -> None:
    """That they are found at all."""
    finder = doctest.DocTestFinder(exclude_empty=True)
    counts = {name: sum(bool(part.examples) for part in finder.find(importlib.import_module(name))) for name in MODULES}
    assert counts["deskhand.units"] >= 6
