"""Keeps a checked take in the history, and gets the weeks out of it."""

from __future__ import annotations

import getpass
import hashlib
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from deskhand import __version__
from deskhand.baseline.normal import MOST_TAKES, baseline_of
from deskhand.baseline.versions import other_version_takes, reading_versions
from deskhand.baseline.weeks import SHOWN, Course, courses
from deskhand.errors import HouseError, UsageError
from deskhand.findings import has_nominal
from deskhand.house import FormerNames, HouseFile, find_house, names_at, read_house
from deskhand.measure.tone_course import packed
from deskhand.recording.names import key, nearest
from deskhand.store import KeptTake, history_url
from deskhand.store.unknown_houses import unknown_house_text, unknown_houses
from deskhand.tasks.keep_seats import keep_loudspeakers
from deskhand.tasks.keep_terms import house_names, parts_without, require_terms
from deskhand.tasks.seats import keep_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.result import CheckResult
    from deskhand.store import KeptPart, TakeRow
    from deskhand.store.history import History
    from deskhand.tasks.check import ShowCheck

LIVE: Final = "live"
"""Stands for the recording of a take that was only listened to."""
_OVERVIEW_TAKES, _ALL_TAKES = 104, 100_000
"""Without a source named, two years of weekly takes are looked at; more than any house keeps is no limit."""


def who(given: str | None) -> str:
    """Name of the person at the desk: as given, or whoever is logged in."""
    if given:
        return given
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "somebody"


def house_at(given: Path | None, near: Path | None = None) -> tuple[HouseFile, Path]:
    """House as its file describes it, and that file: as given, or in this folder (that of `near`) or above it.

    Raises
    ------
    HouseError
        There is none.
    """
    house_file = given or find_house(near or Path())
    if house_file is None:
        raise HouseError("house.toml", "is not in this folder or above it", "name it with --house")
    return read_house(house_file), house_file.resolve()


def history_at(
    given: str | None, house_file: Path | None, *, create: bool = False, names: FormerNames | None = None
) -> History:
    """History of a house: as given, or beside its file.

    Without `names` the house file is asked what it says to its history.

    Raises
    ------
    UsageError
        There is none yet.
    """
    from deskhand.store.history import open_history

    url = history_url(given, house_file.parent if house_file else None)
    if url is None:
        raise UsageError("the history", "has no place without a house file", "write one with: deskhand new RECORDING")
    history = open_history(url, create=create, names=names or names_at(house_file))
    if history is None:
        raise UsageError("the history", "is empty: no show was kept yet", "keep one with: deskhand keep RECORDING")
    return history


def _digest(house_file: Path | None) -> str:
    """SHA-256 of the house file's text; of nothing where there is no file."""
    text = house_file.read_text("utf-8-sig") if house_file else ""
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptShow:
    """A show as it was written to the history."""

    number: int
    of_phase: int
    """Takes of its phase that are kept now."""
    history: str
    """File or server, for people."""
    left_out: tuple[str, ...]
    """Sources whose readings were not kept."""
    mix_left_out: bool
    """True where the mix and the voices in it were left out with them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepTerms:
    """What a person says of a show that is kept."""

    note: str = ""
    """Why this one is worth keeping."""
    by: str
    """Name of the person who keeps it."""
    without: tuple[str, ...] = ()
    """Sources that are left out of what the house learns."""
    with_faults: bool = False
    """Keep it whatever is wrong in it."""


def keep(checked: ShowCheck, recording: Path, *, history: str | None, terms: KeepTerms) -> KeptShow:
    """Write a checked take to the history.

    Raises
    ------
    FaultyShowError
        Something is wrong in it, and the terms do not say to keep it all the same.
    UsageError
        The take is kept already, or holds nothing that plays.
    """
    take = kept_take(
        checked.result,
        checked.parts,
        checked.house_file,
        recording=stored_path(recording, checked.house_file),
        digest=checked.take,
        terms=terms,
    )
    kept = _written(with_fingerprint(take, checked), checked.result, checked.parts, checked.house_file, history)
    keep_loudspeakers(checked, history, take=kept.number)
    return kept


def with_fingerprint(take: KeptTake, checked: ShowCheck) -> KeptTake:
    """Take with the fingerprint of its band and the songs that its show's note names."""
    if checked.fingerprint is None:
        return take
    start_s = checked.result.show.start_s
    kept = {part.source for part in take.parts}
    return replace(
        take,
        fingerprint=checked.fingerprint.packed(),
        tones=packed({source: course for source, course in checked.tone_courses.items() if source in kept}),
        songs=tuple((name, begin_s - start_s) for name, begin_s in checked.song_names),
    )


