"""Counter-moves: what was set by ear after a level appeared is set back by as much, so that nobody hears a jump."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.house import ROLES
from deskhand.moves.move import Move, Setting, cautions

if TYPE_CHECKING:
    from deskhand.moves.state import SourceState

_WORTH_DB: Final = 1.0
"""Least that a fader or a send is set back by: about what is noticed in a mix. Common practice, no source."""


def counter_moves(state: SourceState, gain: Move, shaped_db: float) -> list[Move]:
    """Move of a gain with what is set back beside it: reductions before it, raises after it.

    At line check nothing follows yet, and nothing is set back. Later, sends before the fader were set by ear with this level, and go back
    by what they hear of it. The fader goes back only where this week's file shows that it makes up for the level; where it stands as usual, the
    balance in the house is as wrong as the level. A send after the fader hears both, and stays with the house.

    Parameters
    ----------
    state : SourceState
    gain : Move
        Of the preamp or the trim, with its change in dB among the facts.
    shaped_db : float
        By how much the equaliser's moves raise the level behind them.
    """
    change_db = float(gain.facts["change_db"])
    # how far down a clipped input really goes shows only at the desk
    if state.line_check or gain.action.startswith("preamp-until"):
        return [gain]
    advice = list(gain.advice)
    counters = []
    house_db = change_db + shaped_db
    fader = _fader_move(state, house_db)
    if fader is not None:
        counters.append(fader)
    elif state.usual_fader_db is None and abs(house_db) >= _WORTH_DB:
        advice.append("fader-raised" if house_db > 0 else "fader-lowered")
    monitors_db = house_db if state.desk.monitors == "after-chain" else change_db
    if "monitors" in gain.who_hears and abs(monitors_db) >= _WORTH_DB:
        sends = [send for send in state.source.send if not send.after_fader]
        counters += [_send_move(state, send.mix, send.level_db, -monitors_db) for send in sends]
        if not state.source.send:
            advice.append("sends-down-first" if monitors_db > 0 else "sends-up-then")
    gain = replace(gain, advice=tuple(advice), facts={**gain.facts, "monitors_size_db": abs(monitors_db)})
    gain = replace(gain, facts={**gain.facts, "house_size_db": abs(house_db)})
    downward = [move for move in counters if float(move.facts["change_db"]) < 0]
    upward = [move for move in counters if float(move.facts["change_db"]) >= 0]
    return [*downward, gain, *upward]


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
