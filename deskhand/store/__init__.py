"""The history: shows a house decided to keep, in SQLite beside the house file, or in PostgreSQL by URL."""

from deskhand.store.history import (
    DEFAULT_NAME,
    Dismissal,
    History,
    KeptPart,
    KeptTake,
    TakeRow,
    history_url,
    open_history,
)

__all__ = [
    "DEFAULT_NAME",
    "Dismissal",
    "History",
    "KeptPart",
    "KeptTake",
    "TakeRow",
    "history_url",
    "open_history",
]
