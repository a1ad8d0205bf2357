"""Names that a person typed, held against the house before anything is measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.baseline.kept import MIX
from deskhand.errors import UsageError
from deskhand.recording.names import key, nearest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import HouseFile
    from deskhand.tasks.check.options import CheckOptions


def require_named(house: HouseFile, options: CheckOptions) -> None:
    """Refuse names that no source of a take answers to.

    Parameters
    ----------
    house : HouseFile
        With a source for each track that nobody claims.
    options : CheckOptions

    Raises
    ------
    UsageError
        The option, the name, and those that are near.
    """
    names = [source.name for source in house.source if source.used]
    for option, name in options.named_sources:
        require_source(option, name, names)
    for name in options.without:
        require_source("--without", name, [*names, MIX])
    for name in options.named_moves:
        if key(name) not in map(key, names):
            _require_prefix(name, names, "move", 'write it like "piano/trim", or name a source')
    for name, _ in options.leave:
        _require_prefix(name, [*names, MIX], "finding", 'write it like "bass/hum": the source, and what is wrong')


def require_source(option: str, name: str, names: Sequence[str]) -> str:
    """Name of a source as the house has it, of one that somebody typed.

    Parameters
    ----------
    option : str
        Where it was typed, for the message.
    name : str
    names : sequence of str
        Those of the take's sources.

    Raises
    ------
    UsageError
        No source of the take has it.
    """
    known = next((known for known in names if key(known) == key(name)), None)
    if known is None:
        raise UsageError(f'{option} "{name}"', "is no source of this take", _near(name, names))
    return known


def _near(name: str, names: Sequence[str]) -> str:
    """Advice that names the nearest sources; all of them where none is near."""
    near = nearest(name, names)
    if near:
        return "did you mean " + " or ".join(f'"{known}"' for known in near) + "?"
    return f"it has {', '.join(names)}" if names else "the house file has no source that is used"


def _require_prefix(name: str, names: Sequence[str], noun: str, fix: str) -> None:
    """Refuse an id of a finding or a move that does not begin with a source's name."""
    if any(name.startswith(f"{known}/") for known in names):
        return
    source, slash, kind = name.rpartition("/")
    near = nearest(source, names, count=1) if slash else []
    raise UsageError(
        f'"{name}"', f"is no {noun} of this take", f'did you mean "{near[0]}/{kind}"?' if near and kind else fix
    )