def keep_result(
    result: CheckResult, parts: list[KeptPart], house_file: Path | None, *, history: str | None, terms: KeepTerms
) -> KeptShow:
    """Write the result of a live check to the history; it has no recording that could be measured again.

    Parameters
    ----------
    result : CheckResult
    parts : list of KeptPart
    house_file : Path or None
    history : str or None
        URL or file of the history; the one beside the house file by default.
    terms : KeepTerms

    Raises
    ------
    FaultyShowError
        Something is wrong in it, and the terms do not say to keep it all the same.
    UsageError
        The take is kept already, or holds nothing that plays.
    """
    take = kept_take(result, parts, house_file, recording=LIVE, digest=None, terms=terms)
    return _written(take, result, parts, house_file, history)


def kept_take(
    result: CheckResult,
    parts: Sequence[KeptPart],
    house_file: Path | None,
    *,
    recording: str,
    digest: str | None,
    terms: KeepTerms,
) -> KeptTake:
    """A take as the history keeps it.

    Parameters
    ----------
    result : CheckResult
    parts : sequence of KeptPart
    house_file : Path or None
    recording : str
        Path of the recording as `stored_path` writes it, or `LIVE`.
    digest : str or None
        Digest of its files.
    terms : KeepTerms

    Raises
    ------
    FaultyShowError
        Something is wrong in it, and the terms do not say to keep it all the same.
    UsageError
        It holds nothing that plays.
    """
    # silence is said before anything that is wrong in it
    faults = require_terms(result, without=terms.without, with_faults=terms.with_faults) if parts else []
    parts = parts_without(result, parts, terms.without)
    if not parts:
        raise UsageError(recording, "holds no source that plays", "keep a take in which the band plays")
    show, place = result.show, names_at(house_file)
    return KeptTake(
        house=result.house,
        show=show.name,
        date=show.date,
        phase=show.phase,
        duration_s=show.duration_s,
        sample_rate_hz=show.sample_rate_hz,
        recording=recording,
        house_hash=_digest(house_file),
        deskhand=__version__,
        note=terms.note,
        kept_by=terms.by,
        parts=parts,
        start_s=show.start_s,
        digest=digest,
        left_out=house_names(result, terms.without),
        faults=[finding.id for _, finding in faults],
        versions=reading_versions(),
        room=place.room,
        desk=place.desk,
    )


def stored_path(recording: Path, house_file: Path | None) -> str:
    """Path of a recording as the history keeps it: from the house file's folder where it lies in it, so that both can be moved."""
    path = recording.resolve()
    if house_file is not None and path.is_relative_to(house_file.resolve().parent):
        return path.relative_to(house_file.resolve().parent).as_posix()
    return str(path)


def _written(
    take: KeptTake, result: CheckResult, parts: Sequence[KeptPart], house_file: Path | None, history: str | None
) -> KeptShow:
    """A take written to the history."""
    store = history_at(history, house_file, create=True)
    try:
        number = store.keep(take)
        of_phase = sum(row.phase == take.phase for row in store.takes_here(house=result.house))
        keep_levels(store, result.seats, take, number)
    finally:
        store.close()
    stages = {part.stage for part in parts} - {part.stage for part in take.parts}
    return KeptShow(
        number=number,
        of_phase=of_phase,
        history=store.where,
        left_out=tuple(take.left_out),
        mix_left_out=bool(stages & {"mix", "feed"}),
    )


def remember(checked: ShowCheck, *, history: str | None) -> None:
    """Write new dismissals to the history: findings that a person leaves alone."""
    if not checked.dismissals:
        return
    with closing(history_at(history, checked.house_file, create=True)) as store:
        for dismissal in checked.dismissals:
            store.dismiss(dismissal, house=checked.result.house)


