"""Caches of values that take long to make."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

Value = TypeVar("Value")


class NewestFew(OrderedDict[Any, Any]):
    """The newest few values, by their key; safe to ask from several threads.

    Parameters
    ----------
    limit : int
        How many are held; those asked for longest ago go first.
    """

    def __init__(self, limit: int) -> None:
        super().__init__()
        self._limit = limit
        self._guard = threading.Lock()

    def get_or_make(self, key: Any, make: Callable[[], Value]) -> Value:
        """Value of a key, made where it is not there."""
        with self._guard:
            if key in self:
                self.move_to_end(key)
                held: Value = self[key]
                return held
        value = make()
        with self._guard:
            self[key] = value
            while len(self) > self._limit:
                self.popitem(last=False)
        return value
