"""Course of a line check on disk, so that a computer that fails in the middle of it loses nothing that people did.

What is kept is who had a turn, what was said of each input, who plays, and the notes; what was measured is not. A file of another evening, of other
inputs, or of a line check that was ended, is passed over.
"""

from __future__ import annotations

import datetime as dt
import json
from contextlib import suppress
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from deskhand.files import write_atomically
from deskhand.findings import say
from deskhand.live.board import BoardNote

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.live.watch import Watch

FILE_NAME: Final = "line-check.json"
VERSION: Final = 1
"""Of the file's layout; another one is passed over."""
_EVERY_S: Final = 1.0
"""Time between two writes at least: a write waits for the disk. Common practice, no source."""
_LONGEST_H: Final = 6.0
"""Hours after which it is another line check. Common practice, no source."""


def broken_off(folder: Path, date: str) -> str:
    """Local time, like "19:42", at which a line check of an evening was broken off; empty where none was.

    Parameters
    ----------
    folder : Path
        Of the house's own files.
    date : str
        Of the evening.
    """
    try:
        saved = json.loads((folder / FILE_NAME).read_text("utf-8"))
        moment = dt.datetime.fromisoformat(saved["saved"])
        is_tonights = saved["date"] == date and is_recent(moment)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ""
    return f"{moment.astimezone():%H:%M}" if is_tonights else ""


def is_recent(moment: dt.datetime) -> bool:
    """True of a moment of the last hours: what was written then belongs to this evening."""
    return dt.timedelta() <= dt.datetime.now(dt.UTC) - moment < dt.timedelta(hours=_LONGEST_H)


class CourseFile:
    """File of one line check's course.

    Parameters
    ----------
    folder : Path
        Of the house's own files, made when something is written.
    date : str
        Of the evening.
    watch : Watch
    """

    def __init__(self, folder: Path, date: str, watch: Watch) -> None:
        self.path = folder / FILE_NAME
        self._date = date
        self._watch = watch
        self._written: dict[str, Any] = {}
        self._written_s = -_EVERY_S

    def _state(self, notes: Sequence[BoardNote]) -> dict[str, Any]:
        line = self._watch.line
        inputs = []
        for entry in line.inputs:
            findings = entry.findings
            inputs.append(
                {
                    "source": entry.source.name,
                    # who sounds at this moment may not be there when it is read
                    "state": "waiting" if entry.state == "sounding" else entry.state,
                    "came_at": entry.came_at,
                    "confirmed_by": entry.confirmed_by,
                    "earlier": say(findings[0]) if findings else entry.earlier,
                }
            )
        return {
            "version": VERSION,
            "date": self._date,
            "turn": line.turn,
            "inputs": inputs,
            "players": dict(self._watch.players),
            "notes": [asdict(note) for note in notes],
        }

    def write(self, notes: Sequence[BoardNote], *, at_once: bool = False) -> None:
        """Write what changed, once a second at most; a disk that is full keeps nobody from going on."""
        now_s = self._watch.now_s
        if not at_once and now_s - self._written_s < _EVERY_S:
            return
        state = self._state(notes)
        self._written_s = now_s
        if state == self._written:
            return
        with suppress(OSError):
            self.path.parent.mkdir(exist_ok=True)
            saved = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
            write_atomically(self.path, json.dumps(state | {"saved": saved}, ensure_ascii=False, indent=1))
        self._written = state

    def end(self) -> None:
        """Remove it: the line check was ended."""
        with suppress(OSError):
            self.path.unlink(missing_ok=True)

    def resume(self, notes: list[BoardNote]) -> tuple[str, int] | None:
        """Go on where a line check of this evening stopped.

        Parameters
        ----------
        notes : list of BoardNote
            Filled with those that were left.

        Returns
        -------
        tuple or None
            Local time at which it was saved, like "19:42", and the number of inputs that had arrived; None where there is nothing to go on with.
        """
        try:
            saved = json.loads(self.path.read_text("utf-8"))
            moment = dt.datetime.fromisoformat(saved["saved"])
            is_ours = (
                saved["version"] == VERSION
                and saved["date"] == self._date
                and [row["source"] for row in saved["inputs"]]
                == [entry.source.name for entry in self._watch.line.inputs]
                and is_recent(moment)
            )
            if not is_ours:
                return None
            left = [BoardNote(**note) for note in saved["notes"]]
            count = self._put_back(saved)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        notes.extend(left)
        return f"{moment.astimezone():%H:%M}", count

    def _put_back(self, saved: dict[str, Any]) -> int:
        """Put the inputs' states back; returns how many had arrived."""
        line = self._watch.line
        rows = [
            (str(row["state"]), row["came_at"], row["confirmed_by"], str(row["earlier"])) for row in saved["inputs"]
        ]
        turn, players = int(saved["turn"]), {str(name): str(who) for name, who in saved["players"].items()}
        if not 0 <= turn <= len(rows) or any(
            state not in ("waiting", "skipped", "arrived", "not tonight") for state, *_ in rows
        ):
            raise ValueError("no state of a line check")
        for entry, (state, came_at, confirmed_by, earlier) in zip(line.inputs, rows, strict=True):
            entry.state = state  # type: ignore[assignment]  # one of the four above
            entry.came_at = None if came_at is None else int(came_at)
            entry.confirmed_by = None if confirmed_by is None else str(confirmed_by)
            entry.earlier = earlier
        line.turn = turn
        self._watch.players = {**players, **self._watch.players}
        return sum(state == "arrived" for state, *_ in rows)
