"""Ring-out of this evening on disk, so that a computer that fails in the middle of it loses nothing that was found."""

from __future__ import annotations

import datetime as dt
import json
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.files import write_atomically
from deskhand.live.resume import is_recent
from deskhand.live.ring_out import RingOut

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.live.ring_out import Step

FILE_NAME: Final = "ring-out.json"
VERSION: Final = 1
"""Of the file's layout; another one is passed over."""


def taken_up(state: RingOut, fresh: RingOut) -> RingOut:
    """State in which a ring-out is gone on with that was left, or broken off: all cautions again, then the same microphone.

    Parameters
    ----------
    state : RingOut
    fresh : RingOut
        As it would begin now: the house's microphones, mixes and desk.

    Raises
    ------
    KeyError
        It holds a microphone or a mix that the house rings out no more.
    """
    known_db = {(pair.source, pair.mix): pair.known_db for pair in fresh.pairs}
    pairs = tuple(
        replace(
            pair,
            known_db=known_db[pair.source, pair.mix],
            margin_db=None,
            # nobody has said where the send stood
            rings=tuple(ring for ring in pair.rings if ring.send_db is not None),
        )
        for pair in state.pairs
    )
    is_done = state.step == "told"
    turn = state.turn + 1 if is_done and state.turn + 1 < len(pairs) else state.turn
    step: Step = "over" if state.step == "over" or (is_done and turn == state.turn) else "safe"
    return replace(state, pairs=pairs, equaliser=fresh.equaliser, turn=turn, step=step, muted=False, problem="")


class RingOutFile:
    """File of one evening's ring-out.

    Parameters
    ----------
    folder : Path
        Of the house's own files, made when something is written.
    date : str
        Of the evening.
    """

    def __init__(self, folder: Path, date: str) -> None:
        self.path = folder / FILE_NAME
        self._date = date

    def write(self, state: RingOut) -> None:
        """Write what was found until now; a disk that is full keeps nobody from going on."""
        saved = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        data = {"version": VERSION, "date": self._date, "saved": saved, "ring_out": state.data()}
        with suppress(OSError):
            self.path.parent.mkdir(exist_ok=True)
            write_atomically(self.path, json.dumps(data, ensure_ascii=False, indent=1))

    def read(self, fresh: RingOut) -> tuple[str, RingOut] | None:
        """Local time, like "19:42", at which it was written, and the ring-out of this evening; None where there is none to go on with.

        Parameters
        ----------
        fresh : RingOut
            As it would begin now.
        """
        try:
            saved = json.loads(self.path.read_text("utf-8"))
            moment = dt.datetime.fromisoformat(saved["saved"])
            if saved["version"] != VERSION or saved["date"] != self._date or not is_recent(moment):
                return None
            state = taken_up(RingOut.of_data(saved["ring_out"]), fresh)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        return f"{moment.astimezone():%H:%M}", state
