"""Writes the parts of the docs that are made from the code: JSON Schema, tables of findings and readings, blocks, page words, sentences.

Run by `make docs`; a test fails when they are out of date.
"""

from __future__ import annotations

import json
import re
import string
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.kind import Kind, Limit

HERE = Path(__file__).parent


def made() -> dict[Path, str]:
    """Path to text of every file made from code."""
    from deskhand.compare.result import compare_schema
    from deskhand.result import json_schema
    from tools.parts import BILL, PAGE, bill, page
    from tools.prose import wrapped

    pages = {
        PAGE: page(),
        HERE / "page-words.md": page_words(),
        HERE / "sentences.md": sentences(),
        HERE / "findings.md": _with_part(HERE / "findings.md", findings()),
        HERE / "chain.md": _with_part(HERE / "chain.md", blocks()),
        HERE / "measurements.md": _with_part(HERE / "measurements.md", readings()),
    }
    return (
        {path: wrapped(text) for path, text in pages.items()}
        | {
            HERE / "schema" / f"{name}.json": json.dumps(schema(), indent=2, ensure_ascii=False) + "\n"
            for name, schema in (("check", json_schema), ("compare", compare_schema))
        }
        | {BILL: json.dumps(bill(), indent=1) + "\n"}
    )


def _with_part(path: Path, lines: Sequence[str]) -> str:
    """Text of a page with its made part, which stands between two comments, put in anew."""
    page = path.read_text("utf-8").splitlines()
    begin = next(number for number, line in enumerate(page) if line.startswith("<!-- made from "))
    end = page.index("<!-- end -->", begin)
    return "\n".join([*page[: begin + 1], "", *lines, "", *page[end:], ""])


class _LimitFormatter(string.Formatter):
    """Fills the limits into a meaning: `{name}` with sign and unit, `{name:size}` without the sign."""

    def format_field(self, value: Any, format_spec: str) -> str:
        return limit_words(value, size=format_spec == "size")


def limit_words(limit: Limit, *, size: bool = False) -> str:
    """A limit as number and unit."""
    from deskhand.units import number

    value = abs(limit.value) if size else limit.value
    if limit.unit == "share":
        return f"{number(100 * value, 1)} %"
    unit = "" if limit.unit in ("count", "1") else f" {limit.unit}"
    return f"{number(value, 4)}{unit}"


def _meaning(kind: Kind) -> str:
    return _LimitFormatter().vformat(kind.meaning, (), kind.limits)


def findings() -> list[str]:
    """Table of the kinds of finding, most urgent first."""
    from deskhand.findings import KINDS

    rows = [f"| `{kind.name}`: {kind.words} | {_meaning(kind)} | {kind.act} |" for kind in KINDS.values()]
    return [
        "| kind | said when | do |",
        "|---|---|---|",
        *rows,
        "",
        "## Where each limit comes from",
        "",
        *_limit_table(),
    ]


def _limit_table() -> list[str]:
    """Table of the limits with their sources, in the order of the kinds."""
    from deskhand.findings import KINDS

    rows = [
        f"| `{kind.name}` | `{name}` | {limit_words(limit)} | {limit.meaning} | {_with_links(limit.source)} |"
        for kind in KINDS.values()
        for name, limit in kind.limits.items()
    ]
    return ["| kind | limit | at | meaning | source |", "|---|---|---|---|---|", *rows]


def _with_links(source: str) -> str:
    """Source in which pages of the docs are links."""
    return re.sub(r"docs/([\w-]+\.md)", r"[\1](\1)", source)


def readings() -> list[str]:
    """Table of the readings that stand in a file of their own."""
    from deskhand.measure.provider import providers

    rows = [
        f"| `{reading.name}` | {reading.meaning} | {reading.method} | {reading.limits} | {reading.hears} |"
        for reading in providers()
    ]
    return ["| reading | what it is | how, and source | limits | what a person hears |", "|---|---|---|---|---|", *rows]


