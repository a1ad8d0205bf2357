"""Reads the published tables of `tests/reference`."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a table, by column; lines that begin with # are comments, an empty cell is no value."""
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def topic(name: str) -> dict[str, Any]:
    """A topic kept as TOML."""
    return tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
