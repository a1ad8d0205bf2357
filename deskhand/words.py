"""Fills the sentences of a catalogue with numbers: one way for findings and moves."""

from __future__ import annotations

import string
from typing import TYPE_CHECKING, Any, Final

from deskhand.language import translated
from deskhand.units import clock, hertz, number

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

_NAMED_TIMES: Final = 4
"""More moments than this are counted instead of listed: about what fits on a line. Common practice, no source."""


def times(spans: Sequence[tuple[float, float]]) -> str:
    """Moments in words: the first seconds in which it happens, or how often and until when."""
    seconds = list(dict.fromkeys(clock(begin) for begin, _ in spans))
    if len(seconds) <= _NAMED_TIMES:
        return phrase("at {moments}", moments=", ".join(seconds))
    moments, others = ", ".join(seconds[:2]), len(seconds) - 2
    return phrase("at {moments} and {others} more times up to {last}", moments=moments, others=others, last=seconds[-1])


class _Formatter(string.Formatter):
    """Formatter of sentences: `{level_db:1}` a number with one decimal, `{gain_db:+1}` one with its sign."""

    def format_field(self, value: Any, format_spec: str) -> str:
        """Text of one value."""
        if format_spec == "":
            return number(value) if isinstance(value, float) else str(value)
        if format_spec.startswith("+"):
            return ("+" if value > 0 else "") + number(value, int(format_spec[1:]))
        if format_spec.isdigit():
            return number(value, int(format_spec))
        if "|" in format_spec:
            # the ending of one, and of several: Kanal{count:|e}
            return format_spec.partition("|")[0 if value == 1 else 2]
        return _FORMS[format_spec](value)


def _plural(count: float) -> str:
    return "" if count == 1 else "s"


def _listed(names: Sequence[str]) -> str:
    return phrase(" and ").join(phrase('"{name}"', name=name) for name in names)


def _lines(frequencies_hz: Sequence[float]) -> str:
    return ", ".join(f"{frequency_hz:.0f}" for frequency_hz in frequencies_hz)


def _side(track: str | None) -> str:
    return phrase(" on {track} only", track=track) if track is not None else ""


def _exact_hertz(frequency_hz: float) -> str:
    return hertz(frequency_hz, 2)


_FORMS: Final[dict[str, Callable[[Any], str]]] = {
    "times": times,
    "clock": clock,
    "hertz": hertz,
    "exact-hertz": _exact_hertz,
    "plural": _plural,
    "listed": _listed,
    "lines": _lines,
    "side": _side,
}
"""Forms a value can take in a sentence, by the word after the colon."""
_FORMATTER: Final = _Formatter()


def phrase(english: str, **values: Any) -> str:
    """Sentence of the code in the chosen language, with its values in the forms of a catalogue.

    Raises
    ------
    KeyError
        A value that the sentence names and that is not there.
    """
    return filled(translated(english), values) if values else translated(english)


def filled(sentence: str, values: Mapping[str, Any]) -> str:
    """Sentence of a catalogue with its values.

    Raises
    ------
    KeyError
        A value that the sentence names and that is not there.
    """
    return _FORMATTER.vformat(sentence, (), values)


def printable_line(text: str) -> str:
    """Text in one line: signs that are no text, and several blanks, become one blank."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
