"""Conducts keeping: a checked take into the history, and the weeks out of it."""

from __future__ import annotations

import getpass
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from deskhand import __version__
from deskhand.errors import HouseError, UsageError
from deskhand.house import HouseFile, find_house, read_house
from deskhand.recording.names import key, nearest
from deskhand.reference.normal import MOST_TAKES, reference_of
from deskhand.reference.weeks import SHOWN, Course, courses
from deskhand.store import KeptTake, history_url

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.result import CheckResult
    from deskhand.store import KeptPart
    from deskhand.store.history import History
    from deskhand.tasks.check import Checked

_OVERVIEW_TAKES = 104
"""Without a source named, two years of weekly takes are looked at."""
_ALL_TAKES = 100_000


def who(given: str | None) -> str:
    """Who says so: as given, or whoever is logged in."""
    if given:
        return given
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "somebody"


def house_at(given: Path | None, near: Path | None = None) -> tuple[HouseFile, Path]:
    """The house as its file describes it, and that file: as given, or in this folder (that of `near`) or above it.

    Raises
    ------
    HouseError
        There is none.
    """
    found = given or find_house(near or Path())
    if found is None:
        raise HouseError("house.toml", "is not in this folder or above it", "name it with --house")
    return read_house(found), found.resolve()


def history_at(given: str | None, house_file: Path | None, *, create: bool = False) -> History:
    """The history of a house: as given, or beside its file.

    Raises
    ------
    UsageError
        There is none yet.
    """
    from deskhand.store.history import open_history

    url = history_url(given, house_file.parent if house_file else None)
    if url is None:
        raise UsageError("the history", "has no place without a house file", "write one with: deskhand new RECORDING")
    history = open_history(url, create=create)
    if history is None:
        raise UsageError("the history", "is empty: no show was kept yet", "keep one with: deskhand keep RECORDING")
    return history


def _digest(house_file: Path | None) -> str:
    """Of the house file's text; of nothing where there is none."""
    text = house_file.read_text("utf-8-sig") if house_file else ""
    return hashlib.sha256(text.encode()).hexdigest()


def keep(checked: Checked, recording: Path, *, history: str | None, note: str, by: str) -> tuple[int, int, str]:
    """Write a checked take to the history.

    Returns
    -------
    (number, kept, place) : its number, how many takes of its phase are kept now, and where.

    Raises
    ------
    UsageError
        The take is kept already, or holds nothing that plays.
    """
    return _keep(checked.result, checked.parts, str(recording), checked.house_file, history=history, note=note, by=by)


def keep_heard(
    result: CheckResult, parts: list[KeptPart], house_file: Path, *, history: str | None, note: str, by: str
) -> tuple[int, int, str]:
    """Write what was heard live to the history; returns and raises as `keep`."""
    return _keep(result, parts, "live", house_file, history=history, note=note, by=by)


def _keep(
    result: CheckResult,
    parts: list[KeptPart],
    recording: str,
    house_file: Path | None,
    *,
    history: str | None,
    note: str,
    by: str,
) -> tuple[int, int, str]:
    if not parts:
        raise UsageError(recording, "holds no source that plays", "keep a take in which the band plays")
    show = result.show
    store = history_at(history, house_file, create=True)
    try:
        number = store.keep(
            KeptTake(
                house=result.house,
                show=show.name,
                date=show.date,
                phase=show.phase,
                duration_s=show.duration_s,
                sample_rate_hz=show.sample_rate_hz,
                recording=recording,
                house_hash=_digest(house_file),
                deskhand=__version__,
                note=note,
                kept_by=by,
                parts=parts,
            )
        )
        kept = sum(row.phase == show.phase for row in store.takes(house=result.house))
    finally:
        store.close()
    return number, kept, store.where


def remember(checked: Checked, *, history: str | None) -> None:
    """Write what a person does not want to hear of."""
    if not checked.said:
        return
    store = history_at(history, checked.house_file, create=True)
    try:
        for one in checked.said:
            store.dismiss(one, house=checked.result.house)
    finally:
        store.close()


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
        left = sorted({f"{one.source}/{one.kind}" for one in store.dismissals(house=house.house.name)})
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


def weeks(history: History, house: HouseFile, *, source: str | None, phase: str) -> dict[str, list[Course]]:
    """The courses of one source, or of all over the newest two years; source to them.

    Raises
    ------
    UsageError
        Nothing is kept of it.
    """
    name = house.house.name
    order = [one.name for one in house.source]
    known = sorted(history.sources(house=name), key=lambda one: (order.index(one) if one in order else len(order), one))
    wanted = known
    if source is not None:
        found = next((one for one in known if key(one) == key(source)), None)
        if found is None:
            near = nearest(source, known, count=3)
            fix = f"kept are {', '.join(near or known)}" if known else "keep a show first: deskhand keep RECORDING"
            raise UsageError(f'"{source}"', "is in no kept show", fix)
        wanted = [found]
    stages = ("tap", "after")
    metrics = [name for number in SHOWN for name in number.reads]
    kept = history.parts(
        house=name,
        phase=phase,
        metrics=metrics,
        most=MOST_TAKES if source is not None else _OVERVIEW_TAKES,
        stages=stages,
    )
    if source is not None:
        # all of its weeks, beside the newest of the others, whose spread it shares
        own = history.parts(house=name, phase=phase, metrics=metrics, most=_ALL_TAKES, stages=stages, source=wanted[0])
        kept = [*own, *((take, part) for take, part in kept if part.source != wanted[0])]
    if not kept:
        raise UsageError("the history", f"holds no {phase}", "name another phase with --phase")
    if not any(part.source in wanted for _, part in kept):
        raise UsageError(
            f'"{source}"', f"plays in no kept {phase}", "name another phase with --phase, or see: deskhand keep --list"
        )
    newest = {(part.source, part.stage): part for _, part in kept}
    # like is compared with like: today's tap and today's chain
    reference = reference_of(
        kept,
        taps={one: part.tap for (one, _), part in newest.items()},
        chains={one: part.chain for (one, stage), part in newest.items() if stage == "after"},
    )
    charts = len(known) * len(SHOWN)
    out = {one: courses(reference, one, charts=charts) for one in wanted}
    told = {one: found for one, found in out.items() if found}
    if not told:
        raise UsageError(
            f'"{source}"', f"plays too little in the kept {phase}s to tell", "keep a take in which it plays"
        )
    return told
