"""Life of a move: done or declined by a person, then confirmed or contradicted by a later take, or beyond what its tap can show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from deskhand.desk.state import lies_before_tap

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from deskhand.desk.state import DeskState
    from deskhand.house import HouseFile
    from deskhand.mix.faders import Fader
    from deskhand.store import DeskChange

Fate = Literal["done", "declined", "confirmed", "contradicted", "unseen"]
"""Done or declined, as a person said and no later take can or need show; confirmed or contradicted by a later take; unseen: it lies
before the tap, and what this take holds does not tell."""
_SURE_DB: Final = 2.0
"""Between two takes of one evening a level that moved by less than this tells nothing of a knob: the spread of a player's level from
song to song is of that size. Common practice, no source."""

_MOVED: Final = 0.25
"""Share of what was asked from which on a level has moved: half done is not undone, and the level of a clipped take is only a lower
bound. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierMove:
    """A move of this show that a person did or declined before, and what this take says of it."""

    source: str
    move: str
    """Id of the move in the result it was asked for in."""
    fate: Fate
    said_by: str
    said_at: str
    """Time in UTC, ISO 8601."""
    number: int
    """Number in the history."""
    text: str
    """Sentence of the move, as it was read."""
    remark: str = ""
    """Sentence for people on what this take says of it. Made last."""


def fates(
    changes: Iterable[DeskChange],
    *,
    house: HouseFile,
    desk: DeskState,
    take: str,
    written_at: str | None,
    level_dbfs: Mapping[str, float | None],
    found: Mapping[str, Collection[str]],
    faders: Sequence[Fader] = (),
) -> list[tuple[DeskChange, Fate]]:
    """Each move that was done or declined, with what a take says of it.

    Parameters
    ----------
    changes : iterable of DeskChange
    house : HouseFile
    desk : DeskState
        As this take meets it.
    take : str
        Digest of this take.
    written_at : str or None
        When it was recorded, in UTC; None where that is not known.
    level_dbfs : mapping
        Source to its level at the tap of this take.
    found : mapping
        Source to the ids of the findings that are raised in this take.
    faders : sequence of Fader
        Where the take holds the desk's own mix: what its faders were.
    """
    measured = {fader.source: fader for fader in faders}
    by_name = {source.name: source for source in house.source}
    judged: list[tuple[DeskChange, Fate]] = []
    for change in changes:
        source = by_name.get(change.source)
        if source is None:
            continue
        fate: Fate = "done" if change.done else "declined"
        before_tap = lies_before_tap(change.block, desk.tap_of(source))
        later = change.take != take and written_at is not None and written_at >= change.said_at
        if change.done and before_tap and change.where != "fader" and change.take != take:
            fate = _seen(change, level_dbfs.get(source.name), found.get(source.name, ())) if later else "unseen"
        elif change.done and "fader" in change.settings and later and source.name in measured:
            fate = _fader_fate(change, measured[source.name])
        judged.append((change, fate))
    return judged


def _seen(change: DeskChange, level_dbfs: float | None, found: Collection[str]) -> Fate:
    """Fate of a move that lies before the tap of a take recorded after it."""
    raised_again = any(finding in found for finding in change.findings)
    if "gain" not in change.settings:
        return "contradicted" if raised_again else "confirmed"
    if level_dbfs is None or change.level_dbfs is None or change.on != "both":
        return "unseen"
    before_db, after_db, _ = change.settings["gain"]
    asked_db = after_db - (before_db or 0.0)
    moved_db = level_dbfs - change.level_dbfs
    if not raised_again:
        return "confirmed" if abs(moved_db - asked_db) <= max(_SURE_DB, 0.5 * abs(asked_db)) else "unseen"
    # asked for again, and where it was: it was not turned, or turned back
    has_moved = moved_db * asked_db > 0 and abs(moved_db) >= _MOVED * abs(asked_db)
    return "unseen" if has_moved or abs(asked_db) < _SURE_DB else "contradicted"


def _fader_fate(change: DeskChange, fader: Fader) -> Fate:
    """Fate of a fader's move in a take that holds the desk's own mix; done, as was said, where it cannot be told."""
    before_db, after_db, _ = change.settings["fader"]
    if fader.measured_db is None or fader.measured_db_pm is None or before_db is None:
        return "done"
    sure_db = _SURE_DB + fader.measured_db_pm
    if abs(after_db - before_db) <= 2.0 * sure_db:
        # the two are too near to one another to be told apart
        return "done"
    if abs(fader.measured_db - after_db) <= sure_db:
        return "confirmed"
    return "contradicted" if abs(fader.measured_db - before_db) <= sure_db else "done"


def earlier_moves(judged: Iterable[tuple[DeskChange, Fate]]) -> dict[str, tuple[EarlierMove, ...]]:
    """Source to its earlier moves, in the order in which they were done."""
    by_source: dict[str, tuple[EarlierMove, ...]] = {}
    for change, fate in judged:
        move = EarlierMove(
            source=change.source,
            move=change.move,
            fate=fate,
            said_by=change.said_by,
            said_at=change.said_at,
            number=change.id,
            text=change.text,
        )
        by_source[change.source] = (*by_source.get(change.source, ()), move)
    return by_source
