"""The page's addresses. Thin: each reads what was asked, calls what answers it, and says what went wrong in one line."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import threading
import unicodedata
from collections import OrderedDict
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from deskhand.errors import DeskhandError, HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.findings import first_texts, first_things, status_of, with_dismissals, with_text
from deskhand.house import (
    FILE_NAME,
    House,
    HouseFile,
    Source,
    Vocal,
    parse_house,
    read_house,
    with_source,
    written_source,
)
from deskhand.recording import open_recording, read_show_note
from deskhand.recording.files import AUDIO_SUFFIXES
from deskhand.recording.show import checked_date
from deskhand.report.page import environment
from deskhand.report.words import text, words
from deskhand.result import plain
from deskhand.store import BlindTest, Dismissal, history_url
from deskhand.tasks import check as checking
from deskhand.tasks import keep as keeping
from deskhand.tasks.new import guess_house, house_text
from deskhand.tasks.week import week_text
from deskhand.units import clock
from deskhand.web import views
from deskhand.web.blind import Blind
from deskhand.web.guard import Guard
from deskhand.web.hall import CheckOptions, Hall, Shelf, Shown, digest, tracks_of
from deskhand.web.jobs import Job, Jobs
from deskhand.web.tries import Desk, Sounds, Stretch, open_desk, pair_of, to_left_and_right
from deskhand.web.voice import MOMENT_S, Room, Settings, heard, mix_around

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterator

    from starlette.requests import Request

    from deskhand.result import SourceResult
    from deskhand.store.history import History

Thing = TypeVar("Thing")
_QUIET_LUFS: Final = -26.0
_HEAR_MOST_S: Final = 20.0
_FREE_BYTES: Final = 200_000_000
_OPENED: Final = 20
_DEVICES: Final = frozenset(
    ["con", "prn", "aux", "nul", *(f"{one}{at}" for one in ("com", "lpt") for at in (*range(10), *"¹²³"))]
)
"""Names that no file can have on Windows, whatever they end in: a folder is carried from one computer to another."""
PAPERS: Final[tuple[Literal["a4", "letter"], ...]] = ("a4", "letter")


class _Newest(OrderedDict[Any, Any]):
    """The newest few of what takes long to make."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self._most = most
        self._own = threading.Lock()

    def made(self, key: Any, make: Callable[[], Thing]) -> Thing:
        """The one of a key, made where it is not there."""
        with self._own:
            if key in self:
                self.move_to_end(key)
                found: Thing = self[key]
                return found
        value = make()
        with self._own:
            self[key] = value
            while len(self) > self._most:
                self.popitem(last=False)
        return value


