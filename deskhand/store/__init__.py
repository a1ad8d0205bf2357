"""The history: shows a house decided to keep, in SQLite beside the house file, or in PostgreSQL by URL.

Opening one takes `deskhand.store.history`, which loads the database library.
"""

from deskhand.store.records import (
    DEFAULT_NAME,
    BlindTest,
    DeskChange,
    Dismissal,
    HandoverNote,
    KeptPart,
    KeptTake,
    TakeRow,
    file_of,
    history_url,
)

__all__ = [
    "DEFAULT_NAME",
    "BlindTest",
    "DeskChange",
    "Dismissal",
    "HandoverNote",
    "KeptPart",
    "KeptTake",
    "TakeRow",
    "file_of",
    "history_url",
]
