"""Counter-moves: what was set by ear after a level appeared is set back by as much, so that nobody hears a jump."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.house import ROLES
from deskhand.moves.move import Move, Setting, cautions

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.moves.state import SourceState

_WORTH_DB: Final = 1.0
"""Least that a fader or a send is set back by: about what is noticed in a mix. Common practice, no source."""


def counter_moves(state: SourceState, gains: Sequence[Move], shaped_db: float, *, by_ear: bool) -> list[Move]:
    """Moves of the gains with what is set back beside them: reductions before them, raises after them.

    At line check nothing follows yet, and nothing is set back. Later, sends before the fader were set by ear with this level, and go back
    by what they hear of it. The fader goes back only where this week's file shows that it makes up for the level; where it stands as usual, the
    balance in the house is as wrong as the level. A send after the fader hears both, and stays with the house.

    Parameters
    ----------
    state : SourceState
    gains : sequence of Move
        Of the preamp and the trim, each with its change in dB among the facts.
    shaped_db : float
        By how much the equaliser's moves raise the level behind them.
    by_ear : bool
        Whether an input clipped: how far down it really goes shows only at the desk, and what follows is set by ear again.
    """
    if not gains or state.line_check or by_ear:
        return list(gains)
    house_db = sum(float(move.facts["change_db"]) for move in gains) + shaped_db
    monitors_db = sum(float(move.facts["change_db"]) for move in gains if "monitors" in move.who_hears)
    if state.desk.monitors == "after-chain":
        monitors_db = house_db
    counters, advice = [], []
    fader = _fader_move(state, house_db)
    if fader is not None:
        counters.append(fader)
    elif state.usual_fader_db is None and abs(house_db) >= _WORTH_DB:
        advice.append("fader-raised" if house_db > 0 else "fader-lowered")
    if abs(monitors_db) >= _WORTH_DB:
        sends = [send for send in state.source.send if not send.after_fader]
        counters += [_send_move(state, send.mix, send.level_db, -monitors_db) for send in sends]
        if not state.source.send:
            advice.append("sends-down-first" if monitors_db > 0 else "sends-up-then")
    last = gains[-1]
    sizes = {"monitors_size_db": abs(monitors_db), "house_size_db": abs(house_db)}
    last = replace(last, advice=(*last.advice, *advice), facts={**last.facts, **sizes})
    downward = [move for move in counters if float(move.facts["change_db"]) < 0]
    upward = [move for move in counters if float(move.facts["change_db"]) >= 0]
    return [*downward, *gains[:-1], last, *upward]


def _fader_move(state: SourceState, house_db: float) -> Move | None:
    """Move of a fader that makes up for the level this week, back towards where it usually stands."""
    fader_db, usual_db = state.source.fader_db, state.usual_fader_db
    if fader_db is None or usual_db is None:
        return None
    makes_up_db = fader_db - usual_db
    back_db = min(abs(makes_up_db), abs(house_db))
    if makes_up_db * house_db <= 0 or back_db < _WORTH_DB:
        return None
    after_db = round(fader_db - (back_db if makes_up_db > 0 else -back_db), 4)
    return Move(
        where="fader",
        block=None,
        index=None,
        on="both",
        settings={"fader": Setting(before=fader_db, after=after_db, unit="dB")},
        who_hears=("house", "stream"),
        action="fader-back",
        facts={"change_db": after_db - fader_db},
        cautions=cautions(
            ("house",), raises=after_db > fader_db, open_microphone=ROLES[state.source.role].open_microphone
        ),
    )


def _send_move(state: SourceState, mix: str, level_db: float, change_db: float) -> Move:
    """Move of a send that keeps what its mix hears."""
    hearers = ("monitors",)
    return Move(
        where="send",
        block=None,
        index=None,
        on="both",
        settings={"send": Setting(before=level_db, after=round(level_db + change_db, 4), unit="dB")},
        who_hears=("monitors",),
        action="send-back",
        facts={"mix": mix, "change_db": change_db},
        cautions=cautions(hearers, raises=change_db > 0, open_microphone=ROLES[state.source.role].open_microphone),  # type: ignore[arg-type]
    )
