"""A kind of finding in one file: its row of the table, its sentences, and the function that raises it."""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from deskhand.findings import standalone

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from deskhand.findings.context import Context
    from deskhand.findings.finding import Finding
    from deskhand.findings.kind import Kind, KindName
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

    Fault = Callable[[Source, SourceReading, Context, Sequence[Finding]], list[Finding]]


Actor = Literal["desk", "stage", "player", "recording", "office"]
"""Whose hand it takes; recording: whoever looks after the recorder, office: whoever keeps the house file."""
ListeningPlace = Literal["ears", "wedges", "stream"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Sentence of what to do, whose hand it takes, and where it is not right as it stands."""

    text: str
    who: Actor
    remarks: Mapping[ListeningPlace, str] = field(default_factory=dict)
    """What differs with in-ear monitors, with wedges, or on the stream; none where it is right as it stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KindEntry:
    """Kind of finding that stands in a file of its own, as that file's `ENTRY`."""

    kind: Kind
    sentences: Mapping[str, str]
    """Case to its sentence, in the form of `texts.toml`."""
    who: Actor
    """Whose hand it takes."""
    remarks: Mapping[ListeningPlace, str] = field(default_factory=dict)
    """As those of an advice, of its sentences."""
    advice: Mapping[str, Advice] = field(default_factory=dict)
    """Advice by name, beside that of `texts.toml`, which it may name too."""
    fault: Fault | None = None
    """Function that raises it for a source that plays, from what was read of it; it sees what was found of the source before."""
    number: str | None = None
    """Judged number that raises it where it leaves its normal range, with the cases `more` and `less`."""
    number_advice: Mapping[str, str] = field(default_factory=dict)
    """Case of that number to the advice given."""
    own_chance: float | None = None
    """Chance in a clean show that this number has for itself; None where it shares the show's with all others."""


def entries() -> tuple[KindEntry, ...]:
    """Entries of all files of `findings.standalone`, by the names of the files.

    Raises
    ------
    TypeError
        A file there has no `ENTRY`.
    """
    files = sorted(module.name for module in pkgutil.iter_modules(standalone.__path__))
    modules = [importlib.import_module(f"{standalone.__name__}.{name}") for name in files]
    for module in modules:
        if not isinstance(getattr(module, "ENTRY", None), KindEntry):
            raise TypeError(f"{module.__name__} has no ENTRY that is a KindEntry")
    return tuple(module.ENTRY for module in modules)


def with_entries(table: Iterable[Kind], new: Iterable[KindEntry]) -> dict[KindName, Kind]:
    """Kinds by name in the order of urgency: those of the table in its order, each entry at its place among the equally urgent.

    Raises
    ------
    ValueError
        Two kinds of one name, a name that no kind has, or a place before a kind of another urgency.
    """
    ordered = list(table)
    for kind in (entry.kind for entry in new):
        names = [known.name for known in ordered]
        if kind.name in names:
            raise ValueError(f"two kinds of finding are called {kind.name!r}")
        for name in {*kind.explained_by, *([kind.before] if kind.before else [])} - set(names):
            raise ValueError(f"{kind.name!r} names {name!r}, which is no kind of finding")
        position = sum(known.urgency <= kind.urgency for known in ordered)
        if kind.before is not None:
            position = names.index(kind.before)
            if ordered[position].urgency != kind.urgency:
                raise ValueError(f"{kind.name!r} cannot come before {kind.before!r}, which has another urgency")
        ordered.insert(position, kind)
    return {kind.name: _with_consequences(kind, ordered) for kind in ordered}


def _with_consequences(kind: Kind, kinds: Iterable[Kind]) -> Kind:
    """Copy of a kind that explains those kinds too which name it in their own `explained_by`."""
    consequences = {follower.name for follower in kinds if kind.name in follower.explained_by}
    return replace(kind, explains=kind.explains | consequences) if consequences else kind
