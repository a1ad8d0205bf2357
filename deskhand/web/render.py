"""Templates of the pages, and the words that stand on all of them."""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from deskhand import __version__
from deskhand.dsp import kernels_are_compiled
from deskhand.language import language
from deskhand.recording.names import dated
from deskhand.report.volume import LOWEST_DB, START_DB
from deskhand.report.words import explained, text, words
from deskhand.units import clock, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.web.hall import Hall, Shelf, StoredCheck


@cache
def _engine() -> Environment:
    from importlib import resources

    folder = resources.files("deskhand.web").joinpath("templates")
    engine = Environment(
        loader=FileSystemLoader(str(folder)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    engine.globals.update(
        t=text, language=language, explained=explained, clock=clock, number=number, version=__version__, compiled=kernels_are_compiled,
        start_db=START_DB, lowest_db=LOWEST_DB,
    )  # fmt: skip
    return engine


def page(name: str, /, **values: Any) -> str:
    """HTML of one page, from its template and values."""
    defaults = {"shelf": None, "house_name": "", "shown": None, "page": name, "voice_there": False}
    html = _engine().get_template(f"{name}.html.j2").render(defaults | values)
    return html.encode("utf-8", "replace").decode()  # a file's name may hold bytes that are no text


def spoken_date(date: str | None) -> str:
    """A date as people say it."""
    if not date:
        return ""
    try:
        day = dt.date.fromisoformat(date)
    except ValueError:
        return date
    weekday, month = words()["days"][f"{day.weekday()}"], words()["months"][f"{day.month}"]
    return f"{weekday}, {phrase('{day} {month} {year}', day=day.day, month=month, year=day.year)}"


def spoken_time(moment: dt.datetime) -> str:
    """Weekday and time."""
    return f"{words()['days'][f'{moment.weekday()}']} {moment:%H:%M}"


def shelf_line(shelf: Shelf) -> str:
    """A recording in a list: its name and its date."""
    return f"{dated(shelf.name, spoken_date(shelf.date) or None)}"


def page_head(hall: Hall, shelf: Shelf | None = None, check: StoredCheck | None = None) -> dict[str, Any]:
    """Values for the top of every page: house, show and date."""
    name = check.result.house if check else ""
    if not name and hall.has_house:
        try:
            name = hall.house().house.name
        except Exception:  # noqa: BLE001 - a broken house file is told where it matters
            name = hall.root.name
    show = check.result.show if check else None
    return {
        "house_name": name,
        "shelf": shelf,
        "shown": check,
        "voice_there": bool(check and check.result.vocal),
        "show_line": ", ".join(part for part in (show.name, spoken_date(show.date)) if part) if show else "",
    }
