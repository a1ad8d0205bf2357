"""Counts of how the package is built: arrows, cycles, sizes, names, docstrings, constants and facts outside their table.

python -m tools.shape            # the table of counts
python -m tools.shape --list     # and every place behind them
"""

from __future__ import annotations

import argparse
import ast
import functools
import io
import re
import tokenize
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

PACKAGE: Final = Path(__file__).parent.parent / "deskhand"
LAYERS: Final[tuple[frozenset[str], ...]] = (
    frozenset({"errors", "language", "__init__"}),
    frozenset({"units", "words", "files", "leftovers"}),
    frozenset({"dsp"}),
    frozenset({"recording"}),
    frozenset({"house", "reuse"}),
    frozenset({"measure", "store"}),
    frozenset({"chain"}),
    frozenset({"mix"}),
    frozenset({"desk"}),
    frozenset({"seat"}),
    frozenset({"baseline"}),
    frozenset({"findings"}),
    frozenset({"moves"}),
    frozenset({"result"}),
    frozenset({"compare", "demo"}),
    frozenset({"report"}),
    frozenset({"tasks"}),
    frozenset({"archive", "live"}),
    frozenset({"web"}),
    frozenset({"cli", "__main__"}),
)
"""Rooms of the package from the lowest to the highest; a module imports from its own room and from lower ones."""
MOST_LINES_A_FILE: Final = 400
MOST_LINES_A_FUNCTION: Final = 60
"""Both: about what fits on a few screens; common practice, no source."""
VAGUE: Final = frozenset(
    [
        "one",
        "ones",
        "out",
        "found",
        "at",
        "place",
        "made",
        "heard",
        "other",
        "said",
        "told",
        "kept",
        "own",
        "rest",
        "now",
        "taken",
        "here",
        "there",
        "most",
        "both",
        "asked",
        "others",
        "more",
        "thing",
        "how",
        "what",
        "its",
        "then",
        "things",
    ]
)
"""Names that do not say what they hold."""
VAGUE_OPENINGS: Final = re.compile(r"(What|Whether|Of|The same|How|Which|Its|Where|Who|When)\b")
"""Openings of a docstring that leave open what the thing is or does."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where something was counted, and what."""

    module: str
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.module}:{self.line}  {self.what}"


@dataclass(slots=True)
class Shape:
    """All counts of a package, with the places behind them."""

    cycles: list[list[str]] = field(default_factory=list)
    upward: list[Place] = field(default_factory=list)
    long_files: list[Place] = field(default_factory=list)
    long_functions: list[Place] = field(default_factory=list)
    bound_names: int = 0
    vague_names: list[Place] = field(default_factory=list)
    docstrings: int = 0
    vague_docstrings: list[Place] = field(default_factory=list)
    constants: int = 0
    unexplained: list[Place] = field(default_factory=list)
    scattered: list[Place] = field(default_factory=list)
    repeated_classes: list[Place] = field(default_factory=list)


def modules(root: Path = PACKAGE) -> dict[str, Path]:
    """Every module of the package by its dotted name under the package."""
    named = {}
    for path in sorted(root.rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        if "versions" in parts:
            continue
        name = ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)
        named[name] = path
    return named


@functools.lru_cache(maxsize=1)
def _nodes(tree: ast.Module) -> tuple[ast.AST, ...]:
    """All nodes of the module that is being counted: every count looks through them."""
    return tuple(ast.walk(tree))


