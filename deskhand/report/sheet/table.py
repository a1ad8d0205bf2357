"""The sheet as CSV, an input a row, for a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING, Final

from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.report.sheet.model import InputRow, Sheet

_PAIR: Final = re.compile(r"\s*(\d+)\s*/\s*(\d+)\s*")
_DATE_LIKE: Final = re.compile(r"\s*\d+\s*[-/.:]\s*\d+(\s*[-/.:]\s*\d+)?\s*")
_COLUMNS: Final = (
    "channel", "patch", "input", "role", "player", "tracks", "gain", "equaliser", "dynamics", "stereo", "fader_db", "in_mix",
    "changed", "was", "left_to_do", "caution",
)  # fmt: skip
_WHERE_KNOWN: Final = ("microphone", "stand", "preamp", "pad", "phantom", "group", "effects", "sends")


def _cell(text: str) -> str:
    """Text that a spreadsheet leaves as it is: no formula, no date."""
    text = text.replace("−", "-")
    pair = _PAIR.fullmatch(text)
    if pair:
        return phrase("{first} and {second}", first=pair[1], second=pair[2])
    if text and (text.lstrip()[:1] in ("=", "+", "-", "@", "|", "%") or _DATE_LIKE.fullmatch(text)):
        return f"'{text}"
    return text


def _changes(row: InputRow) -> str:
    """Every change of an input with its old value."""
    changes = [phrase("new input")] if row.new else []
    entries = [(name, entry) for name, entry in row.entries.items() if name != "fader"]
    changes += [phrase("{name} was {was}", name=phrase(name), was=entry.was) for name, entry in entries if entry.was]
    changes += [
        phrase("{name} {text}: new", name=phrase(name), text=entry.text) for name, entry in entries if entry.is_new
    ]
    for line in row.settings:
        if line.change == "new":
            changes.append(phrase("{text}: new", text=line.text))
        elif line.change == "changed":
            changes.append(phrase("{text}: was {was}", text=line.text, was=line.was))
        elif line.change == "out":
            changes.append(phrase("{text}: taken out", text=line.text))
    return "; ".join(
        [*changes, *([phrase("{name} was {was}", name=phrase("fader"), was=row.fader.was)] if row.fader.was else [])]
    )


def sheet_csv(sheet: Sheet) -> str:
    """The sheet as CSV, an input a row; "left_to_do" and "was" in words, `fader_db` a number.

    Behind the columns that are always there come those that somebody filled: microphone, stand, preamp and so on.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    filled = [name for name in _WHERE_KNOWN if any(row.entries[name].text for row in sheet.rows)]
    writer.writerow([*_COLUMNS, *filled])
    for row in sheet.rows:
        groups = {
            group: "; ".join(line.text for line in row.settings if line.group == group and line.change != "out")
            for group in ("gain", "equaliser", "dynamics", "stereo")
        }
        left_cells = (
            "" if row.channel.text == "–" else row.channel.text,
            "" if row.patch.text == "–" else row.patch.text,
            row.name,
            phrase(row.role),
            row.player,
            ", ".join(row.tracks),
            *groups.values(),
        )
        fader = "" if row.fader_db is None else f"{row.fader_db:g}"
        in_mix = phrase("no" if row.fader_db is None else "muted" if row.mute else "yes")
        changed = "" if sheet.since is None else phrase("yes" if row.changed else "no")
        known = (row.entries[name].text for name in filled)
        right_cells = (in_mix, changed, _changes(row), row.to_do, "; ".join(row.cautions), *known)
        writer.writerow([*map(_cell, left_cells), fader, *map(_cell, right_cells)])
    return buffer.getvalue()
