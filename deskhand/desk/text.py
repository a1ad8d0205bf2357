"""Sentences on earlier moves, from the catalogue `texts.toml`: rendered last, read back by nobody."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any

from deskhand.language import in_language, language, read_catalogue
from deskhand.words import filled, phrase

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.desk.life import EarlierMove


@cache
def _catalogue(code: str) -> Mapping[str, Any]:
    """Sentences by fate."""
    return in_language("deskhand.desk", "texts", read_catalogue("deskhand.desk", "texts"), code)


def with_remark(move: EarlierMove) -> EarlierMove:
    """Earlier move with the sentence on what this take says of it; the time is this computer's."""
    clock = f"{datetime.fromisoformat(move.said_at).astimezone():%H:%M}"
    by = phrase(" by {name}", name=move.said_by) if move.said_by else ""
    return replace(move, remark=filled(_catalogue(language())["fate"][move.fate], {"clock": clock, "by": by}))