def imports(tree: ast.Module, known: Mapping[str, Path]) -> Iterator[tuple[str, int]]:
    """Modules of the package that a module imports, type-only and late imports included, with the line."""
    for node in _nodes(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "deskhand":
            base = node.module.partition(".")[2]
            for alias in node.names:
                full = f"{base}.{alias.name}" if base else alias.name
                if full in known:
                    yield full, node.lineno
                elif base in known:
                    yield base, node.lineno
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("deskhand."):
                    yield alias.name.partition(".")[2], node.lineno


def cycles(graph: Mapping[str, set[str]]) -> list[list[str]]:
    """Strongly connected groups of more than one module (Tarjan 1972)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    groups: list[list[str]] = []

    def visit(module: str) -> None:
        index[module] = low[module] = len(index)
        stack.append(module)
        for target in sorted(graph.get(module, ())):
            if target not in index:
                visit(target)
                low[module] = min(low[module], low[target])
            elif target in stack:
                low[module] = min(low[module], index[target])
        if low[module] == index[module]:
            group = []
            while True:
                member = stack.pop()
                group.append(member)
                if member == module:
                    break
            if len(group) > 1:
                groups.append(sorted(group))

    for module in sorted(graph):
        if module not in index:
            visit(module)
    return groups


def layer(module: str) -> int:
    """Number of a module's room, 0 the lowest; -1 for a room that is not listed."""
    room = module.partition(".")[0]
    return next((number for number, rooms in enumerate(LAYERS) if room in rooms), -1)


def bound_names(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Names a module binds by assignment, loop, comprehension, `with` and `except`, with the line."""
    for node in _nodes(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, node.lineno
        elif isinstance(node, ast.ExceptHandler) and node.name:
            yield node.name, node.lineno


def docstrings(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Docstrings of a module, its classes, functions and fields, with the line."""
    for node in _nodes(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            text = ast.get_docstring(node)
            if text:
                yield text, node.body[0].lineno


def _is_number(node: ast.expr) -> bool:
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float) and not isinstance(node.value, bool)
    if isinstance(node, ast.UnaryOp):
        return _is_number(node.operand)
    if isinstance(node, ast.BinOp):
        return _is_number(node.left) and _is_number(node.right)
    if isinstance(node, ast.Tuple | ast.List):
        return bool(node.elts) and all(_is_number(part) for part in node.elts)
    if isinstance(node, ast.Dict):
        return bool(node.values) and all(_is_number(part) for part in node.values)
    return False


def constants(tree: ast.Module, comment_lines: set[int]) -> Iterator[tuple[str, int, bool]]:
    """Numeric constants of a module or class: name, line, and whether a comment or docstring stands beside it."""
    bodies: list[Sequence[ast.stmt]] = [
        tree.body,
        *(node.body for node in _nodes(tree) if isinstance(node, ast.ClassDef)),
    ]
    for body in bodies:
        for number, node in enumerate(body):
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                name, value = node.targets[0].id, node.value
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
                name, value = node.target.id, node.value
            else:
                continue
            if not name.isupper() or not _is_number(value):
                continue
            follower = body[number + 1] if number + 1 < len(body) else None
            documented = (
                isinstance(follower, ast.Expr)
                and isinstance(follower.value, ast.Constant)
                and isinstance(follower.value.value, str)
            )
            beside = bool(comment_lines & set(range(node.lineno - 1, (node.end_lineno or node.lineno) + 1)))
            yield name, node.lineno, documented or beside


def comments(text: str) -> set[int]:
    """Lines that hold a comment."""
    return {
        token.start[0]
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type == tokenize.COMMENT and not token.string.startswith(("# noqa", "# type:", "# fmt:"))
    }


def _closed_lists() -> dict[str, tuple[frozenset[str], frozenset[str]]]:
    """Closed lists of roles, kinds of finding and blocks, each with the modules that are their table."""
    from deskhand.findings.kinds import KINDS
    from deskhand.house.blocks import BLOCKS
    from deskhand.house.roles import ROLES

    return {
        "role": (frozenset(ROLES), frozenset({"house.roles"})),
        "kind": (frozenset(KINDS), frozenset({"findings.kind", "findings.kinds"})),
        # which blocks a role usually has is a fact of the role
        "block": (frozenset(BLOCKS), frozenset({"house.blocks", "house.roles"})),
    }


def scattered(module: str, tree: ast.Module) -> Iterator[Place]:
    """Facts about a role, a kind of finding or a block that stand outside their table: comparisons and sets of their names."""
    listing = [
        node for node in _nodes(tree) if isinstance(node, ast.Compare | ast.Set | ast.Tuple | ast.List | ast.Dict)
    ]
    for fact, (names, tables) in _closed_lists().items():
        if module in tables:
            continue
        for node in listing:
            if isinstance(node, ast.Compare):
                sides = [node.left, *node.comparators]
                if fact not in {side.attr for side in sides if isinstance(side, ast.Attribute)}:
                    continue
                words = {
                    leaf.value
                    for side in sides
                    for leaf in ast.walk(side)
                    if isinstance(leaf, ast.Constant) and isinstance(leaf.value, str)
                }
                if words & names:
                    yield Place(module, node.lineno, f"{fact}: {ast.unparse(node)[:80]}")
            elif isinstance(node, ast.Set | ast.Tuple | ast.List) and len(node.elts) > 1:
                words = {
                    leaf.value for leaf in node.elts if isinstance(leaf, ast.Constant) and isinstance(leaf.value, str)
                }
                if len(words) == len(node.elts) and words <= names:
                    yield Place(module, node.lineno, f"{fact}: {ast.unparse(node)[:80]}")
            elif isinstance(node, ast.Dict) and len(node.keys) > 1:
                words = {key.value for key in node.keys if isinstance(key, ast.Constant) and isinstance(key.value, str)}
                if len(words) == len(node.keys) and words <= names:
                    yield Place(module, node.lineno, f"{fact}: table of {len(words)}")


def measure(root: Path = PACKAGE) -> Shape:
    """Count a package.

    Parameters
    ----------
    root : Path
        Folder of the package.
    """
    shape = Shape()
    known = modules(root)
    graph: dict[str, set[str]] = defaultdict(set)
    classes: dict[str, list[Place]] = defaultdict(list)
    for module, path in known.items():
        text = path.read_text("utf-8")
        tree = ast.parse(text)
        lines = text.count("\n")
        if lines > MOST_LINES_A_FILE:
            shape.long_files.append(Place(module, lines, "lines"))
        for target, line in imports(tree, known):
            if target != module:
                graph[module].add(target)
            if layer(target) > layer(module) >= 0:
                shape.upward.append(Place(module, line, target))
        for node in _nodes(tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                length = (node.end_lineno or node.lineno) - node.lineno + 1
                if length > MOST_LINES_A_FUNCTION:
                    shape.long_functions.append(Place(module, node.lineno, f"{node.name} ({length} lines)"))
            elif isinstance(node, ast.ClassDef):
                classes[node.name.lstrip("_")].append(Place(module, node.lineno, node.name))
        for name, line in bound_names(tree):
            shape.bound_names += 1
            if name.strip("_") in VAGUE:
                shape.vague_names.append(Place(module, line, name))
        for text_of, line in docstrings(tree):
            shape.docstrings += 1
            if VAGUE_OPENINGS.match(text_of):
                shape.vague_docstrings.append(Place(module, line, text_of.splitlines()[0][:80]))
        for name, line, explained in constants(tree, comments(text)):
            shape.constants += 1
            if not explained:
                shape.unexplained.append(Place(module, line, name))
        shape.scattered.extend(scattered(module, tree))
    shape.cycles = cycles(graph)
    for name, places in classes.items():
        if len(places) > 1:
            shape.repeated_classes.append(Place(places[0].module, places[0].line, f"{name} in {len(places)} modules"))
    return shape


def rows(shape: Shape) -> list[tuple[str, str, Sequence[object]]]:
    """Lines of the table: what was counted, the count, the places."""
    vague = len(shape.vague_names) / max(shape.bound_names, 1)
    openings = len(shape.vague_docstrings) / max(shape.docstrings, 1)
    explained = 1 - len(shape.unexplained) / max(shape.constants, 1)
    return [
        ("import cycles, type-only included", str(len(shape.cycles)), shape.cycles),
        ("upward arrows", str(len(shape.upward)), shape.upward),
        (f"files over {MOST_LINES_A_FILE} lines", str(len(shape.long_files)), shape.long_files),
        (f"functions over {MOST_LINES_A_FUNCTION} lines", str(len(shape.long_functions)), shape.long_functions),
        ("vague bound names", f"{len(shape.vague_names)} of {shape.bound_names} ({vague:.1%})", shape.vague_names),
        (
            "vague openings of docstrings",
            f"{len(shape.vague_docstrings)} of {shape.docstrings} ({openings:.1%})",
            shape.vague_docstrings,
        ),
        ("numeric constants explained", f"{explained:.1%} of {shape.constants}", shape.unexplained),
        ("facts of a role, kind or block outside their table", str(len(shape.scattered)), shape.scattered),
        ("class names in several modules", str(len(shape.repeated_classes)), shape.repeated_classes),
    ]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Counts of how the package is built.")
    parser.add_argument("--list", action="store_true", help="also every place")
    parser.add_argument("--only", metavar="WORD", help="with --list: places whose module begins with this word")
    parser.add_argument("--package", type=Path, default=PACKAGE, help="folder of the package")
    asked = parser.parse_args()
    shape = measure(asked.package)
    for label, count, places in rows(shape):
        print(f"{label:52} {count}")
        if asked.list:
            for place in places:
                if asked.only is None or str(place).startswith(asked.only):
                    print(f"    {place}")
    if asked.list:
        words = Counter(place.what for place in shape.vague_names)
        print("most of the vague names:", ", ".join(f"{name} {count}" for name, count in words.most_common(12)))


if __name__ == "__main__":
    main()
