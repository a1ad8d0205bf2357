"""Notes of which statements of the package ran: each is preceded, where it is loaded, by one that notes it.

The notes are a byte per statement, in memory that all processes of a test share. Compiled kernels are left as they are. Only the standard
library is used: a test may look at what its processes import.
"""

from __future__ import annotations

import ast
import builtins
import importlib.abc
import importlib.machinery
import json
import marshal
import mmap
import os
import re
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from types import CodeType, ModuleType

NOTED_IN: Final = "RAN_LINES"
"""Variable of the environment that names the folder of the notes."""
_COMPILED: Final = re.compile(r"kernel|njit|overload|intrinsic|lower|typeof|box|register_model")
"""Decorators of what is compiled, not run line by line."""

_Body = ast.Module | ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def is_compiled(node: ast.AST) -> bool:
    return isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and any(
        _COMPILED.search(ast.unparse(decorator)) for decorator in node.decorator_list
    )


def _bodies(node: ast.AST) -> Iterator[list[ast.stmt]]:
    """Blocks of statements that stand in a node itself."""
    for name in ("body", "orelse", "finalbody"):
        block = getattr(node, name, None)
        if isinstance(block, list) and block and isinstance(block[0], ast.stmt):
            yield block
    for name in ("handlers", "cases"):
        for child in getattr(node, name, ()):
            yield from _bodies(child)


def _is_noted(node: ast.AST, at: int, statement: ast.stmt) -> bool:
    is_docstring = (
        at == 0
        and isinstance(node, _Body)
        and isinstance(statement, ast.Expr)
        and isinstance(statement.value, ast.Constant)
    )
    return not is_docstring and not (isinstance(statement, ast.ImportFrom) and statement.module == "__future__")


def _noted(node: ast.AST, file: str, numbers: Mapping[tuple[str, int], int]) -> None:
    for block in _bodies(node):
        statements = list(block)
        block.clear()
        for at, statement in enumerate(statements):
            number = numbers.get((file, statement.lineno))
            if number is not None and _is_noted(node, at, statement):
                note = ast.parse(f"__ran__[{number}] = 1").body[0]
                for part in ast.walk(note):
                    ast.copy_location(part, statement)
                block.append(note)
            block.append(statement)
            if not is_compiled(statement):
                _noted(statement, file, numbers)


def statements(tree: ast.AST, owner: tuple[ast.AST, ...] = ()) -> Iterator[tuple[ast.stmt, tuple[ast.AST, ...]]]:
    """Statements of a module with what they stand in, outermost first."""
    for block in _bodies(tree):
        for statement in block:
            yield statement, owner
            yield from statements(statement, (*owner, statement))


class Lines:
    """Numbers of the statements of a package, by file and first line."""

    def __init__(self, sources: Mapping[str, str]) -> None:
        self.sources = dict(sources)
        keys = sorted(
            {(file, node.lineno) for file, text in sources.items() for node, _ in statements(ast.parse(text))}
        )
        self.numbers = {key: number for number, key in enumerate(keys)}


class _Loader(importlib.machinery.SourceFileLoader):
    """Loads a module of the package with notes in it."""

    file = ""
    numbers: Mapping[tuple[str, int], int] = {}
    kept = Path()

    def get_code(self, fullname: str) -> CodeType:
        kept = self.kept / f"{fullname}.code"
        if kept.exists():
            return cast("CodeType", marshal.loads(kept.read_bytes()))
        tree = ast.parse(self.get_source(fullname) or "")
        _noted(tree, self.file, self.numbers)
        code = compile(tree, self.path, "exec", dont_inherit=True)
        kept.with_suffix(f".{os.getpid()}").write_bytes(marshal.dumps(code))
        kept.with_suffix(f".{os.getpid()}").replace(kept)
        return code


class _Finder(importlib.abc.MetaPathFinder):
    """Finds modules of the package in the folder that is looked at."""

    def __init__(self, root: Path, numbers: Mapping[tuple[str, int], int], kept: Path) -> None:
        self._root = root
        self._numbers = numbers
        self._kept = kept

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname.split(".", maxsplit=1)[0] != "deskhand":
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path or [str(self._root)], target)
        if spec is not None and spec.origin and isinstance(spec.loader, importlib.machinery.SourceFileLoader):
            loader = _Loader(spec.name, spec.origin)
            loader.file = Path(spec.origin).relative_to(self._root).as_posix()
            loader.numbers = self._numbers
            loader.kept = self._kept
            spec.loader = loader
        return spec


def begin_noting(folder: Path) -> mmap.mmap:
    """Load the package with notes from now on; the memory that they are noted in."""
    table = json.loads((folder / "lines.json").read_text("utf-8"))
    numbers = {(file, line): number for number, (file, line) in enumerate(table["lines"])}
    with (folder / "ran").open("r+b") as file:
        ran = mmap.mmap(file.fileno(), 0)
    builtins.__ran__ = ran  # type: ignore[attr-defined]
    sys.meta_path.insert(0, _Finder(Path(table["root"]), numbers, folder / "code"))
    return ran


_STARTED: Final = """import os
if os.environ.get({name!r}):
    import importlib.util
    from pathlib import Path
    spec = importlib.util.spec_from_file_location("noted_lines", {here!r})
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.begin_noting(Path(os.environ[{name!r}]))
"""
"""Start of every Python that a test starts."""


def prepare_noting(folder: Path, root: Path, lines: Lines) -> None:
    """Write down the numbers of the lines, and what notes them in processes that a test starts."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(folder / "code", ignore_errors=True)
    (folder / "code").mkdir()
    (folder / "lines.json").write_text(json.dumps({"root": str(root), "lines": list(lines.numbers)}), "utf-8")
    (folder / "ran").write_bytes(bytes(len(lines.numbers)))
    (folder / "sitecustomize.py").write_text(_STARTED.format(name=NOTED_IN, here=__file__), "utf-8")
