"""The first set-up of a house: recordings that are dropped on the page, sources proposed from one, and the house file written."""

from __future__ import annotations

import os
import secrets
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse, Response

from deskhand.errors import HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.house import (
    FILE_NAME,
    ROLES,
    WEEK_PREFIX,
    Desk,
    House,
    HouseFile,
    Source,
    Vocal,
    parse_house,
    with_new_name,
    with_todays_names,
)
from deskhand.leftovers import unfinished_prefix
from deskhand.recording import open_recording
from deskhand.recording.files import AUDIO_SUFFIXES
from deskhand.report.words import words
from deskhand.tasks import check as checking
from deskhand.tasks.new import house_text, level_questions, proposal_of, refuse_hiding
from deskhand.tasks.role_by_sound import open_guesses
from deskhand.web import render
from deskhand.web.parse import file_name, lies_in, short_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from deskhand.tasks.new import HouseProposal
    from deskhand.tasks.role_by_sound import SoundGuess
    from deskhand.web.jobs import Job
    from deskhand.web.state import PageState

_FREE_BYTES: Final = 200_000_000
"""Room that a dropped recording leaves on the disk. Common practice, no source."""
_HOUSE_NAME: Final = "Our house"


def proposal(
    proposed: HouseProposal,
    hints: Mapping[str, str],
    levels_dbfs: Mapping[str, float | None],
    guesses: Mapping[str, SoundGuess],
) -> list[dict[str, Any]]:
    """Rows of the sources that are proposed.

    Parameters
    ----------
    proposed : HouseProposal
    hints : mapping
        Source name to what was heard of it.
    levels_dbfs : mapping
        Source name to its level while it plays.
    guesses : mapping
        Source name to the role that it sounds like.
    """
    questions = level_questions(proposed.house, levels_dbfs)
    return [
        {
            "name": source.name,
            "role": source.role,
            "left": str(source.tracks[0]),
            "right": str(source.tracks[1]) if len(source.tracks) == 2 else "",
            "heard": hints.get(source.name, ""),
            "question": questions.get(source.name, ""),
            "remark": proposed.remarks.get(source.name, ""),
            "guess": guesses.get(source.name),
            "channel": source.channel or "",
            "patch": "",
        }
        for source in (*proposed.house.source, *proposed.house.seat)
    ]


def _source_of(row: Any, count: int) -> Source:
    """Source of a row as a person put it right.

    Raises
    ------
    UsageError
        A name, a track or a role is missing.
    """
    if not isinstance(row, dict):
        raise UsageError(f"source {count}", "is no source", "read the page again")
    name = str(row.get("name", "")).strip()
    tracks = [str(track) for track in (row.get("left"), row.get("right")) if track]
    if not name:
        raise UsageError(f"source {count}", "has no name", "give it one")
    if not tracks:
        raise UsageError(f'"{name}"', "has no track", "choose one, or take the source away")
    role = row.get("role")
    if role not in list(ROLES):  # a list: a browser may send what has no hash
        raise UsageError(f'"{name}"', f"has the role {role!r}", "choose one of the list")
    return Source(
        name=name,
        role=role,
        tracks=tracks,  # type: ignore[arg-type]
        channel=str(row.get("channel", "")).strip() or None,
        patch=str(row.get("patch", "")).strip() or None,
    )


def _exists_error(target: Path) -> UsageError:
    path = f"{target.parent.name}/{target.name}"
    return UsageError(path, "is there already", "it is not written over: move it away first")


