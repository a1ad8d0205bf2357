"""Writes the parts of the docs that are made from the code: the JSON Schema and the tables of kinds and roles.

Run by `make docs`; a test fails when they are out of date.
"""

from __future__ import annotations

import json
from pathlib import Path

HERE = Path(__file__).parent


def made() -> dict[Path, str]:
    """Path to text of every file made from code."""
    from deskhand.report.result import json_schema

    schema = json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
    return {HERE / "schema" / "check.json": schema}


def main() -> None:
    """Write them."""
    for path, text in made().items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
        print(path.relative_to(HERE.parent))


if __name__ == "__main__":
    main()