class Pages:
    """Answers everything the page asks.

    Parameters
    ----------
    hall : Hall
    history : str, optional
        URL or file of the history; the one beside the house file by default.
    by : str
        Who says so, when the page keeps or leaves something.
    """

    def __init__(self, hall: Hall, *, history: str | None = None, by: str | None = None) -> None:
        self.hall = hall
        self.history = history
        self.by = keeping.who(by)
        self.jobs = Jobs()
        self.sounds = Sounds()
        self._shown = _Newest(4)
        self._desks = _Newest(4)
        self._stretches = _Newest(8)
        self._rooms = _Newest(2)
        self._blinds = _Newest(20)
        self._answering = threading.Lock()
        self._proposals: dict[str, dict[str, str]] = {}

    # --- what requests are about

    def _shelf(self, request: Request) -> Shelf:
        found = self.hall.recording(str(request.path_params["id"]))
        if found is None:
            raise HTTPException(404, text("error.no_recording"))
        return found

    def _check_of(self, shelf: Shelf) -> Shown | None:
        """The check of a recording as it was made: what is tried, heard and written needs no look into the history."""
        return self._shown.made(
            (shelf.id, shelf.size, shelf.changed, _stamp(self.hall, shelf)), lambda: self.hall.shown(shelf)
        )

    def _result(self, shelf: Shelf) -> Shown | None:
        """The same with what was left alone since."""
        found = self._check_of(shelf)
        return None if found is None else self._without_left(found)

    def _tried_on(self, data: dict[str, Any]) -> tuple[Shelf, Shown]:
        """The recording that something is tried on, and its check."""
        shelf = self._of(data)
        shown = self._check_of(shelf)
        if shown is None:
            raise UsageError(shelf.name, "is not checked yet", "check it first")
        return shelf, shown

    def _needed(self, request: Request) -> tuple[Shelf, Shown]:
        shelf = self._shelf(request)
        shown = self._result(shelf)
        if shown is None:
            raise HTTPException(404, text("error.not_checked"))
        return shelf, shown

    @contextmanager
    def _history(self) -> Iterator[History | None]:
        """The history; None while nothing was written to it."""
        url = history_url(self.history, self.hall.root)
        store = None
        if url is not None:
            from deskhand.store.history import open_history

            store = open_history(url)
        try:
            yield store
        finally:
            if store is not None:
                store.close()

    def _left(self, house: str) -> list[Dismissal]:
        with self._history() as store:
            return [] if store is None else store.dismissals(house=house)

    def _without_left(self, shown: Shown) -> Shown:
        result = shown.result
        by_source = with_dismissals(
            {source.name: source.findings for source in result.sources},
            self._left(result.house),
            show=(result.show.name, result.show.date),
        )
        sources = tuple(
            replace(source, findings=tuple(map(with_text, findings)), status=status_of(findings))
            if (findings := by_source[source.name]) != list(source.findings)
            else source
            for source in result.sources
        )
        if all(one is other for one, other in zip(sources, result.sources, strict=True)):
            return shown
        where = {one.name: one.where for one in parse_house(shown.house_text, Path(FILE_NAME)).source}
        items = [
            (source.name, source.role, where.get(source.name, ""), finding)
            for source in sources
            for finding in source.findings
        ]
        first = first_texts(first_things(items), items)
        return replace(shown, result=replace(result, sources=sources, first=first))

    def _desk(self, shelf: Shelf) -> Desk:
        """The recording behind the house as it holds for the show."""
        text_of = self.hall.text_of(shelf)

        def make() -> Desk:
            house = parse_house(text_of, self.hall.file_of(shelf))
            note = read_show_note(shelf.path if shelf.path.is_dir() else shelf.path.parent)
            asked = self.hall.asked(shelf.id)
            tap: Any = asked.tap or note.tap or house.house.tap
            return open_desk(shelf.path, house, self.hall.root, tap=tap, taps=note.taps)

        return self._desks.made((shelf.id, shelf.size, shelf.changed, digest(text_of)), make)

    def _stretch(self, shelf: Shelf, name: str, start_s: float) -> Stretch:
        desk = self._desk(shelf)
        source = desk.source(name)
        # what the chain holds is given with each try: only the tap and the tracks of the house matter
        key = (shelf.id, shelf.changed, name, round(start_s, 3), desk.tap_of(source), tuple(source.tracks), source.role)
        return self._stretches.made(key, lambda: Stretch(desk, source, start_s))

    def _standing(self, name: str) -> list[dict[str, Any]]:
        """A source's chain in the standing house file."""
        text_of = self.hall.standing_text()
        parse_house(text_of, self.hall.house_file)
        return _chain(views.week_source(text_of, name).get("chain", []))

    def _wanted(self, shelf: Shelf, name: str, value: Any) -> list[dict[str, Any]]:
        """A chain as the page sends it: what it reads lies in the house's folder, unless the house file itself says otherwise."""
        chain = _chain(value)
        written = views.week_source(self.hall.text_of(shelf), name).get("chain", [])
        known = [block.get("file") for block in written]
        for place, block in enumerate(chain, 1):
            file = block.get("file")
            if isinstance(file, str) and file not in known and not _lies_in(self.hall.root, file):
                raise UsageError(f"chain {place}", f"{file[:60]!r} is not in the house's folder", "copy it there")
        return chain

    # --- pages

    def home(self, _: Request) -> Response:
        """The newest show, or how to begin."""
        if not self.hall.has_house:
            return RedirectResponse("/first", 303)
        every = self.hall.recordings()
        for shelf in every:
            if self.hall.is_checked(shelf) and self._result(shelf) is not None:
                return self._week(shelf)
        return self.recordings_page(_)

    def week(self, request: Request) -> Response:
        """One show."""
        return self._week(self._shelf(request))

    def _week(self, shelf: Shelf) -> Response:
        shown = self._result(shelf)
        if shown is None:
            return RedirectResponse(f"/recordings#{shelf.id}", 303)
        result = shown.result
        own = [one for one in self._left(result.house) if (one.show, one.date) == (result.show.name, result.show.date)]
        return HTMLResponse(
            views.week_page(
                self.hall,
                shown,
                news=self._news(),
                kept=self._kept(result.house, result.show.name, result.show.date, result.show.phase),
                changed=self.hall.text_of(shelf) != shown.house_text,
                left=sorted({f"{one.source}/{one.kind}" for one in own if not one.for_good}),
            )
        )

    def _kept(self, house: str, show: str, date: str | None, phase: str) -> str | None:
        """When a show was kept; None when it was not."""
        with self._history() as store:
            for row in () if store is None else store.takes(house=house):
                if (row.show, row.date, row.phase) == (show, date, phase):
                    return row.kept_at[:10]
        return None

    def _news(self) -> dict[str, Any] | None:
        """The newest recording that was not looked at yet."""
        every = self.hall.recordings()
        newest = next((one for one in sorted(every, key=lambda one: one.changed, reverse=True)), None)
        if newest is None or self.hall.is_checked(newest):
            return None
        size = tracks_of(newest)
        if size is None:
            return None
        return {
            "id": newest.id,
            "name": newest.name,
            "when": views.spoken_time(newest.written),
            "tracks": size[0],
            "question": text("week.question", when=views.spoken_time(newest.written), tracks=size[0], name=newest.name),
        }

    def source(self, request: Request) -> Response:
        """One source."""
        shelf, shown = self._needed(request)
        at, source = _source_at(shown, int(request.path_params["at"]))
        text_of = self.hall.text_of(shelf)
        house = parse_house(text_of, self.hall.file_of(shelf))
        picture = shown.pictures.get(source.name)
        start_s = (picture.telling_s if picture else 0.0) - shown.result.show.start_s
        asked = request.query_params.get("from")
        if asked is not None:
            start_s = _number(asked, "from") - shown.result.show.start_s
        return HTMLResponse(
            views.source_page(
                self.hall,
                shown,
                source,
                written=views.week_source(text_of, source.name),
                house=house,
                start_s=max(0.0, start_s) + shown.result.show.start_s,
                at=at,
            )
        )

    def voice(self, request: Request) -> Response:
        """One voice."""
        shelf, shown = self._needed(request)
        result = shown.result
        every = [one for one in (result.vocal, *result.voices) if one is not None]
        name = request.query_params.get("of")
        voice = next((one for one in every if name in (None, one.source)), None)
        if voice is None:
            raise HTTPException(404, text("error.no_voice"))
        desk = self._desk(shelf)
        from deskhand.web.voice import strips_of

        strips = [(one, len(strip.tracks) == 2) for one, strip in strips_of(desk).items() if one != voice.source]
        return HTMLResponse(
            views.voice_page(
                self.hall,
                shown,
                voice,
                strips=strips,
                others=[one.source for one in every if one.source != voice.source],
            )
        )

    def recordings_page(self, _: Request) -> Response:
        """All recordings, and where to put new ones."""
        rows = []
        every = self.hall.recordings()
        for place, shelf in enumerate(every):
            # opening all files of ten years takes too long: older ones are opened when somebody checks them
            size = tracks_of(shelf) if place < _OPENED else None
            rows.append(
                {
                    "shelf": shelf,
                    "line": views.shelf_line(shelf),
                    "when": views.spoken_time(shelf.written),
                    "tracks": None if size is None else size[0],
                    "readable": size is not None or place >= _OPENED,
                    "length": "" if size is None else clock(size[1]),
                    "checked": self.hall.is_checked(shelf),
                    "date": shelf.date or f"{shelf.written:%Y-%m-%d}",
                    "phase": shelf.phase or "rehearsal",
                    "tap": self.hall.asked(shelf.id).tap or "",
                }
            )
        return HTMLResponse(
            views.page(
                "recordings",
                **views.head(self.hall, None, None),
                rows=rows,
                has_house=self.hall.has_house,
                phases=words()["phase"],
                taps=words()["tap"],
            )
        )

    def first(self, request: Request) -> Response:
        """The first evening: sources proposed from a recording, put right by a person, and written."""
        every = self.hall.recordings()
        id_ = request.query_params.get("of")
        shelf = self.hall.recording(id_) if id_ else None
        sources, tracks, lead = [], [], ""
        if shelf is not None and shelf.id in self._proposals:
            recording = open_recording(shelf.path)
            tracks = [track.name for track in recording.tracks]
            house = guess_house(tracks, name="Our house")
            sources = views.proposal(house, self._proposals[shelf.id])
            lead = house.vocal.source if house.vocal else ""
        return HTMLResponse(
            views.page(
                "first",
                **views.head(self.hall, None, None),
                has_house=self.hall.has_house,
                rows=[
                    {"shelf": one, "line": views.shelf_line(one), "when": views.spoken_time(one.written)}
                    for one in every
                ],
                chosen=shelf,
                sources=sources,
                tracks=tracks,
                roles=views.roles(),
                role_words=words()["role"],
                lead=lead,
            )
        )

    def words_page(self, _: Request) -> Response:
        """What each number is."""
        readings = words()["reading"]
        return HTMLResponse(
            views.page(
                "words",
                **views.head(self.hall, None, None),
                rows=[(label, words()["explain"].get(name, "")) for name, label in readings.items()],
                terms=list(words()["term"].items()),
            )
        )

    # --- the weeks

    def weeks(self, request: Request) -> Response:
        """What is normal here, and what creeps."""
        from deskhand.report.weeks import course_cards

        phase = request.query_params.get("phase", "rehearsal")
        name = request.query_params.get("of")
        house = self.hall.house()
        problem, cards, takes, blind = "", [], [], []
        try:
            store = keeping.history_at(self.history, self.hall.house_file)
        except UsageError:
            store = None
            problem = text("weeks.nothing")
        if store is not None:
            try:
                takes = store.takes(house=house.house.name, forgotten=True)
                blind = store.blind_tests(house=house.house.name)
                by_source = keeping.weeks(store, house, source=name, phase=phase)
                cards = course_cards(by_source, whole=name is not None)
            except UsageError as error:
                problem = str(error)
            finally:
                store.close()
        return HTMLResponse(
            views.page(
                "weeks",
                **views.head(self.hall, None, None),
                problem=problem,
                cards=cards,
                takes=takes,
                blind=blind,
                phase=phase,
                phases=words()["phase"],
                name=name,
            )
        )

    def weeks_csv(self, request: Request) -> Response:
        """Every number of every week."""
        from deskhand.report.weeks import to_csv

        store = keeping.history_at(self.history, self.hall.house_file)
        try:
            found = keeping.weeks(
                store, self.hall.house(), source=None, phase=request.query_params.get("phase", "rehearsal")
            )
        finally:
            store.close()
        return _download(to_csv(found).encode(), "text/csv; charset=utf-8", "weeks.csv")

    # --- the sheet

    def _sheet(self, request: Request) -> Any:
        from deskhand.report.sheet import find_since, make_sheet, since_name

        shelf, shown = self._needed(request)
        since_file = find_since(self.hall.house_file, shown.result.show.date)
        asked = request.query_params.get("paper", "a4")
        paper = next((one for one in PAPERS if one == asked), None)
        if paper is None:
            raise UsageError("the paper", f"{asked!r} is not known", "choose a4 or letter")
        notes = [one for one in (request.query_params.get("note", "")[:500],) if one.strip()]
        return make_sheet(
            shown.result,
            self.hall.house_of(shelf),
            since=read_house(since_file),
            since_name=since_name(since_file, self.hall.house_file),
            paper=paper,
            notes=notes,
        )

    def sheet(self, request: Request) -> Response:
        """The sheet, to look at and to print."""
        _, shown = self._needed(request)
        from deskhand.report.sheet import sheet_png

        return HTMLResponse(
            views.page(
                "sheet",
                **views.head(self.hall, shown.shelf, shown),
                pages=len(sheet_png(self._sheet(request))),
                query=str(request.url.query),
                paper=request.query_params.get("paper", "a4"),
                note=request.query_params.get("note", ""),
            )
        )

    def sheet_pdf(self, request: Request) -> Response:
        """The sheet as PDF."""
        from deskhand.report.sheet import sheet_pdf

        return Response(sheet_pdf(self._sheet(request)), media_type="application/pdf")

    def sheet_picture(self, request: Request) -> Response:
        """One page of the sheet as a picture."""
        from deskhand.report.sheet import sheet_png

        pages = sheet_png(self._sheet(request))
        at = int(request.path_params["at"])
        if at >= len(pages):
            raise HTTPException(404, text("error.no_page"))
        return Response(pages[at], media_type="image/png")

    def sheet_csv(self, request: Request) -> Response:
        """The sheet as a table."""
        from deskhand.report.sheet import sheet_csv

        return _download(sheet_csv(self._sheet(request)).encode(), "text/csv; charset=utf-8", "sheet.csv")

    # --- what the page asks for while it is used

    def check(self, data: dict[str, Any]) -> dict[str, Any]:
        """Begin a check."""
        shelf = self._of(data)
        date = str(data.get("date") or "")
        asked = CheckOptions(
            date=checked_date(date, "the date") if date else None,
            phase=_choice(data.get("phase"), words()["phase"]),
            tap=_choice(data.get("tap"), words()["tap"]),
            players=self.hall.asked(shelf.id).players,
        )
        self.hall.say(shelf.id, asked)
        job = self.jobs.start(f"check {shelf.id}", lambda job: self._check(job, shelf.id))
        return {"job": job.id}

    def _asked(self, shelf: Shelf, *, to_be_kept: bool = False) -> checking.CheckOptions:
        asked = self.hall.asked(shelf.id)
        return checking.CheckOptions(
            phase=asked.phase,  # type: ignore[arg-type]
            tap=asked.tap,  # type: ignore[arg-type]
            date=asked.date,
            players=tuple(asked.players.items()),
            history=self.history or history_url(None, self.hall.root),
            by=self.by,
            to_be_kept=to_be_kept,
        )

    def _check(self, job: Job, id_: str, *, to_be_kept: bool = False, note: str = "", by: str = "") -> str:
        shelf = self.hall.recording(id_)
        if shelf is None:
            raise UsageError("the recording", "is gone", "put the card back, or choose another")
        house_text_ = self.hall.text_of(shelf)
        checked = checking.check(
            shelf.path,
            house_path=self.hall.file_of(shelf),
            options=self._asked(shelf, to_be_kept=to_be_kept),
            progress=job.progress,
        )
        self.hall.put(shelf, checked.result, checked.pictures, house_text=house_text_, moves_text=week_text(checked))
        if to_be_kept:
            keeping.keep(checked, shelf.path, history=self.history, note=note, by=by or self.by)
        return f"/show/{shelf.id}"

    def keep(self, data: dict[str, Any]) -> dict[str, Any]:
        """Keep a show as a good one: it is measured again, as it is kept."""
        shelf = self._of(data)
        note, by = _short(data.get("note")), _short(data.get("by"))
        job = self.jobs.start(
            f"keep {shelf.id}", lambda job: self._check(job, shelf.id, to_be_kept=True, note=note, by=by)
        )
        return {"job": job.id}

    def job(self, request: Request) -> Response:
        """How far work is."""
        job = self.jobs.find(str(request.path_params["id"]))
        if job is None:
            raise HTTPException(404, text("error.no_job"))
        return JSONResponse({"state": job.state, "share": job.share, "said": job.said})

    def stop(self, data: dict[str, Any]) -> dict[str, Any]:
        """Stop work."""
        job = self.jobs.find(str(data.get("job")))
        if job is not None:
            job.stop = True
        return {}

    def news(self, _: Request) -> Response:
        """Whether a recording appeared."""
        return JSONResponse(plain({"new": self._news() if self.hall.has_house else None}))

    def leave(self, data: dict[str, Any]) -> dict[str, Any]:
        """Ignore a finding tonight."""
        shelf = self._of(data)
        shown = self._result(shelf)
        name = str(data.get("finding"))
        source = next(
            (one for one in (shown.result.sources if shown else ()) if any(f.id == name for f in one.findings)), None
        )
        if shown is None or source is None:
            raise UsageError(f'"{name}"', "is no finding of this show", "read the page again")
        finding = next(one for one in source.findings if one.id == name)
        store = keeping.history_at(self.history, self.hall.house_file, create=True)
        try:
            store.dismiss(
                Dismissal(
                    source=source.name,
                    kind=name.removeprefix(f"{source.name}/"),
                    metric=None,
                    show=shown.result.show.name,
                    date=shown.result.show.date,
                    for_good=False,
                    measured=finding.measured,
                    said_by=self.by,
                ),
                house=shown.result.house,
            )
        finally:
            store.close()
        return {"to": f"/show/{shelf.id}"}

    def raise_again(self, data: dict[str, Any]) -> dict[str, Any]:
        """Hear of a finding again."""
        shelf = self._of(data)
        source, _, kind = str(data.get("finding")).rpartition("/")
        store = keeping.history_at(self.history, self.hall.house_file)
        try:
            if not store.take_back(source, kind, house=self.hall.house().house.name):
                raise UsageError(f'"{source}/{kind}"', "was not left alone", "read the page again")
        finally:
            store.close()
        return {"to": f"/show/{shelf.id}"}

    # --- what if

    def try_(self, data: dict[str, Any]) -> dict[str, Any]:
        """A source through other settings: numbers, pictures, and what there is to hear."""
        shelf, shown = self._tried_on(data)
        name = str(data.get("source"))
        start_s = _number(data.get("start_s"), "the start") - shown.result.show.start_s
        stretch = self._stretch(shelf, name, start_s)
        chain = self._wanted(shelf, name, data.get("chain"))
        tried = stretch.run(chain)
        house_chain = self._standing(name)
        standing = stretch.run(house_chain)
        checked = stretch.run(views.week_source(shown.house_text, name).get("chain", []))
        source = next((one for one in shown.result.sources if one.name == name), None)
        made = views.tried_parts(source, chain, checked, standing, tried)
        rate = stretch.rate_hz
        return made | {
            "start_s": stretch.start_s + shown.result.show.start_s,
            "id": tried.id,
            "sound": {
                "recorded": pair_of(self.sounds, stretch.recorded, tried, rate),
                "house": pair_of(self.sounds, standing, tried, rate),
            },
            "same_as_house": chain == house_chain,
        }

    def written(self, request: Request) -> Response:
        """A source's settings as they are written: the standing house's, or with the proposed moves."""
        shelf = self.hall.recording(request.query_params.get("id", ""))
        shown = None if shelf is None else self._check_of(shelf)
        if shown is None:
            raise HTTPException(404, text("error.not_checked"))
        moves = request.query_params.get("which") == "moves"
        text_of = shown.moves_text if moves else self.hall.standing_text()
        own = written_source(text_of, request.query_params.get("source", ""))
        return JSONResponse({"chain": plain(own.get("chain", [])), "fader": str(own.get("fader", ""))})

    def save(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write a source's settings into this week's house file, unless somebody else changed them meanwhile."""
        shelf = self._of(data)
        name, fader = str(data.get("source")), data.get("fader")
        with self.hall.lock:
            now = self.hall.text_of(shelf)
            parse_house(now, self.hall.file_of(shelf))
            chain = self._wanted(shelf, name, data.get("chain"))
            own = written_source(now, name)
            base = data.get("base")
            if (
                not isinstance(base, dict)
                or plain(own.get("chain", [])) != base.get("chain")
                or str(own.get("fader", "")) != base.get("fader")
            ):
                raise ConflictError({"chain": plain(own.get("chain", [])), "fader": str(own.get("fader", ""))})
            keys = {"fader": str(fader).strip() or None} if isinstance(fader, str) else {}
            made = with_source(now, name, chain=chain, keys=keys)
            target = self.hall.week_file(shelf)
            write_atomically(target, made)
        own = written_source(made, name)
        return {
            "base": {"chain": plain(own.get("chain", [])), "fader": str(own.get("fader", ""))},
            "said": text("source.saved", file=target.name),
        }

    def voice_try(self, data: dict[str, Any]) -> dict[str, Any]:
        """A voice with other settings of everything else."""
        shelf, shown = self._tried_on(data)
        voice, settings = str(data.get("voice")), Settings.of(data.get("settings", {}))
        desk = self._desk(shelf)
        room = self._rooms.made(
            (shelf.id, desk.id, voice, digest(shown.house_text)), lambda: Room(desk, shown.result, voice)
        )
        made = views.voice_parts(shown.result, room.tried(settings))
        at = data.get("at")
        if at is not None:
            made["sound"] = self._moment(desk, room, settings, _number(at, "the moment") - shown.result.show.start_s)
        return made

    def _moment(self, desk: Desk, room: Room, settings: Settings, at_s: float) -> dict[str, Any] | None:
        """The mix around a moment, as it stands and as tried, at one loudness."""
        start_s = max(0.0, at_s - 1.0)
        rate = desk.recording.sample_rate_hz
        pair = []
        for one in (Settings(), settings):
            audio = mix_around(desk, room.strips, one, start_s, MOMENT_S)
            said = heard(audio, rate)
            name = digest(f"mix {desk.id} {start_s} {sorted(one.mid_down_db.items())} {sorted(one.fader_db.items())} {sorted(one.muted)}")[:16]  # fmt: skip
            pair.append(_Rendering(name, audio, said))
        return pair_of(self.sounds, pair[0], pair[1], rate)  # type: ignore[arg-type]

    def hear(self, request: Request) -> Response:
        """A moment of a source as it was recorded, turned down where it is loud."""
        shelf, shown = self._needed(request)
        _, source = _source_at(shown, int(request.path_params["at"]))
        start_s = _number(request.query_params.get("at"), "at") - shown.result.show.start_s
        length_s = min(_number(request.query_params.get("for", "2"), "for"), _HEAR_MOST_S)
        desk = self._desk(shelf)
        tracks = desk.tracks().get(source.name)
        if tracks is None:
            # a side that is missing does not keep the other from being heard
            every = [track.name for track in desk.recording.tracks]
            tracks = tuple(every.index(name) for name in source.tracks if name in every)
        if not tracks:
            raise HTTPException(404, text("error.nothing_to_hear"))
        begin_s = max(0.0, min(start_s, desk.recording.duration_s - 0.1))
        name = digest(f"hear {shelf.id} {shelf.changed} {source.name} {tracks} {begin_s} {length_s}")[:16]
        if self.sounds.path(name) is None:
            samples = desk.recording.excerpt(tracks, begin_s, max(0.1, length_s))
            audio = to_left_and_right(samples)
            loud = heard(audio, desk.recording.sample_rate_hz).loudness_lufs
            self.sounds.put(
                name,
                audio,
                desk.recording.sample_rate_hz,
                gain_db=0.0 if loud is None else min(0.0, _QUIET_LUFS - loud),
            )
        return self._sound(name)

    def audio(self, request: Request) -> Response:
        """What a page plays."""
        return self._sound(str(request.path_params["name"]))

    def _sound(self, name: str) -> Response:
        path = self.sounds.path(name)
        if path is None:
            raise HTTPException(404, text("error.nothing_to_hear"))
        return FileResponse(path, media_type="audio/flac", headers={"cache-control": "private, max-age=600"})

    # --- the blind test

    def blind_start(self, data: dict[str, Any]) -> dict[str, Any]:
        """Begin a blind test between a chain and another."""
        shelf, shown = self._tried_on(data)
        name, against = str(data.get("source")), str(data.get("against"))
        start_s = _number(data.get("start_s"), "the start") - shown.result.show.start_s
        stretch = self._stretch(shelf, name, start_s)
        tried = stretch.run(self._wanted(shelf, name, data.get("chain")))
        other = stretch.recorded if against == "recorded" else stretch.run(self._standing(name))
        blind = Blind.begin(
            self.sounds,
            other,
            tried,
            stretch.rate_hz,
            source=name,
            compared=text(f"blind.{'recorded' if against == 'recorded' else 'house'}"),
            show=(shown.result.show.name, shown.result.show.date),
            trials=int(_number(data.get("trials", 10), "the trials")),
        )
        self._blinds.made(blind.id, lambda: blind)
        return blind.told()

    def blind_answer(self, data: dict[str, Any]) -> dict[str, Any]:
        """One answer; at the last one the result, which the history keeps."""
        blind = self._blinds.get(str(data.get("blind")))
        if not isinstance(blind, Blind):
            raise UsageError("the blind test", "is over", "begin another")
        # two answers at once are two answers, and one result
        with self._answering:
            blind.answer(str(data.get("answer")))
            made = blind.told()
        if made["done"]:
            store = keeping.history_at(self.history, self.hall.house_file, create=True)
            try:
                store.add_blind_test(
                    BlindTest(
                        source=blind.source,
                        show=blind.show[0],
                        date=blind.show[1],
                        compared=blind.compared,
                        trials=blind.trials,
                        right=blind.right,
                        p_value=blind.p_value,
                        said_by=self.by,
                    ),
                    house=self.hall.house().house.name,
                )
            finally:
                store.close()
        return made

    def blind_sound(self, request: Request) -> Response:
        """One of the three sounds; which of the two the hidden one is, nothing about it tells."""
        blind = self._blinds.get(str(request.path_params["id"]))
        if not isinstance(blind, Blind):
            raise HTTPException(404, text("error.nothing_to_hear"))
        name = blind.sound(str(request.path_params["which"]))
        path = self.sounds.path(name) if name else None
        if path is None:
            raise HTTPException(404, text("error.nothing_to_hear"))
        # no name, date or tag of the file may tell one from the other
        return Response(path.read_bytes(), media_type="audio/flac")

    # --- the first evening

    def listen(self, data: dict[str, Any]) -> dict[str, Any]:
        """Listen to a recording, to propose its sources."""
        shelf = self._of(data)

        def work(job: Job) -> str:
            recording = open_recording(shelf.path)
            house = guess_house([track.name for track in recording.tracks], name="Our house")
            self._proposals[shelf.id] = checking.listen(recording, house, progress=job.progress)
            return f"/first?of={shelf.id}"

        return {"job": self.jobs.start(f"listen {shelf.id}", work).id}

    def write_house(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write the house file as a person put it right."""
        rows = data.get("sources")
        if not isinstance(rows, list):
            raise UsageError("the sources", "are missing", "read the page again")
        sources = []
        for place, row in enumerate(rows, 1):
            if not isinstance(row, dict):
                raise UsageError(f"source {place}", "is no source", "read the page again")
            name = str(row.get("name", "")).strip()
            tracks = [str(one) for one in (row.get("left"), row.get("right")) if one]
            if not name:
                raise UsageError(f"source {place}", "has no name", "give it one")
            if not tracks:
                raise UsageError(f'"{name}"', "has no track", "choose one, or take the source away")
            if row.get("role") not in views.roles():
                raise UsageError(f'"{name}"', f"has the role {row.get('role')!r}", "choose one of the list")
            sources.append(
                Source(
                    name=name,
                    role=row["role"],
                    tracks=tracks,  # type: ignore[arg-type]
                    channel=str(row.get("channel", "")).strip() or None,
                    patch=str(row.get("patch", "")).strip() or None,
                )
            )
        lead = str(data.get("lead", ""))
        try:
            mains: Any = str(data.get("mains", "50 Hz"))
            house = House(name=str(data.get("name", "")).strip() or "Our house", mains=mains)
        except ValueError as error:
            raise UsageError("the mains", "is not known", "choose 50 Hz or 60 Hz") from error
        made = HouseFile(
            house=house,
            source=sources,
            vocal=Vocal(source=lead) if lead in [one.name for one in sources] else None,
        )
        heard_ = self._proposals.get(str(data.get("id")), {})
        text_ = house_text(made, heard=heard_)
        parse_house(text_, self.hall.house_file)
        with self.hall.lock:
            if self.hall.has_house:
                raise HouseError(FILE_NAME, "is there already", "it is not written over: move it away first")
            write_atomically(self.hall.house_file, text_)
        return {"to": f"/recordings#{data.get('id', '')}"}

    async def upload(self, request: Request) -> Response:
        """One file of a recording, written as it comes; it appears whole or not at all."""
        folder_name = _file_name(str(request.path_params["folder"]), "the folder")
        name = _file_name(str(request.path_params["name"]), "the file")
        if Path(name).suffix.casefold() not in AUDIO_SUFFIXES and name != "show.toml":
            raise UsageError(name, "is no audio file", f"drop files that end in {', '.join(sorted(AUDIO_SUFFIXES))}")
        folder = self.hall.root / folder_name
        target = folder / name
        length = int(request.headers.get("content-length", "0"))
        part = self.hall.root / f".deskhand-{secrets.token_hex(8)}.part"

        def look() -> None:
            if os.path.lexists(target):
                raise _there_already(target)
            if not _lies_in(self.hall.root, folder_name):
                raise UsageError(folder_name, "is a link to elsewhere", "choose another folder")
            if shutil.disk_usage(self.hall.root).free < length + _FREE_BYTES:
                raise UsageError(name, "does not fit on the disk", "make room, or choose a shorter recording")

        def put() -> None:
            with self.hall.lock:
                if os.path.lexists(target):  # another one arrived meanwhile
                    raise _there_already(target)
                folder.mkdir(exist_ok=True)
                part.rename(target)

        await run_in_threadpool(look)
        try:
            with part.open("xb") as file:
                async for piece in request.stream():
                    await run_in_threadpool(file.write, piece)
            if length and part.stat().st_size != length:
                raise UsageError(name, "did not arrive whole", "drop it again")
            await run_in_threadpool(put)
            self.hall.look_again()
        except OSError as error:
            raise UsageError(
                name, f"cannot be written ({error.strerror})", "make room, or let this user write"
            ) from None
        finally:
            part.unlink(missing_ok=True)
        return JSONResponse({"name": name}, 201)

    def _of(self, data: dict[str, Any]) -> Shelf:
        found = self.hall.recording(str(data.get("id")))
        if found is None:
            raise UsageError("the recording", "is not there", "put the card back, or choose another")
        return found


class _Rendering:
    """A sound with its loudness, as a pair is made of."""

    def __init__(self, name: str, audio: Any, read: Any) -> None:
        self.id, self.audio, self.readings = name, audio, read


class ConflictError(Exception):
    """Somebody else changed the same settings meanwhile."""

    def __init__(self, theirs: dict[str, Any]) -> None:
        super().__init__()
        self.theirs = theirs


def _stamp(hall: Hall, shelf: Shelf) -> float:
    """When a check was written."""
    try:
        return (hall.root / ".deskhand" / f"check-{shelf.id}.json").stat().st_mtime_ns
    except OSError:
        return 0.0


def _source_at(shown: Shown, at: int) -> tuple[int, SourceResult]:
    if not 0 <= at < len(shown.result.sources):
        raise HTTPException(404, text("error.no_source"))
    return at, shown.result.sources[at]


def _number(value: Any, what: str) -> float:
    try:
        made = float(value)
    except (TypeError, ValueError, OverflowError):
        raise UsageError(what, f"{str(value)[:60]!r} is no number", "read the page again") from None
    if not abs(made) < 1e9:
        raise UsageError(what, f"{value!r} is no number", "read the page again")
    return made


def _chain(value: Any) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(one, dict) for one in value) or len(value) > 64:
        raise UsageError("the chain", "is no list of blocks", "read the page again")
    made: list[dict[str, Any]] = plain(value)
    return made


