"""Columns of the docs: prose of Markdown is wrapped at 120, like the code; tables, code and what cannot break stay as they are.

python -m tools.prose FILE ...      # wraps the paragraphs that hold a longer line
"""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

WIDTH: Final = 120
"""Columns: the line length of the code (pyproject.toml)."""
_CODE_INDENT: Final = 4
"""Columns from which on a line after a blank one is code (CommonMark 0.31.2, 4.4)."""
_WORD: Final = re.compile(r"(?:`[^`]*`|!?\[[^\]]*\]\([^)]*\)|\S)+")
"""Pieces of prose that are never broken: a word, a code span, a link."""
_BULLET: Final = re.compile(r"\s*(?:[-*+]|\d{1,9}[.)])\s+")
"""Beginning of a list item (CommonMark 0.31.2, 5.2)."""
_FENCE: Final = re.compile(r"\s*(?:```|~~~)")
"""Line above or below a block of code (CommonMark 0.31.2, 4.5)."""
_ALONE: Final = re.compile(r"\s*(?:#{1,6}\s|\||<|>|$)")
"""Lines that belong to no paragraph: heading, row of a table, HTML, quotation, blank."""
_MARKER: Final = re.compile(r"(?:[-*+]|\d{1,9}[.)]|#{1,6}|=+|-+|[|<>].*)$")
"""Words that would begin something else than prose, were they the first of a line."""


@dataclass(slots=True)
class Paragraph:
    """Lines of one paragraph or list item, or one line that is no prose."""

    number: int
    """Line of the file it begins on, 1 the first."""
    lines: list[str] = field(default_factory=list)
    prose: bool = True


def paragraphs(text: str) -> list[Paragraph]:
    """Paragraphs of a Markdown page, in order; every line of the page is in one of them."""
    parts: list[Paragraph] = []
    in_fence = in_list = False
    blank_before = True
    for number, line in enumerate(text.split("\n"), 1):
        fence = bool(_FENCE.match(line))
        indent = len(line) - len(line.lstrip())
        if indent == 0 and line and not _BULLET.match(line) and blank_before:
            in_list = False
        in_list = in_list or bool(_BULLET.match(line))
        code = in_fence or fence or (indent >= _CODE_INDENT and blank_before and not in_list)
        in_fence ^= fence
        if code or _ALONE.match(line):
            parts.append(Paragraph(number, [line], prose=False))
        elif _BULLET.match(line) or not parts or not parts[-1].prose:
            parts.append(Paragraph(number, [line]))
        else:
            parts[-1].lines.append(line)
        blank_before = not line.strip() or (code and not fence)
    return parts


def _filled(lines: list[str], width: int) -> list[str]:
    """Lines of one paragraph filled anew, the indents of its first and of its other lines as they are."""
    bullet = _BULLET.match(lines[0])
    first = bullet[0] if bullet else lines[0][: len(lines[0]) - len(lines[0].lstrip())]
    further = lines[1][: len(lines[1]) - len(lines[1].lstrip())] if len(lines) > 1 else " " * len(first)
    words: list[str] = []
    for word in _WORD.findall(" ".join([lines[0][len(first) :], *(line.strip() for line in lines[1:])])):
        if words and _MARKER.match(word):
            words[-1] += " " + word
        else:
            words.append(word)
    filled = [first + words[0]]
    for word in words[1:]:
        if len(filled[-1]) + 1 + len(word) <= width:
            filled[-1] += " " + word
        else:
            filled.append(further + word)
    return filled


def wrapped(text: str, width: int = WIDTH) -> str:
    """Markdown page with its paragraphs wrapped, from their first longer line on; the others stay as they are."""
    lines: list[str] = []
    for part in paragraphs(text):
        longer = next((number for number, line in enumerate(part.lines) if len(line) > width), None)
        if not part.prose or longer is None:
            lines += part.lines
        else:
            lines += [*part.lines[:longer], *_filled(part.lines[longer:], width)]
    return "\n".join(lines)


def overlong(text: str, width: int = WIDTH) -> list[int]:
    """Numbers of the lines of prose that are longer and can be broken."""
    return [
        part.number + offset
        for part in paragraphs(text)
        if part.prose
        for offset, line in enumerate(part.lines)
        if len(line) > width and len(_filled([line], width)) > 1
    ]


def main() -> None:
    """Wrap the files named."""
    parser = argparse.ArgumentParser(description="Wraps the prose of Markdown files at 120 columns.")
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    for path in parser.parse_args().files:
        path.write_text(wrapped(path.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()
