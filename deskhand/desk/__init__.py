"""State of the desk: what a take has still to go through, what was turned since it was recorded, and what became of it."""

from deskhand.desk.life import EarlierMove, Fate, earlier_moves, fates
from deskhand.desk.state import DeskState, desk_state, lies_before_tap

__all__ = [
    "DeskState",
    "EarlierMove",
    "Fate",
    "desk_state",
    "earlier_moves",
    "fates",
    "lies_before_tap",
]
