"""Names and docstrings of the package drawn by a seed, to be read without the code around them.

python -m tools.draw --seed 11            # fifty names with their place, thirty docstrings
python -m tools.draw --seed 11 --code     # and the lines behind each, to look after the answers are written down
"""

from __future__ import annotations

import argparse
import ast
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tools.shape import PACKAGE, modules

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NAMES: Final = 50
DOCSTRINGS: Final = 30
"""Both: a share that is off by seven or nine in a hundred at most (binomial, half of all draws); common practice, no source."""
SHORTEST: Final = 3
"""Letters of the shortest name drawn: `x`, `db` and the like are the formulas' own; common practice, no source."""
AROUND: Final = 3
"""Lines of code shown on each side; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Draw:
    """A name or a docstring, and where it stands."""

    path: Path
    line: int
    text: str

    def __str__(self) -> str:
        return f"{self.path.relative_to(PACKAGE.parent)}:{self.line}  {self.text}"

    def code(self) -> str:
        """Lines around it."""
        lines = self.path.read_text("utf-8").split("\n")
        first = max(self.line - 1 - AROUND, 0)
        return "\n".join(f"      {line}" for line in lines[first : self.line + AROUND])


def names(path: Path) -> Iterator[Draw]:
    """Functions, classes, parameters and variables a module binds."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield Draw(path, node.lineno, node.name)
        elif isinstance(node, ast.arg):
            yield Draw(path, node.lineno, node.arg)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield Draw(path, node.lineno, node.id)


def docstrings(path: Path) -> Iterator[Draw]:
    """Docstrings of a module's classes and functions, each after the name it belongs to."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) and (
            text := ast.get_docstring(node)
        ):
            yield Draw(path, node.lineno, f"{node.name}\n      " + text.replace("\n", "\n      "))


def drawn(seed: int) -> tuple[list[Draw], list[Draw]]:
    """Names, each only once, and docstrings drawn by a seed."""
    rng = random.Random(seed)  # noqa: S311  # no secret
    paths = list(modules().values())
    of_name: dict[str, Draw] = {}
    for draw in (draw for path in paths for draw in names(path)):
        if (
            len(draw.text.strip("_")) >= SHORTEST
            and not draw.text.startswith("__")
            and draw.text not in ("self", "cls")
        ):
            of_name.setdefault(draw.text, draw)
    texts = [draw for path in paths for draw in docstrings(path)]
    return rng.sample(sorted(of_name.values(), key=str), NAMES), rng.sample(sorted(texts, key=str), DOCSTRINGS)


def main() -> None:
    """Print what is drawn."""
    parser = argparse.ArgumentParser(description="Names and docstrings of the package drawn by a seed.")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--code", action="store_true", help="also the lines around each")
    options = parser.parse_args()
    for draws in drawn(options.seed):
        for number, draw in enumerate(draws, 1):
            print(f"{number:3}  {draw}")
            if options.code:
                print(draw.code())


if __name__ == "__main__":
    main()
