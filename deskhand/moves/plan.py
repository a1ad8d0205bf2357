"""From what is wrong with a source to the moves that bring it home, in the order of causes: rig, patch, balance, level, tone, dynamics."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.moves.level import finish_level, plan_balance, plan_instructions, plan_level, plan_polarity
from deskhand.moves.move import Remark
from deskhand.moves.reduction import plan_reduction
from deskhand.moves.state import Plan
from deskhand.moves.tone import plan_tone

if TYPE_CHECKING:
    from deskhand.moves.state import SourceState


def plan(state: SourceState) -> Plan:
    """Moves of one source, those that help most first within each kind of cause.

    Parameters
    ----------
    state : SourceState
    """
    moves = Plan(blocks=list(state.blocks), at_desk=list(state.turned), skipped=state.skipped)
    plan_instructions(state, moves)
    if moves.at_source:
        # what arrives is not what should: nothing at the desk is turned for it
        moves.why.append(Remark(name="source-first"))
        return moves
    plan_polarity(state, moves)
    # one after the other: each is solved with what is turned already, and the level at the end once more
    plan_balance(state, moves)
    position = len(moves.moves)
    plan_level(state, moves)
    plan_tone(state, moves)
    finish_level(state, moves, position)
    plan_reduction(state, moves)
    return moves
