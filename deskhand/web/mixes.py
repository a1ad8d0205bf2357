"""Mixes on the stage, one at a time: who hears it, what is sent to it, and what this week's moves change there."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from starlette.responses import HTMLResponse, Response

from deskhand.errors import UsageError
from deskhand.files import write_atomically
from deskhand.house import WrittenMix, WrittenSend, parse_house, with_mix, written_mixes
from deskhand.recording.names import key
from deskhand.report.words import text
from deskhand.units import number
from deskhand.web import render
from deskhand.web.parse import in_db, short_text
from deskhand.web.what_if import ConflictError

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request

    from deskhand.result import CheckResult
    from deskhand.web.state import PageState

_MOST_UNDONE: Final = 20
"""Savings that can be undone: an evening's. Common practice, no source."""
_MOST_SENDS: Final = 200
"""Most sources of one mix: more than any desk has. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _SavedFile:
    """File that was saved, with its text before and after; None before where there was none."""

    path: Path
    before: str | None
    after: str


def mix_fields(mix: WrittenMix | None) -> dict[str, Any]:
    """Mix as the fields of the page show it; empty ones for a new mix."""
    if mix is None:
        return {"mix": "", "heard_by": "", "sends": {}}
    sends = {source: {"level": send.level, "after_fader": send.after_fader} for source, send in mix.sends.items()}
    return {"mix": mix.mix, "heard_by": ", ".join(mix.heard_by), "sends": sends}


def mix_of_fields(data: Any) -> WrittenMix:
    """Mix as the page sends it, in the words of the house file.

    Raises
    ------
    UsageError
        It is none, or it has no name.
    """
    if not isinstance(data, dict) or not isinstance(data.get("sends"), dict):
        raise UsageError("the mix", "is missing", "read the page again")
    name = short_text(data.get("mix"))
    if not name:
        raise UsageError("the mix", "has no name", "give it the one that the desk has")
    heard_by = tuple(dict.fromkeys(filter(None, map(str.strip, short_text(data.get("heard_by")).split(",")))))
    sends = {
        short_text(source): WrittenSend(level=in_db(level), after_fader=send.get("after_fader") is True)
        for source, send in list(data["sends"].items())[:_MOST_SENDS]
        if isinstance(send, dict) and (level := short_text(send.get("level")))
    }
    return WrittenMix(mix=name, heard_by=heard_by, sends=sends)


def changes_in(result: CheckResult, mix: str) -> tuple[str, list[str]]:
    """Whom to tell of this week's moves in a mix, and each move that is heard in it, counter-moves among them.

    Parameters
    ----------
    result : CheckResult
    mix : str
    """
    telling = next((telling.text for telling in result.monitors if key(telling.mix) == key(mix)), "")
    lines = []
    for source in result.sources:
        for move in source.moves:
            change = next((change for change in move.mixes if key(change.mix) == key(mix)), None)
            if change is None:
                continue
            by_db = change.change_db
            heard = (
                text("mixes.sound")
                if by_db is None
                else text("mixes.by", change=("+" if by_db > 0 else "") + number(by_db, 1))
            )
            lines.append(f"{source.name}: {move.text} ({heard})")
    return telling, lines


class MixPages:
    """Page of the mixes on the stage, and what is saved on it.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        self._hall = state.hall
        self._saved: OrderedDict[str, list[_SavedFile]] = OrderedDict()

    def page(self, request: Request) -> Response:
        """Page of one mix: the one that is asked for, else the first, else a new one."""
        shelf, check = self._state.check_at(request)
        house_text = self._hall.text_of(shelf)
        house = parse_house(house_text, self._hall.file_of(shelf))
        mixes = written_mixes(house_text)
        wanted = request.query_params.get("mix")
        chosen = next((mix for mix in mixes if wanted is not None and key(mix.mix) == key(wanted)), None)
        if wanted is None and mixes:
            chosen = mixes[0]
        telling, lines = ("", []) if chosen is None else changes_in(check.result, chosen.mix)
        return HTMLResponse(
            render.page(
                "mixes",
                **render.page_head(self._hall, shelf, check),
                mixes=[mix.mix for mix in mixes],
                chosen="" if chosen is None else chosen.mix,
                fields=mix_fields(chosen),
                rows=[source for source in house.source if source.used],
                people=sorted(
                    {source.player for source in house.source if source.player}
                    | set(check.result.show.players.values())
                ),
                telling=telling,
                lines=lines,
                hears=text(f"mixes.hears_{house.desk.monitors.replace('-', '_')}"),
            )
        )

    def save(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write a mix into this week's house file, or into the standing one as well, unless somebody else changed it meanwhile."""
        shelf = self._state.shelf_of(data)
        name = short_text(data.get("mix"))
        wanted = None if data.get("take_out") is True else mix_of_fields(data.get("fields"))
        with self._hall.lock:
            week, read = self._hall.week_file(shelf), self._hall.text_of(shelf)
            standing = next((mix for mix in written_mixes(read) if name and key(mix.mix) == key(name)), None)
            if data.get("base") != mix_fields(standing):
                raise ConflictError(mix_fields(standing))
            new_text = with_mix(read, name, wanted)
            saved = []
            is_for_all = data.get("every_week") is True
            if is_for_all:
                old_text = self._hall.standing_text()
                known = name if any(key(mix.mix) == key(name) for mix in written_mixes(old_text)) else ""
                if known or wanted is not None:
                    saved.append(
                        _SavedFile(path=self._hall.house_file, before=old_text, after=with_mix(old_text, known, wanted))
                    )
            if not is_for_all or week.is_file():
                before = week.read_text("utf-8-sig") if week.is_file() else None
                saved.append(_SavedFile(path=week, before=before, after=new_text))
            for file in saved:
                write_atomically(file.path, file.after)
            token = secrets.token_hex(8)
            self._saved[token] = saved
            while len(self._saved) > _MOST_UNDONE:
                self._saved.popitem(last=False)
        key_of_words = "mixes.saved_every" if is_for_all else "mixes.saved_week"
        return {
            "mix": "" if wanted is None else wanted.mix,
            "undo": token,
            "said": text(key_of_words, file=week.name),
        }

    def undo(self, data: dict[str, Any]) -> dict[str, Any]:
        """Put the files back as they were before a mix was saved, unless they were changed since.

        Raises
        ------
        UsageError
            They were, or too much was saved since.
        """
        with self._hall.lock:
            saved = self._saved.get(short_text(data.get("undo")))
            if saved is None:
                raise UsageError("that change", "cannot be undone any more", "type it as it was")
            for file in saved:
                if not file.path.is_file() or file.path.read_text("utf-8-sig") != file.after:
                    raise UsageError(
                        file.path.name, "was changed since", "look at it, and type what is to be as it was"
                    )
            for file in saved:
                if file.before is None:
                    file.path.unlink()
                else:
                    write_atomically(file.path, file.before)
            del self._saved[short_text(data.get("undo"))]
        return {"said": text("mixes.undone")}