def _choice(value: Any, known: Collection[str]) -> str | None:
    return value if isinstance(value, str) and value in known else None


def _short(value: Any) -> str:
    return str(value)[:500].strip() if isinstance(value, str) else ""


def _file_name(given: str, what: str) -> str:
    """A name that is one, and no way elsewhere."""
    name = unicodedata.normalize("NFC", given).strip()
    bad = (
        not name
        or name.startswith(".")
        or len(name.encode("utf-8", "replace")) > 200
        or any(one in '/\\:*?"<>|' or unicodedata.category(one) in ("Cc", "Cf", "Cs", "Zl", "Zp") for one in name)
        or name.endswith(".")
        or name.split(".")[0].rstrip().casefold() in _DEVICES
    )
    if bad:
        raise UsageError(what, f"{given[:60]!r} is no name for it", "give it another name")
    return name


def _there_already(target: Path) -> UsageError:
    where = f"{target.parent.name}/{target.name}"
    return UsageError(where, "is there already", "it is not written over: move it away first")


def _lies_in(folder: Path, name: str) -> bool:
    """Whether a name leads to somewhere under a folder, links followed."""
    try:
        return (folder / name).resolve().is_relative_to(folder)
    except (OSError, RuntimeError, ValueError):
        return False


def _shared_style(_: Request) -> Response:
    """What the page shares with the report."""
    return Response(environment()[1], media_type="text/css", headers={"cache-control": "no-cache"})


