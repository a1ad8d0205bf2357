"""Sentences of the ring-out, from the catalogue `ring_out.toml`, and the words for a number and for a frequency."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Final

from deskhand.language import in_language, language, read_catalogue
from deskhand.words import filled

if TYPE_CHECKING:
    from collections.abc import Mapping

_RANGES: Final = (("low", 250.0), ("low-middle", 800.0), ("middle", 2000.0), ("high-middle", 5000.0))
"""Name of each range, and where it ends in Hz; above the last one it is high. Common practice, no source."""


def _catalogue() -> Mapping[str, Any]:
    return _catalogue_in(language())


@cache
def _catalogue_in(code: str) -> Mapping[str, Any]:
    return in_language("deskhand.live", "ring_out", read_catalogue("deskhand.live", "ring_out"), code)


def sentence(section: str, name: str, values: Mapping[str, Any] | None = None) -> str:
    """One sentence of the catalogue with its values.

    Raises
    ------
    KeyError
        A sentence that is not there, or a value that it names.
    """
    return filled(_catalogue()[section][name], values or {})


def all_cautions() -> tuple[str, ...]:
    """Cautions, every one."""
    return tuple(_catalogue()["caution"].values())


def nth(number: int) -> str:
    """Word for the number of a ring: first, second, third, after that."""
    return sentence("word", ("first", "second", "third", "later")[min(number, 4) - 1])


def range_name(frequency_hz: float) -> str:
    """Name of the range that a frequency lies in, with what a tone there sounds like."""
    name = next((name for name, end_hz in _RANGES if frequency_hz < end_hz), "high")
    return sentence("range", name)
