"""Sounds that tests draw again and again from the generator that each of them begins with, drawn once for each test process."""

from __future__ import annotations

import copy
import functools
from collections import OrderedDict
from typing import TYPE_CHECKING, Any, Final, ParamSpec, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")
KEPT: Final = 12
"""Results of one function that are kept, those that were asked for last: a file of tests draws few different ones."""
LARGEST_BYTES: Final = 12_000_000
"""Arrays above this are drawn anew: half a minute of one track, of which a dozen for each function is what memory is there for."""


def drawn_once(draw: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """Keep results of a function whose first argument is a generator.

    Every test begins with the same generator, so the first sound that each of them draws is the same. A generator that is found in
    a state that was met before gets a copy of the same result, and goes on from the state in which that result left it: a test sees
    no difference.
    """
    kept: OrderedDict[str, tuple[Any, Any]] = OrderedDict()

    @functools.wraps(draw)
    def drawn(rng: np.random.Generator, *arguments: Any, **named: Any) -> Any:
        key = repr((rng.bit_generator.state, arguments, sorted(named.items())))
        if key not in kept:
            result = draw(rng, *arguments, **named)  # type: ignore[arg-type]
            if getattr(result, "nbytes", 0) > LARGEST_BYTES:
                return result
            kept[key] = result, rng.bit_generator.state
            while len(kept) > KEPT:
                kept.popitem(last=False)
        kept.move_to_end(key)
        result, rng.bit_generator.state = kept[key]
        return copy.deepcopy(result)

    return drawn  # type: ignore[return-value]