def blocks() -> list[str]:
    """Lists of the blocks by their section of a channel, and by how they are treated."""
    from deskhand.house import BLOCKS

    def names(chosen: Sequence[str]) -> str:
        return ", ".join(f"`{name}`" for name in chosen)

    groups = dict.fromkeys(block.group for block in BLOCKS.values())
    sections = [
        f"{group}: {names([name for name, block in BLOCKS.items() if block.group == group])}" for group in groups
    ]
    facts = {
        "Changes nothing but the level": [name for name, block in BLOCKS.items() if block.is_gain],
        "Set by the moves that bring a tone home": [name for name, block in BLOCKS.items() if block.shapes_tone],
        "Metered as gain reduction": [name for name, block in BLOCKS.items() if block.moves_gain],
    }
    return [
        f"Sections of a channel, as on the sheet and the page. {'; '.join(sections).capitalize()}.",
        *(f"{words}: {names(chosen)}." for words, chosen in facts.items()),
    ]


_ACTORS = {
    "desk": "the desk",
    "stage": "somebody on stage",
    "player": "the player",
    "recording": "the recorder's keeper",
    "office": "the house file's keeper",
    "as its finding": "as its finding",
}
"""Whose hand it takes, in words."""


def _as_read(sentence: str) -> str:
    """Sentence of a catalogue with its values as names: `{below_db:0} dB` becomes "‹below› dB"."""
    parts = []
    for words, value, _, _ in string.Formatter().parse(sentence):
        parts.append(words)
        if value:
            name = value.split(".")[0].removesuffix("_db").removesuffix("_dbfs").removesuffix("_hz").removesuffix("_s")
            parts.append(f"‹{name.replace('_', ' ')}›")
    return "".join(parts)


def _reading(entry: dict[str, str]) -> str:
    """Cells of one entry: whose hand, and the three kinds of house."""
    remarks = (entry.get(house) for house in ("ears", "wedges", "stream"))
    cells = ("yes" if remark is None else f"yes; {remark}" for remark in remarks)
    return " | ".join([_ACTORS[entry.get("who", "desk")], *cells])


def _sentence_table(head: str, rows: Sequence[tuple[str, str, dict[str, str]]]) -> list[str]:
    """Table of sentences, each with whose hand it takes and where it is right."""
    lines = [f"| `{name}` | {sentence.replace('|', '/')} | {_reading(entry)} |" for name, sentence, entry in rows]
    return [
        f"| {head} | sentence | who acts | right with in-ear monitors? | with wedges? | on the stream? |",
        "|---|---|---|---|---|---|",
        *lines,
    ]


def sentences() -> str:
    """All sentences of findings and moves, each read against three kinds of house."""
    from deskhand.findings.text import catalogue
    from deskhand.moves.text import actions, readings

    words = catalogue()
    reading = words["reading"]
    findings_rows = [
        (f"{kind}: {case}", _as_read(sentence), reading["finding"][kind])
        for kind, cases in words["finding"].items()
        for case, sentence in cases.items()
    ]
    advice_rows = [(name, _as_read(sentence), reading["advice"][name]) for name, sentence in words["advice"].items()]
    caution_rows = [(name, sentence, reading["caution"][name]) for name, sentence in words["caution"].items()]
    move_rows = [
        (action, _as_read(f"{entry['text']} ({entry['effect']}). To undo: {entry['undo']}"), readings()[action])
        for action, entry in actions().items()
    ]
    return "\n".join(
        [
            "# Every sentence, and where it is right",
            "",
            "A finding's sentence says what was found, then what to do (advice), then what to mind (cautions). ‹…› stands for a value. Each was read",
            "against a house with in-ear monitors, one with wedges, and the stream: *yes* is right as it stands; what differs there follows. Made from",
            "`deskhand/findings/texts.toml`, the files of `deskhand/findings/standalone` and `deskhand/moves/texts.toml` by `make docs`.",
            "",
            "## What is found",
            "",
            *_sentence_table("finding", findings_rows),
            "",
            "## What to do",
            "",
            *_sentence_table("advice", advice_rows),
            "",
            "## What to mind",
            "",
            *_sentence_table("caution", caution_rows),
            "",
            "## What to turn",
            "",
            *_sentence_table("move", move_rows),
            "",
        ]
    )


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
    sys.path.insert(0, str(HERE.parent))  # tools/ is no part of what is installed
    main()
