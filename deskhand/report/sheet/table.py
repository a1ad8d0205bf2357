"""The sheet as CSV, an input a row, for a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from deskhand.report.sheet.model import InputRow, Sheet

_PAIR: Final = re.compile(r"\s*(\d+)\s*/\s*(\d+)\s*")
_DATE_LIKE: Final = re.compile(r"\s*\d+\s*[-/.:]\s*\d+(\s*[-/.:]\s*\d+)?\s*")
_COLUMNS: Final = (
    "channel", "patch", "input", "role", "player", "tracks", "gain", "equaliser", "dynamics", "stereo", "fader_db", "in_mix",
    "changed", "was", "left_to_do", "caution",
)  # fmt: skip


def _cell(text: str) -> str:
    """Text that a spreadsheet leaves as it is: no formula, no date."""
    text = text.replace("−", "-")
    pair = _PAIR.fullmatch(text)
    if pair:
        return f"{pair[1]} and {pair[2]}"
    if text and (text.lstrip()[:1] in ("=", "+", "-", "@", "|", "%") or _DATE_LIKE.fullmatch(text)):
        return f"'{text}"
    return text


def _changes(row: InputRow) -> str:
    """Every change of an input with its old value."""
    changes = ["new input"] if row.new else []
    for name, entry in (("channel", row.channel), ("patch", row.patch)):
        changes += [f"{name} was {entry.was}"] if entry.was else []
    for line in row.settings:
        if line.change == "new":
            changes.append(f"{line.text}: new")
        elif line.change == "changed":
            changes.append(f"{line.text}: was {line.was}")
        elif line.change == "out":
            changes.append(f"{line.text}: taken out")
    return "; ".join([*changes, *([f"fader was {row.fader.was}"] if row.fader.was else [])])


def sheet_csv(sheet: Sheet) -> str:
    """The sheet as CSV, an input a row; "left_to_do" and "was" in words, `fader_db` a number."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in sheet.rows:
        groups = {
            group: "; ".join(line.text for line in row.settings if line.group == group and line.change != "out")
            for group in ("gain", "equaliser", "dynamics", "stereo")
        }
        left_cells = (
            "" if row.channel.text == "–" else row.channel.text,
            "" if row.patch.text == "–" else row.patch.text,
            row.name,
            row.role,
            row.player,
            ", ".join(row.tracks),
            *groups.values(),
        )
        fader = "" if row.fader_db is None else f"{row.fader_db:g}"
        in_mix = "no" if row.fader_db is None else "muted" if row.mute else "yes"
        changed = "" if sheet.since is None else "yes" if row.changed else "no"
        right_cells = (in_mix, changed, _changes(row), row.to_do, "; ".join(row.cautions))
        writer.writerow([*map(_cell, left_cells), fader, *map(_cell, right_cells)])
    return buffer.getvalue()
