"""Check of one show of an archive, from its files to its result and its readings in the history; done twice, it leaves what once leaves."""

from __future__ import annotations

import hashlib
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from deskhand.archive.locations import is_url
from deskhand.archive.order import ShowOrder, ShowOutcome
from deskhand.archive.receipt import Receipt, digest_of_versions, read_receipt, result_file, write_receipt
from deskhand.baseline.versions import reading_versions
from deskhand.errors import DeskhandError, HistoryError, HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.house import find_house, names_at, read_house, settings_file, standing_file
from deskhand.recording import open_recording, show_note_of
from deskhand.recording.identity import take_digest
from deskhand.result import to_json
from deskhand.store import history_url
from deskhand.store.archived import archived_row, has_other_version, mark_take, put_beside, put_take
from deskhand.store.records import ARCHIVE_MARKS, MEASURED, WAITING
from deskhand.store.seats import delete_seat_records
from deskhand.tasks.check import CheckOptions, check, name_of
from deskhand.tasks.keep import KeepTerms, history_at, kept_take, stored_path, with_fingerprint
from deskhand.tasks.keep_seats import keep_loudspeakers
from deskhand.tasks.keep_terms import faults_of
from deskhand.tasks.measure_again import SetAsideError, take_today
from deskhand.tasks.seats import keep_levels

if TYPE_CHECKING:
    from collections.abc import Iterator

    from deskhand.house import FormerNames
    from deskhand.store.history import History
    from deskhand.store.records import ArchiveMark, TakeRow
    from deskhand.tasks.check import ShowCheck

_WAITS_S: Final = (1.0, 2.0, 4.0, 8.0, 16.0, 30.0)
"""Waits before a history is asked again that did not answer: a minute in all, in which a server is started anew. Common practice, no source."""

_REASON_LETTERS: Final = 160
"""Letters of an inner error's own words that are told: about two lines of a terminal. Common practice, no source."""


