"""Mixes on the stage that hear this week's moves: by how much a source gets louder in each, on the way and in the end, and who is told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.moves.move import MixChange
from deskhand.moves.text import sentence
from deskhand.recording.names import key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import HouseFile, Send, Source
    from deskhand.moves.move import Move

WORTH_DB: Final = 1.0
"""Least change in a mix that a player is told of: about what is noticed in a mix, as for the counter-moves. Common practice, no source."""
_ROUNDING_DB: Final = 1e-6
"""Settings are written with four decimals; sums of them are as good as equal within this. Our own arithmetic."""
_GAINS: Final = ("preamp", "trim")


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorChange:
    """Change of one source in one mix on the stage, over all moves in their order."""

    source: str
    change_db: float
    """Once all is turned."""
    lowest_db: float
    """Lowest that it gets on the way, against before; 0 where it never gets quieter."""
    highest_db: float
    """Highest that it gets on the way; 0 where it never gets louder."""
    by_ear: bool
    """Whether the preamp is turned by ear, so that the change is at least so large, and the send is set again by ear."""
    sound: bool
    """Whether its sound changes there as well: an equaliser, dynamics, or one side."""
    is_own: bool
    """Whether the one person who hears the mix plays it."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorTelling:
    """Mix on the stage that this week's moves change, and what the people who hear it are to be told first."""

    mix: str
    people: tuple[str, ...]
    changes: tuple[MonitorChange, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Listeners:
    """People who hear each mix on the stage tonight."""

    house: HouseFile
    players: Mapping[str, str]
    """Source to who plays it tonight, by `show.toml` or the command line."""

    def player_of(self, source: Source) -> str:
        """Name of who plays a source tonight, else of its usual player; empty where nobody wrote it down."""
        tonight = {key(name): player for name, player in self.players.items()}
        return tonight.get(key(source.name)) or source.player or ""

    def people(self, mix: str) -> tuple[str, ...]:
        """Names of the people who hear a mix, each once; a source nobody is named for stands as "whoever plays" it."""
        entries = [
            entry for monitor in self.house.monitor if key(monitor.mix) == key(mix) for entry in monitor.heard_by
        ]
        sources = {key(source.name): source for source in self.house.source}
        names = []
        for entry in entries:
            source = sources.get(key(entry))
            if source is None:
                names.append(entry)
            elif source.used:
                names.append(self.player_of(source) or sentence("monitor", "nobody-named", {"source": source.name}))
        return tuple(dict.fromkeys(names))

    def is_own(self, mix: str, source: Source) -> bool:
        """True where one person hears a mix, and plays this source."""
        people = self.people(mix)
        return len(people) == 1 and people[0] in (
            self.player_of(source),
            sentence("monitor", "nobody-named", {"source": source.name}),
        )


def with_mixes(source: Source, moves: Sequence[Move], listeners: Listeners) -> tuple[Move, ...]:
    """Moves of a source, each with the mixes on the stage that hear it.

    A send before the fader hears what the desk's mixes on stage are taken after (`[desk] monitors`), one after it the whole chain and the
    fader. A send to one of the source's effects is no mix on the stage.

    Parameters
    ----------
    source : Source
        With its sends.
    moves : sequence of Move
        In the order in which they are made.
    listeners : Listeners
    """
    sends = _stage_sends(source)
    return tuple(
        replace(
            move,
            mixes=tuple(
                MixChange(mix=send.mix, people=listeners.people(send.mix), change_db=_change_db(move))
                for send in sends
                if _is_heard(move, send)
            ),
        )
        for move in moves
    )


def _stage_sends(source: Source) -> list[Send]:
    """Sends of a source to mixes on the stage."""
    effects = {key(effect) for effect in source.effects}
    return [send for send in source.send if key(send.mix) not in effects]


def _is_heard(move: Move, send: Send) -> bool:
    """True where what a move turns lies before a send, or is that send."""
    if not move.is_setting:
        return False
    if move.where == "send":
        return key(str(move.facts.get("mix", ""))) == key(send.mix)
    if send.after_fader:
        return True
    return move.where != "fader" and "monitors" in move.who_hears


def _change_db(move: Move) -> float | None:
    """Change of level by a move, in dB; None where it changes the sound, or one side, or mutes."""
    if move.where in ("fader", "send") and "mute" not in move.settings:
        return float(move.facts["change_db"])
    if move.where in _GAINS and move.on == "both":
        return float(move.facts["change_db"])
    return None


def monitor_tellings(
    moves_of: Sequence[tuple[Source, Sequence[Move]]], listeners: Listeners
) -> tuple[MonitorTelling, ...]:
    """Mixes on the stage that the moves change by what is noticed, in the order of the house file, with the sentence for their people.

    Parameters
    ----------
    moves_of : sequence of (source, moves)
        Sources in the order of the house file; their moves in the order in which they are made, with their mixes.
    listeners : Listeners
    """
    names: dict[str, str] = {key(monitor.mix): monitor.mix for monitor in listeners.house.monitor}
    changes: dict[str, list[MonitorChange]] = {}
    for source, moves in moves_of:
        for send in _stage_sends(source):
            change = _change_in(send, source, moves, listeners)
            if change is not None:
                names.setdefault(key(send.mix), send.mix)
                changes.setdefault(key(send.mix), []).append(change)
    tellings = []
    for mix_key, mix in names.items():
        if mix_key not in changes:
            continue
        people = listeners.people(mix)
        values = {
            "mix": mix,
            "people": _listed(people),
            "changes": "; ".join(change.text for change in changes[mix_key]),
        }
        text = sentence("monitor", "tell" if people else "tell-unnamed", values)
        tellings.append(MonitorTelling(mix=mix, people=people, changes=tuple(changes[mix_key]), text=text))
    return tuple(tellings)


def _change_in(send: Send, source: Source, moves: Sequence[Move], listeners: Listeners) -> MonitorChange | None:
    """Change of a source in the mix of one send over all moves; None where nobody would notice."""
    level_db = lowest_db = highest_db = 0.0
    by_ear = sound = False
    for move in moves:
        mix_change = next((change for change in move.mixes if key(change.mix) == key(send.mix)), None)
        if mix_change is None:
            continue
        if mix_change.change_db is None:
            sound = True
            continue
        level_db += mix_change.change_db
        if send.after_fader or listeners.house.desk.monitors == "after-chain":
            # what the equaliser does to the level behind it, which a gain makes up for
            level_db += float(move.facts.get("shaped_db", 0.0))
        by_ear = by_ear or "set-again" in move.advice
        lowest_db, highest_db = min(lowest_db, level_db), max(highest_db, level_db)
    if max(-lowest_db, highest_db) < WORTH_DB - _ROUNDING_DB and not sound:
        return None
    level_db = 0.0 if abs(level_db) < _ROUNDING_DB else round(level_db, 4)
    is_own = listeners.is_own(send.mix, source)
    values = {
        "source": sentence("monitor", "own" if is_own else "others", {"source": source.name}),
        "size_db": abs(level_db),
        "dip_db": -lowest_db,
        "jump_db": highest_db,
    }
    name = _sentence_name(level_db, lowest_db, highest_db, by_ear=by_ear)
    text = sentence("monitor", name, values)
    if sound and name != "sound":
        text += sentence("monitor", "and-sound", {})
    return MonitorChange(
        source=source.name,
        change_db=level_db,
        lowest_db=round(lowest_db, 4),
        highest_db=round(highest_db, 4),
        by_ear=by_ear,
        sound=sound,
        is_own=is_own,
        text=text,
    )


def _sentence_name(level_db: float, lowest_db: float, highest_db: float, *, by_ear: bool) -> str:
    """Name of the sentence for a change: where it ends, or how far it goes on the way when it comes back."""
    least_db = WORTH_DB - _ROUNDING_DB
    if by_ear:
        return "by-ear"
    if level_db >= least_db:
        return "louder"
    if level_db <= -least_db:
        return "quieter"
    if -lowest_db >= least_db:
        return "dips"
    return "jumps" if highest_db >= least_db else "sound"


def _listed(people: Sequence[str]) -> str:
    """Names with "and" before the last."""
    return people[0] if len(people) == 1 else ", ".join(people[:-1]) + " and " + people[-1] if people else ""
