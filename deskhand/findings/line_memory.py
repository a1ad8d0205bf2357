"""Line check as memory: what is told of an input's turn against its kept turns, in one line and as a finding."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from deskhand.baseline.normal import Normal
from deskhand.baseline.numbers import LEVEL, NOISE, TONE
from deskhand.baseline.turns import LEAST_TURNS
from deskhand.findings.finding import Finding
from deskhand.findings.judgements import tone_change
from deskhand.house.roles import ROLES
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.baseline.turns import TurnComparison

LineCheckVerdict = Literal["as always", "changed", "learning", "somebody new"]
_MUCH_DB: Final = 6.0
"""Change of a tone that is called much: twice as much energy and twice again. Common practice, no source."""
_MOST_TOLD_DB: Final = 15.0
"""Changes from which nobody needs to be told. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineMemory:
    """An input's turn in this line check against its turns in kept ones."""

    verdict: LineCheckVerdict
    kept: int
    """Turns of this input in kept line checks."""
    by_player: int
    """Turns among them by whoever plays now."""
    player: str | None
    """Name of whoever plays now; null where nobody wrote it down."""
    text: str
    """Sentence for people, without the input's name."""
    changed: tuple[str, ...]
    """Names of the numbers that are not as always: level, tone, noise."""
    told: str
    """Smallest changes that would be told, in words; empty while nothing can be told."""
    normal: tuple[Normal, ...]
    """Its level, tone and noise against the kept turns, each with the range in which the next one should lie."""


def line_memory(comparison: TurnComparison, *, player: str | None) -> LineMemory:
    """What is told of a turn.

    Parameters
    ----------
    comparison : TurnComparison
    player : str or None
        Whoever plays, where somebody wrote it down.
    """
    kept = phrase("{count} line check{count:plural}", count=comparison.kept)
    verdict: LineCheckVerdict
    if comparison.is_newcomer:
        verdict, text = (
            "somebody new",
            phrase("first line check with {player} here ({count} with others)", player=player, count=comparison.kept),
        )
    elif comparison.kept < LEAST_TURNS:
        verdict, text = (
            "learning",
            phrase(
                "{kept} to compare with: from {least} on it is told when it is not as always",
                kept=kept,
                least=LEAST_TURNS,
            ),
        )
    elif comparison.changed:
        verdict, text = "changed", _change(comparison, player)
    else:
        by_player = (
            phrase(", {count} with {player}", count=comparison.by_player, player=player) if comparison.by_player else ""
        )
        verdict, text = "as always", phrase("as always ({kept}{by_player})", kept=kept, by_player=by_player)
    return LineMemory(
        verdict=verdict,
        kept=comparison.kept,
        by_player=comparison.by_player,
        player=player,
        text=text,
        changed=comparison.changed,
        told="" if verdict in ("learning", "somebody new") else _told(comparison),
        normal=comparison.normals,
    )


def _change(comparison: TurnComparison, player: str | None) -> str:
    """Words for what is not as it was, and in how many line checks it was otherwise."""
    by_name = {normal.name: normal for normal in comparison.normals}
    clauses = [_clause(by_name[name]) for name in (LEVEL.name, TONE, NOISE.name) if name in comparison.changed]
    with_player = (
        phrase(" with {player}", player=player) if player is not None and comparison.by_player >= LEAST_TURNS else ""
    )
    beyond = LEVEL.name in comparison.beyond_all and comparison.changed == (LEVEL.name,)
    count = comparison.by_player if with_player else comparison.kept
    than = "in any of its {count} line checks" if beyond and not with_player else "in its {count} line checks"
    clause = phrase(" and ").join(clauses)
    return phrase("{clause} than {than}{player}", clause=clause, than=phrase(than, count=count), player=with_player)


def _clause(normal: Normal) -> str:
    """Words for one number that is not as it was, to be followed by "than"."""
    off_db = abs(normal.measured - normal.expected)
    if normal.name == LEVEL.name:
        louder = normal.measured > normal.expected
        return phrase("{off_db:0} dB louder" if louder else "{off_db:0} dB quieter", off_db=off_db)
    if normal.name == NOISE.name:
        return phrase("with {off_db:0} dB more noise in its pauses", off_db=off_db)
    change = tone_change(normal)
    much = phrase("much ") if abs(change.off_db) >= _MUCH_DB else ""
    way = phrase("more" if change.off_db > 0 else "less")
    return f"{much}{phrase(change.word)} ({number(abs(change.off_db), 0)} dB {way} {change.band_words})"


def _told(comparison: TurnComparison) -> str:
    """Smallest changes that would be told, rounded up: what is promised is told."""
    parts = []
    for normal in comparison.normals:
        least = normal.least_told or {}
        if normal.name == TONE:
            regions = [
                f"{phrase(region)} {math.ceil(size)}"
                for region, size in least.items()
                if math.ceil(size) <= _MOST_TOLD_DB
            ]
            parts += [phrase("tone from {regions} dB", regions=", ".join(regions))] if regions else []
        elif normal.name == LEVEL.name and least and math.ceil(least["up"]) <= _MOST_TOLD_DB:
            parts.append(phrase("level from {least} dB", least=math.ceil(least["up"])))
    return "; ".join(parts)


def line_check_finding(source: str, role: str, memory: LineMemory, *, by_cable: bool) -> Finding | None:
    """Finding of a turn that is not as always; None where it is, or nothing can be told.

    Parameters
    ----------
    source, role : str
    memory : LineMemory
    by_cable : bool
        True for an input that has no microphone.
    """
    if memory.verdict != "changed":
        return None
    return Finding(
        id=f"{source}/line-check",
        kind="line-check",
        stage="tap",
        severity="listen",
        what="unlike",
        advice=(_advice(memory.changed, role, by_cable=by_cable),),
        facts={"change": memory.text},
    )


def _advice(changed: tuple[str, ...], role: str, *, by_cable: bool) -> str:
    """Name of where to look first."""
    if TONE in changed:
        return "check-player-end" if by_cable else "check-microphone"
    if LEVEL.name not in changed:
        return "check-cable"
    return "check-distance" if role in ROLES and ROLES[role].is_voice else "check-gain"
