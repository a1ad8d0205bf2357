"""The state behind all pages: the hall, its history, work that runs, and what was opened, tried and measured."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException

from deskhand.errors import UsageError
from deskhand.findings import fix_texts, status_of, with_dismissals, with_text
from deskhand.house import FILE_NAME, names_at, parse_house
from deskhand.recording import show_note_of
from deskhand.report.words import text
from deskhand.store import history_url
from deskhand.tasks import keep as keeping
from deskhand.tasks.check.desk import ShowChanges, with_ticks
from deskhand.web.cache import NewestFew
from deskhand.web.hall import digest
from deskhand.web.jobs import Jobs
from deskhand.web.parse import chain_of, lies_in, source_table, with_units
from deskhand.web.tries import HouseRecording, Sounds, Stretch, open_with_house

if TYPE_CHECKING:
    from collections.abc import Iterator

    from starlette.requests import Request

    from deskhand.store import DeskChange, Dismissal
    from deskhand.store.history import History
    from deskhand.web.hall import Hall, Shelf, StoredCheck


class PageState:
    """Everything the pages share.

    Parameters
    ----------
    hall : Hall
    history : str, optional
        URL or file of the history; the one beside the house file by default.
    by : str
        Name of the person who keeps or leaves something on the page.
    """

    def __init__(self, hall: Hall, *, history: str | None = None, by: str | None = None) -> None:
        self.hall = hall
        self.history = history
        self.by = keeping.who(by)
        self.jobs = Jobs()
        self.sounds = Sounds()
        # some of each: two people at work, each going back and forth. Common practice, no source
        self._checks = NewestFew(4)
        self._recordings = NewestFew(4)
        self._stretches = NewestFew(8)

    # --- recordings and their checks

    def shelf_at(self, request: Request) -> Shelf:
        """Recording that an address names.

        Raises
        ------
        HTTPException
            It is not there.
        """
        shelf = self.hall.recording(str(request.path_params["id"]))
        if shelf is None:
            raise HTTPException(404, text("error.no_recording"))
        return shelf

    def shelf_of(self, data: dict[str, Any]) -> Shelf:
        """Recording that a request's data name.

        Raises
        ------
        UsageError
            It is not there.
        """
        shelf = self.hall.recording(str(data.get("id")))
        if shelf is None:
            raise UsageError("the recording", "is not there", "put the card back, or choose another")
        return shelf

    def stored_check(self, shelf: Shelf) -> StoredCheck | None:
        """Check of a recording as it was made: what is tried, heard and written needs no look into the history."""
        key = (shelf.id, shelf.size, shelf.changed, self.hall.check_written_ns(shelf))
        return self._checks.get_or_make(key, lambda: self.hall.check_of(shelf))

    def check(self, shelf: Shelf) -> StoredCheck | None:
        """Check of a recording with what was done, declined or left alone since it was made."""
        check = self.stored_check(shelf)
        return None if check is None else self._as_of_now(check)

    def check_at(self, request: Request) -> tuple[Shelf, StoredCheck]:
        """Recording that an address names, and its check.

        Raises
        ------
        HTTPException
            It is not there, or not checked.
        """
        shelf = self.shelf_at(request)
        check = self.check(shelf)
        if check is None:
            raise HTTPException(404, text("error.not_checked"))
        return shelf, check

    def stored_check_of(self, data: dict[str, Any]) -> tuple[Shelf, StoredCheck]:
        """Recording that something is tried on, and its check.

        Raises
        ------
        UsageError
            It is not there, or not checked.
        """
        shelf = self.shelf_of(data)
        check = self.stored_check(shelf)
        if check is None:
            raise UsageError(shelf.name, "is not checked yet", "check it first")
        return shelf, check

    @contextmanager
    def open_history(self) -> Iterator[History | None]:
        """The history while it is read; None while nothing was written to it."""
        url = history_url(self.history, self.hall.root)
        store = None
        if url is not None:
            from deskhand.store.history import open_history

            store = open_history(url, names=names_at(self.hall.house_file if self.hall.has_house else None))
        try:
            yield store
        finally:
            if store is not None:
                store.close()

    def dismissals(self, house: str) -> list[Dismissal]:
        """Findings of a house that were left alone."""
        with self.open_history() as store:
            return [] if store is None else store.dismissals(house=house)

    def _as_of_now(self, check: StoredCheck) -> StoredCheck:
        """Check with what was done, declined or left alone since it was made."""
        show = check.result.show
        changes = self.desk_changes(check.result.house, show.name, show.date)
        result = with_ticks(check.result, ShowChanges(changes=tuple(changes), take=check.take))
        by_source = with_dismissals(
            {source.name: source.findings for source in result.sources},
            self.dismissals(result.house),
            show=(result.show.name, result.show.date),
        )
        sources = tuple(
            replace(
                source,
                findings=tuple(map(with_text, findings)),
                status=status_of(findings, to_turn=any(move.is_setting for move in source.moves)),
            )
            if (findings := by_source[source.name]) != list(source.findings)
            else source
            for source in result.sources
        )
        if all(source is checked for source, checked in zip(sources, check.result.sources, strict=True)):
            return check
        where = {source.name: source.where for source in parse_house(check.house_text, Path(FILE_NAME)).source}
        findings_in_order = [
            (source.name, source.role, where.get(source.name, ""), finding)
            for source in sources
            for finding in source.findings
        ]
        first, later = fix_texts(findings_in_order)
        return replace(check, result=replace(result, sources=sources, first=first, next=later))

    # --- recordings that are opened, and what is tried on them

    def opened(self, shelf: Shelf) -> HouseRecording:
        """Open recording with the house as it holds for the show."""
        house_text = self.hall.text_of(shelf)
        house = parse_house(house_text, self.hall.file_of(shelf))
        changes = self.desk_changes(house.house.name, shelf.name, shelf.date)

        def make() -> HouseRecording:
            note = show_note_of(shelf.path)
            tap: Any = shelf.tap or house.house.tap
            return open_with_house(shelf.path, house, self.hall.root, tap=tap, taps=note.taps, changes=changes)

        numbers = tuple(change.id for change in changes)
        return self._recordings.get_or_make((shelf.id, shelf.size, shelf.changed, digest(house_text), numbers), make)

    def desk_changes(self, house: str, show: str, date: str | None) -> list[DeskChange]:
        """Moves of a show that were done or declined."""
        from deskhand.store.desk_changes import desk_changes

        with self.open_history() as store:
            return [] if store is None else desk_changes(store, house=house, show=show, date=date)

    def stretch(self, shelf: Shelf, name: str, start_s: float) -> Stretch:
        """Stretch of a source on which chains are tried, from a second of the recording."""
        opened = self.opened(shelf)
        source = opened.source(name)
        # what the chain holds is given with each try: only the tap and the tracks of the house matter
        desk, tracks = opened.desk, tuple(source.tracks)
        key = (
            shelf.id,
            shelf.changed,
            name,
            round(start_s, 3),
            desk.tap_of(source),
            desk.turned_since(source),
            tracks,
            source.role,
        )
        return self._stretches.get_or_make(key, lambda: Stretch(opened, source, start_s))

    def standing_chain(self, name: str) -> list[dict[str, Any]]:
        """Chain of a source in the standing house file."""
        house_text = self.hall.standing_text()
        parse_house(house_text, self.hall.house_file)
        return chain_of(source_table(house_text, name).get("chain", []))

    def sent_chain(self, shelf: Shelf, name: str, value: Any) -> list[dict[str, Any]]:
        """Chain as the page sends it: it reads files of the house's folder only, unless the house file itself says otherwise.

        Raises
        ------
        UsageError
            A file elsewhere.
        """
        chain = with_units(chain_of(value))
        written = source_table(self.hall.text_of(shelf), name).get("chain", [])
        known = [block.get("file") for block in written]
        for count, block in enumerate(chain, 1):
            file = block.get("file")
            if isinstance(file, str) and file not in known and not lies_in(self.hall.root, file):
                raise UsageError(f"chain {count}", f"{file[:60]!r} is not in the house's folder", "copy it there")
        return chain
