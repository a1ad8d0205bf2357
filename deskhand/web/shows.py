"""Shows: their pages, their checks, and what is kept and ignored of them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from deskhand.errors import DeskhandError, UsageError
from deskhand.files import kept_beside
from deskhand.recording import open_recording
from deskhand.recording.show import checked_date
from deskhand.report.words import text, words
from deskhand.result import plain
from deskhand.store import Dismissal, history_url
from deskhand.tasks import check as checking
from deskhand.tasks import keep as keeping
from deskhand.tasks.handover import handed_over
from deskhand.tasks.keep_terms import faults_of
from deskhand.tasks.week import week_text
from deskhand.units import clock
from deskhand.web import render
from deskhand.web.details import ShowDetails
from deskhand.web.hall import StoredCheck
from deskhand.web.keeping import KeepingState, KeepWish
from deskhand.web.parse import choice_of, short_text
from deskhand.web.week_view import week_page

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from starlette.requests import Request

    from deskhand.result import CheckResult
    from deskhand.web.hall import Shelf
    from deskhand.web.state import PageState

_OPENED: Final = 20
"""Recordings whose files are opened for the list: opening all of ten years takes too long. Common practice, no source."""


def tracks_of(shelf: Shelf) -> tuple[int, float] | None:
    """Number of tracks of a recording, and its seconds; None where it cannot be read."""
    try:
        recording = open_recording(shelf.path)
    except DeskhandError:
        return None
    return len(recording.tracks), recording.duration_s


def _kept_in(root: Path, shelf: Shelf) -> Path:
    """Folder in which measurements of a recording are kept: beside it, or in the house folder where it lies on a card."""
    inside = shelf.path.resolve().is_relative_to(root)
    return kept_beside(shelf.path if inside else root / f"card-{shelf.id}")


class ShowPages:
    """Pages of shows, and the work that checks and keeps them.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        self._hall = state.hall

    # --- pages

    def home(self, request: Request) -> Response:
        """Page of the newest checked show, or how to begin."""
        if not self._hall.has_house:
            return RedirectResponse("/first", 303)
        for shelf in self._hall.recordings():
            if self._hall.is_checked(shelf) and self._state.check(shelf) is not None:
                return self._week(shelf)
        return self.recordings(request)

    def week(self, request: Request) -> Response:
        """Page of one show."""
        return self._week(self._state.shelf_at(request))

    def _week(self, shelf: Shelf) -> Response:
        check = self._state.check(shelf)
        if check is None:
            return RedirectResponse(f"/recordings#{shelf.id}", 303)
        result = check.result
        show = (result.show.name, result.show.date)
        left = [
            row for row in self._state.dismissals(result.house) if (row.show, row.date) == show and not row.for_good
        ]
        return HTMLResponse(
            week_page(
                self._hall,
                check,
                news=self._newest_unchecked(),
                keeping=self._keeping(result),
                changed=self._hall.text_of(shelf) != check.house_text,
                left=sorted({f"{row.source}/{row.kind}" for row in left}),
                handover=handed_over(
                    house_file=self._hall.house_file if self._hall.has_house else None,
                    history=self._state.history,
                    today=result.show.date,
                ),
            )
        )

    def _keeping(self, result: CheckResult) -> KeepingState:
        """Kept take of a show, or the one that was taken out last, and what stands against keeping it."""
        show = (result.show.name, result.show.date, result.show.phase)
        with self._state.open_history() as store:
            rows = [] if store is None else store.takes(house=result.house, forgotten=True)
        rows = [row for row in rows if (row.show, row.date, row.phase) == show and row.replaced_by is None]
        in_reference = next((row for row in rows if row.forgotten_at is None), None)
        taken_out = max((row for row in rows if row.forgotten_at), key=lambda row: row.id, default=None)
        return KeepingState(kept=in_reference, taken_out=taken_out, faults=faults_of(result))

    def _newest_unchecked(self) -> dict[str, Any] | None:
        """The newest recording, where it was not checked yet, as a question."""
        newest_first = sorted(self._hall.recordings(), key=lambda shelf: shelf.changed, reverse=True)
        newest = next(iter(newest_first), None)
        if newest is None or self._hall.is_checked(newest):
            return None
        size = tracks_of(newest)
        if size is None:
            return None
        when = render.spoken_time(newest.written)
        return {
            "id": newest.id,
            "name": newest.name,
            "when": when,
            "tracks": size[0],
            "question": text("week.question", when=when, tracks=size[0], name=newest.name),
        }

    def recordings(self, _: Request) -> Response:
        """Page of all recordings, and where to put new ones."""
        rows = []
        for index, shelf in enumerate(self._hall.recordings()):
            # older ones are opened when somebody checks them
            size = tracks_of(shelf) if index < _OPENED else None
            rows.append(
                {
                    "shelf": shelf,
                    "line": render.shelf_line(shelf),
                    "when": render.spoken_time(shelf.written),
                    "tracks": None if size is None else size[0],
                    "readable": size is not None or index >= _OPENED,
                    "length": "" if size is None else clock(size[1]),
                    "checked": self._hall.is_checked(shelf),
                    "date": shelf.evening,
                    "phase": shelf.phase or "rehearsal",
                    "tap": shelf.tap or "",
                }
            )
        return HTMLResponse(
            render.page(
                "recordings",
                **render.page_head(self._hall),
                rows=rows,
                has_house=self._hall.has_house,
                phases=words()["phase"],
                taps=words()["tap"],
            )
        )

    def news(self, _: Request) -> Response:
        """A recording that appeared, as a question; null where there is none."""
        return JSONResponse(plain({"new": self._newest_unchecked() if self._hall.has_house else None}))

    # --- work

    def start_check(self, data: dict[str, Any]) -> dict[str, Any]:
        """Begin a check."""
        shelf = self._state.shelf_of(data)
        date = str(data.get("date") or "")
        # a check that is made again says nothing of what was put right before
        details = ShowDetails(
            date=checked_date(date, "the date") if date else shelf.date,
            phase=choice_of(data.get("phase"), words()["phase"]) or shelf.phase,
            tap=choice_of(data.get("tap"), words()["tap"]) if "tap" in data else shelf.tap,
            players=self._hall.details(shelf.id).players,
        )
        self._hall.set_details(shelf, details)
        job = self._state.jobs.start(f"check {shelf.id}", lambda job: self.check_now(shelf.id, job.progress))
        return {"job": job.id}

    def start_keep(self, data: dict[str, Any]) -> dict[str, Any]:
        """Keep a show as a good one: it is measured again, as it is kept."""
        shelf = self._state.shelf_of(data)
        listed = data.get("listed")
        wish = KeepWish(
            note=short_text(data.get("note")),
            by=short_text(data.get("by")) or self._state.by,
            faults=choice_of(data.get("faults"), ("leave out", "keep")),
            listed=frozenset(map(str, listed)) if isinstance(listed, list) else frozenset(),
        )
        job = self._state.jobs.start(f"keep {shelf.id}", lambda job: self.check_now(shelf.id, job.progress, wish))
        return {"job": job.id}

    def check_now(self, id_: str, progress: Callable[[float], None], wish: KeepWish | None = None) -> str:
        """Check a recording, and keep it where that was wished for; the address of its page.

        Raises
        ------
        UsageError
            The recording is gone.
        """
        shelf = self._hall.recording(id_)
        if shelf is None:
            raise UsageError("the recording", "is gone", "put the card back, or choose another")
        house_text = self._hall.text_of(shelf)
        details = self._hall.details(shelf.id)
        checked = checking.check(
            shelf.path,
            house_path=self._hall.file_of(shelf),
            options=checking.CheckOptions(
                phase=details.phase,  # type: ignore[arg-type]
                tap=details.tap,  # type: ignore[arg-type]
                date=details.date,
                players=tuple(details.players.items()),
                history=self._state.history or history_url(None, self._hall.root),
                by=self._state.by,
                to_be_kept=wish is not None,
            ),
            progress=progress,
            kept_in=_kept_in(self._hall.root, shelf),
        )
        result = checked.result
        if details.options:
            only_here = text("week.page_only", options=details.options)
            result = replace(result, show=replace(result.show, notes=(*result.show.notes, only_here)))
        self._hall.store_check(
            StoredCheck(
                shelf=shelf,
                result=result,
                pictures=checked.pictures,
                house_text=house_text,
                moves_text=week_text(checked),
                take=checked.take,
            )
        )
        if wish is None:
            return f"/show/{shelf.id}"
        keeping.keep(checked, shelf.path, history=self._state.history, terms=wish.terms(checked.result))
        return f"/show/{shelf.id}#keeping"

    def job(self, request: Request) -> Response:
        """State of work: its share, and its message at the end."""
        job = self._state.jobs.find(str(request.path_params["id"]))
        if job is None:
            raise HTTPException(404, text("error.no_job"))
        return JSONResponse({"state": job.state, "share": job.share, "said": job.message})

    def stop(self, data: dict[str, Any]) -> dict[str, Any]:
        """Stop work."""
        job = self._state.jobs.find(str(data.get("job")))
        if job is not None:
            job.stop = True
        return {}

    # --- findings

    def ignore(self, data: dict[str, Any]) -> dict[str, Any]:
        """Ignore a finding tonight."""
        shelf = self._state.shelf_of(data)
        check = self._state.check(shelf)
        finding_id = str(data.get("finding"))
        matches = [
            (source, finding)
            for source in (check.result.sources if check else ())
            for finding in source.findings
            if finding.id == finding_id
        ]
        if check is None or not matches:
            raise UsageError(f'"{finding_id}"', "is no finding of this show", "read the page again")
        source, finding = matches[0]
        store = keeping.history_at(self._state.history, self._hall.house_file, create=True)
        try:
            store.dismiss(
                Dismissal(
                    source=source.name,
                    kind=finding_id.removeprefix(f"{source.name}/"),
                    metric=None,
                    show=check.result.show.name,
                    date=check.result.show.date,
                    for_good=False,
                    measured=finding.measured,
                    said_by=self._state.by,
                ),
                house=check.result.house,
            )
        finally:
            store.close()
        return {"to": f"/show/{shelf.id}"}

    def show_again(self, data: dict[str, Any]) -> dict[str, Any]:
        """Show a finding again that was ignored."""
        shelf = self._state.shelf_of(data)
        source, _, kind = str(data.get("finding")).rpartition("/")
        store = keeping.history_at(self._state.history, self._hall.house_file)
        try:
            if not store.take_back(source, kind, house=self._hall.house().house.name):
                raise UsageError(f'"{source}/{kind}"', "was not left alone", "read the page again")
        finally:
            store.close()
        return {"to": f"/show/{shelf.id}"}