def _download(data: bytes, kind: str, name: str) -> Response:
    return Response(data, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})


def make_app(
    hall: Hall,
    *,
    history: str | None = None,
    by: str | None = None,
    token: str | None = None,
    names: Collection[str] = (),
) -> Guard:
    """The application.

    Parameters
    ----------
    hall : Hall
    history : str, optional
        URL or file of the history.
    by : str, optional
        Who keeps and leaves things; whoever is logged in by default.
    token : str, optional
        CheckOptions of everybody.
    names : collection of str
        Under which it may be asked for, beside this computer's own.
    """
    pages = Pages(hall, history=history, by=by)

    def asked(handle: Callable[[dict[str, Any]], dict[str, Any]]) -> Callable[[Request], Awaitable[Response]]:
        async def endpoint(request: Request) -> Response:
            if not request.headers.get("content-type", "").startswith("application/json"):
                raise HTTPException(415, text("error.no_json"))
            body = await request.body()
            try:
                # as they come out, so they go in: signs that are no text and numbers that are not finite stay outside
                data = plain(json.loads(body))
            except (ValueError, RecursionError):
                raise HTTPException(400, text("error.no_json")) from None
            if not isinstance(data, dict):
                raise HTTPException(400, text("error.no_json"))
            return JSONResponse(plain(await run_in_threadpool(handle, data)))

        return endpoint

    def failed(request: Request, error: Exception) -> Response:
        """One line, for the page or as a page."""
        status, said = 400, str(error)
        extra: dict[str, Any] = {}
        if isinstance(error, HTTPException):
            status, said = error.status_code, str(error.detail)
        elif isinstance(error, ConflictError):
            status, said, extra = 409, text("source.conflict"), {"theirs": error.theirs}
        elif not isinstance(error, DeskhandError):
            status, said = 500, text("error.broken", kind=type(error).__name__)
        said = plain(said)
        if request.url.path.startswith(("/api/", "/upload/", "/audio/")):
            return JSONResponse({"problem": said, **extra}, status)
        if request.url.path.endswith((".pdf", ".csv", ".png", ".flac")):
            return PlainTextResponse(said, status)
        return HTMLResponse(views.page("error", said=said), status)

    def gone(_: Request, __: Exception) -> Response:
        """Whoever asked does not wait for the answer any more."""
        return Response(status_code=400)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        yield
        pages.sounds.close()

    posts: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
        "check": pages.check, "keep": pages.keep, "stop": pages.stop, "leave": pages.leave, "raise": pages.raise_again,
        "try": pages.try_, "save": pages.save, "voice": pages.voice_try, "blind/start": pages.blind_start,
        "blind/answer": pages.blind_answer, "listen": pages.listen, "house": pages.write_house,
    }  # fmt: skip
    routes = [
        Route("/", pages.home),
        Route("/first", pages.first),
        Route("/recordings", pages.recordings_page),
        Route("/words", pages.words_page),
        Route("/weeks", pages.weeks),
        Route("/weeks.csv", pages.weeks_csv),
        Route("/show/{id}", pages.week),
        Route("/show/{id}/source/{at:int}", pages.source),
        Route("/show/{id}/source/{at:int}/hear.flac", pages.hear),
        Route("/show/{id}/voice", pages.voice),
        Route("/show/{id}/sheet", pages.sheet),
        Route("/show/{id}/sheet.pdf", pages.sheet_pdf),
        Route("/show/{id}/sheet-{at:int}.png", pages.sheet_picture),
        Route("/show/{id}/sheet.csv", pages.sheet_csv),
        Route("/api/jobs/{id}", pages.job),
        Route("/api/news", pages.news),
        Route("/api/written", pages.written),
        *(Route(f"/api/{name}", asked(handle), methods=["POST"]) for name, handle in posts.items()),
        Route("/upload/{folder}/{name}", pages.upload, methods=["PUT"]),
        Route("/audio/{name}.flac", pages.audio),
        Route("/blind/{id}/{which}.flac", pages.blind_sound),
        Route("/static/shared.css", _shared_style),
        Mount("/static", StaticFiles(packages=[("deskhand.web", "static")])),
    ]
    app = Starlette(
        routes=routes,
        lifespan=life,
        exception_handlers={
            HTTPException: failed,
            DeskhandError: failed,
            ConflictError: failed,
            ClientDisconnect: gone,
            Exception: failed,
        },
    )
    app.state.pages = pages
    return Guard(app, token=token, names=names)