class SetupPages:
    """Pages with which a house begins.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        self._hall = state.hall
        self._hints: dict[str, dict[str, str]] = {}
        self._faders_db: dict[str, dict[str, float | None]] = {}
        self._levels_dbfs: dict[str, dict[str, float | None]] = {}
        self._guesses: dict[str, dict[str, SoundGuess]] = {}
        self._mixes: dict[str, list[str | int]] = {}

    def first(self, request: Request) -> Response:
        """Set-up page: sources proposed from a recording, put right by a person, and written."""
        shelves = self._hall.recordings()
        id_ = request.query_params.get("of")
        shelf = self._hall.recording(id_) if id_ else None
        sources, tracks, lead = [], [], ""
        if shelf is not None and shelf.id in self._hints:
            recording = open_recording(shelf.path)
            tracks = [track.name for track in recording.tracks]
            proposed = proposal_of(recording, name=_HOUSE_NAME)
            sources = proposal(proposed, self._hints[shelf.id], self._levels_dbfs[shelf.id], self._guesses[shelf.id])
            lead = proposed.house.vocal.source if proposed.house.vocal else ""
        return HTMLResponse(
            render.page(
                "first",
                **render.page_head(self._hall),
                has_house=self._hall.has_house,
                rows=[
                    {"shelf": row, "line": render.shelf_line(row), "when": render.spoken_time(row.written)}
                    for row in shelves
                ],
                chosen=shelf,
                sources=sources,
                tracks=tracks,
                roles=list(ROLES),
                role_words=words()["role"],
                lead=lead,
            )
        )

    def listen(self, data: dict[str, Any]) -> dict[str, Any]:
        """Listen to a recording, to propose its sources."""
        shelf = self._state.shelf_of(data)

        def work(job: Job) -> str:
            recording = open_recording(shelf.path)
            proposed = proposal_of(recording, name=_HOUSE_NAME)
            house = proposed.house
            self._mixes[shelf.id] = house.desk.mix
            impressions = checking.listen(recording, house, progress=job.progress)
            self._levels_dbfs[shelf.id] = {name: impression.level_dbfs for name, impression in impressions.items()}
            self._faders_db[shelf.id] = {name: impression.fader_db for name, impression in impressions.items()}
            self._guesses[shelf.id] = open_guesses(
                proposed.asked, {name: impression.sound_guess for name, impression in impressions.items()}
            )
            self._hints[shelf.id] = {name: impression.comment for name, impression in impressions.items()}
            return f"/first?of={shelf.id}"

        return {"job": self._state.jobs.start(f"listen {shelf.id}", work).id}

    def write_house(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write the house file as a person put it right."""
        rows = data.get("sources")
        if not isinstance(rows, list):
            raise UsageError("the sources", "are missing", "read the page again")
        sources = [_source_of(row, count) for count, row in enumerate(rows, 1)]
        lead = str(data.get("lead", ""))
        try:
            mains: Any = str(data.get("mains", "50 Hz"))
            house = House(name=str(data.get("name", "")).strip() or _HOUSE_NAME, mains=mains)
        except ValueError as error:
            raise UsageError("the mains", "is not known", "choose 50 Hz or 60 Hz") from error
        claimed = {track for source in sources for track in source.tracks}
        mix = [track for track in self._mixes.get(str(data.get("id")), []) if track not in claimed]
        file = HouseFile(
            house=house,
            desk=Desk(mix=mix),
            source=sources,
            vocal=Vocal(source=lead) if lead in [source.name for source in sources] else None,
        )
        id_ = str(data.get("id"))
        written = house_text(
            file,
            heard=self._hints.get(id_, {}),
            levels_dbfs=self._levels_dbfs.get(id_),
            faders_db=self._faders_db.get(id_),
            sound_guesses=self._guesses.get(id_),
        )
        parse_house(written, self._hall.house_file)
        with self._hall.lock:
            if self._hall.has_house:
                raise HouseError(FILE_NAME, "is there already", "it is not written over: move it away first")
            refuse_hiding(
                self._hall.house_file, fix="open the page of that folder instead, with: deskhand serve FOLDER"
            )
            write_atomically(self._hall.house_file, written)
        return {"to": f"/recordings#{data.get('id', '')}"}

    def rename(self, data: dict[str, Any]) -> dict[str, Any]:
        """Give a source, or the house, another name; the standing file remembers the earlier one, and weeks beside it follow."""
        source, name = str(data.get("of") or "") or None, short_text(data.get("name"))
        with self._hall.lock:
            new_text = with_new_name(self._hall.standing_text(), source, name)
            today = parse_house(new_text, self._hall.house_file)
            # the standing file first: a week that is not written any more is read under today's names
            write_atomically(self._hall.house_file, new_text)
            for week in sorted(self._hall.root.glob(f"{WEEK_PREFIX}*.toml")):
                old = week.read_text("utf-8-sig")
                if (new := with_todays_names(old, today)) != old:
                    write_atomically(week, new)
        return {"to": "/weeks"}

    async def upload(self, request: Request) -> Response:
        """Write one file of a recording as it comes; it appears whole or not at all."""
        folder_name = file_name(str(request.path_params["folder"]), "the folder")
        name = file_name(str(request.path_params["name"]), "the file")
        if Path(name).suffix.casefold() not in AUDIO_SUFFIXES and name != "show.toml":
            raise UsageError(name, "is no audio file", f"drop files that end in {', '.join(sorted(AUDIO_SUFFIXES))}")
        root = self._hall.root
        target = root / folder_name / name
        length = int(request.headers.get("content-length", "0"))
        part = root / f"{unfinished_prefix()}{secrets.token_hex(8)}.part"

        def require_room() -> None:
            if os.path.lexists(target):
                raise _exists_error(target)
            if not lies_in(root, folder_name):
                raise UsageError(folder_name, "is a link to elsewhere", "choose another folder")
            if shutil.disk_usage(root).free < length + _FREE_BYTES:
                raise UsageError(name, "does not fit on the disk", "make room, or choose a shorter recording")

        def put() -> None:
            with self._hall.lock:
                if os.path.lexists(target):  # another one arrived meanwhile
                    raise _exists_error(target)
                target.parent.mkdir(exist_ok=True)
                part.rename(target)

        await run_in_threadpool(require_room)
        try:
            with part.open("xb") as file:
                async for piece in request.stream():
                    await run_in_threadpool(file.write, piece)
            if length and part.stat().st_size != length:
                raise UsageError(name, "did not arrive whole", "drop it again")
            await run_in_threadpool(put)
            self._hall.look_again()
        except OSError as error:
            raise UsageError(
                name, f"cannot be written ({error.strerror})", "make room, or let this user write"
            ) from None
        finally:
            part.unlink(missing_ok=True)
        return JSONResponse({"name": name}, 201)