def raise_again(recording: Path, names: Sequence[str], *, house_path: Path | None, history: str | None) -> None:
    """Hear of findings again that were left alone.

    Raises
    ------
    UsageError
        One of them was not left alone.
    """
    house, house_file = house_at(house_path or find_house(recording))
    store = history_at(history, house_file)
    try:
        left = sorted({f"{row.source}/{row.kind}" for row in store.dismissals(house=house.house.name)})
        for name in names:
            # all of them are looked at before one is raised
            if name not in left:
                fix = f"left alone are: {', '.join(left)}" if left else "nothing is left alone"
                raise UsageError(f'--raise-again "{name}"', "was not left alone", fix)
        for name in names:
            source, _, kind = name.rpartition("/")
            store.take_back(source, kind, house=house.house.name)
    finally:
        store.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class Weeks:
    """Kept weeks of a phase."""

    by_source: dict[str, list[Course]]
    """Source to the courses of its numbers."""
    other_version: dict[str, int]
    """Number to how many kept takes hold it by another definition than today's, and are left out."""


def _week_rows(history: History, house: str, phase: str, source: str | None) -> list[tuple[TakeRow, KeptPart]]:
    """Kept parts of the newest two years, or all of one source beside the newest of the others, whose spread it shares."""
    query: dict[str, Any] = {
        "house": house,
        "phase": phase,
        "metrics": [name for number in SHOWN for name in number.reads],
        "stages": ("tap", "after"),
        "versions": reading_versions(),
    }
    rows = history.parts(most=_OVERVIEW_TAKES if source is None else MOST_TAKES, **query)
    if source is None:
        return rows
    of_source = history.parts(most=_ALL_TAKES, source=source, **query)
    return [*of_source, *((take, part) for take, part in rows if part.source != source)]


def _kept_source(source: str, known: Sequence[str], listed: Sequence[str]) -> str:
    """Name of a source as it was kept.

    Raises
    ------
    UsageError
        There is none.
    """
    match = next((candidate for candidate in known if key(candidate) == key(source)), None)
    if match is None:
        near = nearest(source, known, count=3)
        fix = f"kept are {', '.join(near or known)}" if known else "keep a show first: deskhand keep RECORDING"
        if known and key(source) in map(key, listed):
            fix += "; where it is one of these under another name, write that as was = [...] at the source"
        raise UsageError(f'"{source}"', "is in no kept show", fix)
    return match


def weeks(history: History, house: HouseFile, *, source: str | None, phase: str) -> Weeks:
    """Courses of one source, or of all over the newest two years.

    Raises
    ------
    UsageError
        Nothing is kept of it.
    """
    name = house.house.name
    order = [listed.name for listed in house.source]
    known = sorted(
        history.sources(house=name), key=lambda known: (order.index(known) if known in order else len(order), known)
    )
    wanted = known if source is None else [_kept_source(history.names.source(source), known, order)]
    rows = _week_rows(history, name, phase, None if source is None else wanted[0])
    if not rows:
        unknown = unknown_house_text(unknown_houses(history, house=name))
        raise UsageError("the history", f"holds no {phase}", unknown or "name another phase with --phase")
    if not any(part.source in wanted for _, part in rows):
        raise UsageError(
            f'"{source}"', f"plays in no kept {phase}", "name another phase with --phase, or see: deskhand keep --list"
        )
    newest = {(part.source, part.stage): part for _, part in rows}
    # like is compared with like: today's tap and today's chain
    baseline = baseline_of(
        rows,
        taps={plays: part.tap for (plays, _), part in newest.items()},
        chains={plays: part.chain for (plays, stage), part in newest.items() if stage == "after"},
    )
    nominal_dbfs = {
        listed.name: (house.nominal_dbfs(listed), house.level_limits_db(listed)[0])
        for listed in house.source
        if has_nominal(listed)
    }
    by_source = {
        plays: courses(baseline, plays, charts=len(known) * len(SHOWN), nominal_dbfs=nominal_dbfs.get(plays))
        for plays in wanted
    }
    by_source = {plays: several for plays, several in by_source.items() if several}
    other_version = other_version_takes((take, part) for take, part in rows if part.source in wanted)
    if not by_source and other_version:
        raise UsageError(
            "the history", f"holds no number of today's definitions in a {phase}", "see: deskhand keep --measure-again"
        )
    if not by_source:
        raise UsageError(
            f'"{source}"', f"plays too little in the kept {phase}s to tell", "keep a take in which it plays"
        )
    return Weeks(by_source=by_source, other_version=other_version)
