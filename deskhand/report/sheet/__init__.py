"""The settings sheet: every input with its place, its settings and what changed, on one or two printed pages, and as CSV.

`model` is the sheet as data; `settings` says a chain in the words of a desk, and what changed in it; `curves` draws equalisers;
`make` puts the sheet together; `pdf` prints it; `table` writes it as CSV.
"""

from __future__ import annotations

from deskhand.report.sheet.curves import POINTS, SPAN_DB, frequencies_hz, response_db
from deskhand.report.sheet.make import find_since, make_sheet, since_name
from deskhand.report.sheet.model import InputRow, Paper, SettingLine, Sheet
from deskhand.report.sheet.pdf import PAGES, headline, sheet_pages, sheet_pdf, sheet_png
from deskhand.report.sheet.table import sheet_csv

__all__ = [
    "PAGES",
    "POINTS",
    "SPAN_DB",
    "InputRow",
    "Paper",
    "SettingLine",
    "Sheet",
    "find_since",
    "frequencies_hz",
    "headline",
    "make_sheet",
    "response_db",
    "sheet_csv",
    "sheet_pages",
    "sheet_pdf",
    "sheet_png",
    "since_name",
]
