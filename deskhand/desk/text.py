"""Sentences on earlier moves, from the catalogue `texts.toml`: rendered last, read back by nobody."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import datetime
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from deskhand.words import filled

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.desk.life import EarlierMove


@cache
def _catalogue() -> Mapping[str, Any]:
    """Sentences by fate."""
    return tomllib.loads(resources.files("deskhand.desk").joinpath("texts.toml").read_text("utf-8"))


def with_remark(move: EarlierMove) -> EarlierMove:
    """Earlier move with the sentence on what this take says of it; the time is this computer's."""
    clock = f"{datetime.fromisoformat(move.said_at).astimezone():%H:%M}"
    by = f" by {move.said_by}" if move.said_by else ""
    return replace(move, remark=filled(_catalogue()["fate"][move.fate], {"clock": clock, "by": by}))
