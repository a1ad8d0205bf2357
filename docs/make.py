"""Writes the parts of the docs that are made from the code: the JSON Schema and the tables of kinds and roles.

Run by `make docs`; a test fails when they are out of date.
"""

from __future__ import annotations

import json
from pathlib import Path

HERE = Path(__file__).parent


def made() -> dict[Path, str]:
    """Path to text of every file made from code."""
    from deskhand.compare.result import compare_schema
    from deskhand.result import json_schema

    return {HERE / "page-words.md": page_words()} | {
        HERE / "schema" / f"{name}.json": json.dumps(schema(), indent=2, ensure_ascii=False) + "\n"
        for name, schema in (("check", json_schema), ("compare", compare_schema))
    }


def page_words() -> str:
    """Why each label of the local page is called what it is."""
    from deskhand.report.words import words

    rows = [f"| {text} | {words()['origin'][name]} |" for name, text in words()["label"].items()]
    return "\n".join(
        [
            "# The labels of the page, and where each comes from",
            "",
            "*Trade*: a word of the trade or of an open standard. *Plain*: plain English for what it does. *Ours*: our own. Papers and",
            "patents are named from memory. Made from `deskhand/report/words.toml` by `make docs`.",
            "",
            "| label | why |",
            "|---|---|",
            *rows,
            "",
        ]
    )


def main() -> None:
    """Write them."""
    for path, text in made().items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
        print(path.relative_to(HERE.parent))


if __name__ == "__main__":
    main()
