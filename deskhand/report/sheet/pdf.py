"""The sheet as PDF and as pictures of its pages, set at the roomiest spacing that fits."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, Literal

from deskhand.language import language
from deskhand.report.sheet.cautions import PHANTOM_CAUTION
from deskhand.report.sheet.curves import HIGH_HZ, LOW_HZ, SPAN_DB, sketch_points
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.report.sheet.model import InputRow, Sheet

PAGES: Final = 2
"""Pages a sheet should take at most, one for each side of a paper; with more inputs it goes on rather than drop one. Common
practice, no source."""
_SPACINGS: Final = (
    (12.0, 5.0), (12.0, 3.5), (11.0, 4.5), (11.0, 3.0), (10.5, 4.0), (10.5, 3.0),
    (10.0, 4.0), (10.0, 3.0), (10.0, 2.0), (10.0, 1.2), (10.0, 0.4),
)  # fmt: skip
"""Size of type and room above and below a row, in points, the roomiest first. 10 points is the least to read at arm's length, and
is never gone below. Common practice, no source."""
_LONG: Final = 400
"""Letters in a narrow column, of about 17 a line, that come near the height of a page. Common practice, no source."""
_LINES_MM: Final = 9.0
"""Distance of the lines to write on: room for a pen. Common practice, no source."""
_CAUTIONS: Final = (
    "A person makes every change: deskhand never touches the desk. One at a time, listening, quietly first.",
    "A preamp's gain is heard in the players' monitors: tell the stage first. Louder open microphones can feed back.",
)


_WORDS: Final = {
    "title": "settings",
    "sketches": "Sketches: 20 Hz to 20 kHz, upright lines at 100 Hz, 1 kHz and 10 kHz; centre line 0 dB, edges ±",
    "dashed": "; dashed: right or side",
    "written_by": "written by deskhand",
    "page": "page",
    "of": "of",
    "was": "was",
    "new": "new",
    "taken_out": "taken out:",
    "nothing_set": "nothing set",
    "settings": "Settings:",
    "before_doors": "Before doors:",
    "next": "Next, if there is time:",
    "on_stage": "On the stage:",
    "channel": "Channel",
    "patch_microphone": "Patch, microphone",
    "patch": "Patch",
    "input_player": "Input, player",
    "preamp": "Preamp",
    "equaliser": "Equaliser",
    "settings_column": "Settings",
    "fader": "Fader",
    "unclaimed": "Recorded, but in no source of the house file:",
    "turned": "Turned today",
    "jobs": "Open jobs",
    "notes": "Notes",
}
"""Words that stand on every sheet."""


def headline(sheet: Sheet) -> str:
    """Inputs that changed, in one sentence; empty when nothing is said of changes."""
    if sheet.since is None:
        return ""
    names = [row.name for row in sheet.rows if row.changed]
    gone = phrase(" No longer there: {names}.", names=", ".join(sheet.gone)) if sheet.gone else ""
    if not names:
        entry = "Since {since}:{gone}" if gone else "Nothing changed since {since}.{gone}"
        return phrase(entry, since=sheet.since, gone=gone)
    entry = "Changed since {since} (a bar at the left, bold, the old value after it): {names}.{gone}"
    return phrase(entry, since=sheet.since, names=", ".join(names), gone=gone)


def _entries(row: InputRow, names: Sequence[str]) -> list[dict[str, Any]]:
    """Entries of an input that were written down, as data, each with its name."""
    entries = {name: row.entries[name] for name in names}
    return [asdict(entry) | {"name": phrase(name)} for name, entry in entries.items() if entry.text or entry.was]


def _page_data(sheet: Sheet) -> dict[str, Any]:
    """Data that the page is drawn from."""
    data = asdict(sheet)
    del data["frequency_hz"]
    has_phantom = any(row.phantom.text for row in sheet.rows)
    for row_data, row in zip(data["rows"], sheet.rows, strict=True):
        row_data["input"] = _entries(row, ("preamp", "pad", "phantom"))
        row_data["pickup"] = _entries(row, ("microphone", "stand"))
        row_data["routing"] = _entries(row, ("group", "effects", "sends"))
        row_data["changed"] = row.changed
        # a line higher than the page has to be broken, others are kept together
        narrow = (row.name, row.player, *(entry.text for entry in row.entries.values()))
        row_data["long"] = sum(map(len, narrow)) > _LONG or (
            sum(len(line.text) + len(line.was) for line in row.settings) > 4 * _LONG
        )
        row_data["curves"] = [sketch_points(sheet.frequency_hz, curve.gain_db) for curve in row.curves]
        upper = [asdict(line) for line in row.settings if line.group in ("gain", "equaliser")]
        lower = [asdict(line) for line in row.settings if line.group in ("dynamics", "stereo")]
        row_data["settings"] = [lines for lines in (upper, lower) if lines]
    return data | {
        "headline": headline(sheet),
        "cautions": [phrase(text) for text in (*_CAUTIONS, *((PHANTOM_CAUTION,) if has_phantom else ()))],
        "words": {name: phrase(english) for name, english in _WORDS.items()},
        "language": language(),
        "phase": phrase(sheet.phase),
        "span_db": SPAN_DB,
        "low_hz": LOW_HZ,
        "high_hz": HIGH_HZ,
        "lines_mm": _LINES_MM,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Print:
    """A sheet as it is printed."""

    pdf: bytes
    pages: int
    inputs: dict[str, str]
    """Data that the page is made from."""
    own_fonts: bool
    """True where the fonts that come along are enough for it."""


def _source() -> bytes:
    from importlib import resources

    return resources.files("deskhand.report.sheet").joinpath("sheet.typ").read_bytes()


def _inputs(data: str, spacing: tuple[float, float]) -> dict[str, str]:
    return {"sheet": data, "size": f"{spacing[0]}", "room": f"{spacing[1]}"}


def _pages(inputs: dict[str, str], *, own_fonts: bool = True) -> int:
    """Number of pages a sheet takes."""
    import typst

    answer = typst.query(
        _source(), "<pages>", field="value", one=True, ignore_system_fonts=own_fonts, sys_inputs=inputs
    )
    return int(json.loads(answer))


@lru_cache(maxsize=8)
def typeset(sheet: Sheet) -> _Print:
    """Print a sheet at the roomiest spacing that takes no more pages than the tightest."""
    import typst

    data = json.dumps(_page_data(sheet), ensure_ascii=False, allow_nan=False)
    fewest = _pages(_inputs(data, _SPACINGS[-1]))
    low, high = 0, len(_SPACINGS) - 1
    while low < high:
        middle = (low + high) // 2
        if _pages(_inputs(data, _SPACINGS[middle])) <= fewest:
            high = middle
        else:
            low = middle + 1
    chosen = _inputs(data, _SPACINGS[high])

    def printed(*, own_fonts: bool, standard: Literal["ua-1"] | None) -> _Print:
        pdf = typst.compile(
            _source(), format="pdf", ignore_system_fonts=own_fonts, sys_inputs=chosen, pdf_standards=standard
        )
        # fonts of the computer may be higher
        count = fewest if own_fonts else _pages(chosen, own_fonts=False)
        return _Print(pdf=pdf, pages=count, inputs=chosen, own_fonts=own_fonts)

    try:
        return printed(own_fonts=True, standard="ua-1")
    except typst.TypstError:
        # the fonts that come along lack a letter of a name: this computer may have it
        try:
            return printed(own_fonts=False, standard="ua-1")
        except typst.TypstError:
            # a letter that nobody has is printed as a box, which the standard forbids; the table has it
            return printed(own_fonts=False, standard=None)


def sheet_pdf(sheet: Sheet) -> bytes:
    """The sheet as PDF, with its reading order and the sketches in words (PDF/UA-1); equal sheets give equal bytes."""
    return typeset(sheet).pdf


def sheet_pages(sheet: Sheet) -> int:
    """Number of pages the sheet takes."""
    return typeset(sheet).pages


@lru_cache(maxsize=2)
def sheet_png(sheet: Sheet, *, pixels_per_inch: int = 120) -> tuple[bytes, ...]:
    """Each page of the sheet as a PNG picture, to look at before it is printed."""
    import typst

    printed = typeset(sheet)
    pictures = typst.compile(
        _source(),
        format="png",
        ppi=float(pixels_per_inch),
        ignore_system_fonts=printed.own_fonts,
        sys_inputs=printed.inputs,
    )
    # one page comes alone, several as a list
    return tuple(pictures) if isinstance(pictures, list) else (pictures,)