def check_show(order: ShowOrder) -> ShowOutcome:
    """Outcome of one show; whatever is wrong with it is told in one line and never raised.

    A history that does not answer is asked again for a minute.
    """
    begin_s = time.process_time()
    line = ""
    for wait_s in (*_WAITS_S, None):
        try:
            outcome = _outcome(order)
        except HistoryError as error:
            line = str(error)
            if wait_s is not None:
                time.sleep(wait_s)
                continue
        except (DeskhandError, SetAsideError) as error:
            line = str(error)
        except OSError as error:
            line = f"{error.filename or 'a file'}: cannot be read or written ({error.strerror}); see that there is room"
        except MemoryError:
            line = "not enough memory; check it on a computer with more"
        except Exception as error:  # noqa: BLE001 - one show's mistake does not end the others
            line = f"a mistake of deskhand's own ({type(error).__name__}: {' '.join(str(error).split())[:_REASON_LETTERS]})"
        else:
            return replace(outcome, work_s=time.process_time() - begin_s)
        break
    if not line.startswith(order.path):
        line = f"{order.path}: {line}"
    return ShowOutcome(path=order.path, progress="failed", line=line, work_s=time.process_time() - begin_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ShowFiles:
    """Show whose files are here."""

    path: Path
    house_file: Path
    house: str
    digest: str
    settings: str
    size_bytes: int
    start_s: float
    duration_s: float
    is_marked: bool
    """True where its note says that it is to be kept."""


def _outcome(order: ShowOrder) -> ShowOutcome:
    """Outcome of a show; raises what is wrong with it."""
    if not is_url(order.path):
        return _outcome_here(order, Path(order.path), remote=None)
    from deskhand.archive.remote import brought_here, remote_identity

    if order.results is None:
        raise UsageError(order.path, "has no place for its result", "name a folder with --results")
    identity = remote_identity(order.path)
    receipt = read_receipt(result_file(order))
    versions = digest_of_versions()
    if receipt is not None and receipt.remote == identity and receipt.readings == versions:
        return ShowOutcome(path=order.path, progress="there")
    with brought_here(order.path) as path:
        return _outcome_here(order, path, remote=identity)


def _outcome_here(order: ShowOrder, path: Path, *, remote: str | None) -> ShowOutcome:
    show = _show_files(order, path)
    result, versions = result_file(order), digest_of_versions()
    receipt = read_receipt(result)
    known = receipt is not None and (receipt.digest, receipt.settings) == (show.digest, show.settings)
    end = ShowOutcome(
        path=order.path,
        progress="there",
        house=show.house,
        house_file=None if remote is not None and order.house is None else str(show.house_file),
        shares_names=_names(order, show, remote).sharing.names,
        size_bytes=show.size_bytes,
    )
    with _history(order, show, remote) as history:
        row = archived_row(
            history, house=show.house, digest=show.digest, start_s=show.start_s, duration_s=show.duration_s
        )
        # a kept take beside which the one measured again waits is older for a while yet
        is_older = (
            row is not None and row.replaced_by is None and has_other_version(history, row.id, reading_versions())
        )
        if known and receipt is not None and (row is not None or not receipt.in_history):
            if not is_older and receipt.readings == versions:
                _mark_as_decided(history, row, _mark(order, show, is_faultless=receipt.is_faultless))
                return end
            if not order.measure_again:
                return replace(end, progress="older")
        again = row if is_older and order.measure_again else None
        checked = _checked(order, show)
        is_faultless = not faults_of(checked.result)
        result.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(result, to_json(checked.result))
        in_history = _put(order, show, checked, history, again, remote)
    write_receipt(
        result,
        Receipt(
            digest=show.digest,
            settings=show.settings,
            readings=versions,
            is_faultless=is_faultless,
            in_history=in_history,
            remote=remote,
        ),
    )
    return replace(end, progress="checked" if again is None else "measured-again")


def _show_files(order: ShowOrder, path: Path) -> _ShowFiles:
    """Show with its house, its note and the identity of its files."""
    note = show_note_of(path)
    standing = Path(order.house) if order.house is not None else find_house(path)
    if standing is None:
        raise HouseError(
            order.path,
            "has no house.toml beside it or above it",
            "write one with: deskhand new, or name it with --house",
        )
    house_file = standing
    if order.house is None:
        house_file = settings_file(standing, date=note.date, name=note.name or name_of(path))
    recording = open_recording(path)
    settings = hashlib.sha256()
    folder = path if path.is_dir() else path.parent
    for file in (house_file, standing, folder / "show.toml"):
        settings.update(file.read_bytes() if file.is_file() else b"")
        settings.update(b"\0")
    return _ShowFiles(
        path=path,
        house_file=house_file,
        # a week's file that was written before the house was renamed
        house=read_house(standing_file(house_file)).house.name,
        digest=take_digest(recording),
        settings=settings.hexdigest(),
        size_bytes=sum(recording.sizes().values()),
        start_s=recording.start_s,
        duration_s=round(recording.duration_s, 3),
        is_marked=note.keep,
    )


@contextmanager
def _history(order: ShowOrder, show: _ShowFiles, remote: str | None) -> Iterator[History]:
    """History of the show's house, made where there is none: a check is the same whether the first readings are written or not."""
    if remote is not None and history_url(order.history, None) is None:
        raise UsageError(order.path, "has no place for its readings", "name a history with --history")
    names = _names(order, show, remote)
    with closing(history_at(order.history, show.house_file, create=True, names=names)) as history:
        history.require_sharing()
        yield history


def _names(order: ShowOrder, show: _ShowFiles, remote: str | None) -> FormerNames:
    """What the house file says to the history; one that was brought here for a while has no folder for its people."""
    names = names_at(show.house_file)
    return replace(names, folder=None) if remote is not None and order.house is None else names


def _checked(order: ShowOrder, show: _ShowFiles) -> ShowCheck:
    """Check of the show, in one thread: shows are what is done side by side."""
    house_path = None if order.house is None else show.house_file
    return check(show.path, house_path=house_path, options=CheckOptions(history=order.history), threads=1)


def _mark(order: ShowOrder, show: _ShowFiles, *, is_faultless: bool) -> ArchiveMark:
    """Mark of a take by the rule of what is kept."""
    if order.keep == "none":
        return MEASURED
    is_kept = order.keep == "all" or show.is_marked or (order.keep == "faultless" and is_faultless)
    return WAITING if is_kept else MEASURED


def _mark_as_decided(history: History, row: TakeRow | None, mark: ArchiveMark) -> None:
    """Mark a take that was measured before by what is decided now."""
    if row is not None and row.forgotten_by in ARCHIVE_MARKS and row.forgotten_by != mark:
        mark_take(history, row.id, mark)


def _put(
    order: ShowOrder, show: _ShowFiles, checked: ShowCheck, history: History, again: TakeRow | None, remote: str | None
) -> bool:
    """Write the readings to the history; False where nothing plays, so that there are none.

    A take that somebody kept is measured again on that person's terms, of its own stretch and without what was left out.
    """
    versions = reading_versions()
    if again is not None and again.forgotten_at is None:
        if again.replaced_by is None:
            put_beside(history, again, take_today(history, again, show.house_file, order.history, path=show.path))
        return True
    if again is not None and again.forgotten_by not in ARCHIVE_MARKS:
        return True  # a person took it out: it is in nobody's way
    if not checked.parts:
        return False
    mark = _mark(order, show, is_faultless=not faults_of(checked.result))
    recording = order.path if remote is not None else stored_path(show.path, show.house_file)
    terms = KeepTerms(by=order.by, with_faults=True)
    take = kept_take(
        checked.result, checked.parts, checked.house_file, recording=recording, digest=show.digest, terms=terms
    )
    archived = put_take(
        history, with_fingerprint(replace(take, versions=versions), checked), mark, anew=again is not None
    )
    if archived.is_archived and (checked.result.seats or checked.loudspeakers):
        # of an order that was broken off some may be there
        delete_seat_records(history, archived.number)
        keep_levels(history, checked.result.seats, take, archived.number)
        keep_loudspeakers(checked, order.history, take=archived.number)
    return True
