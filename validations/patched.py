"""Wrong changes tried on code that is loaded already: the tests are collected once, and each change is made in a process split off from there.

What a function does is exchanged in place, for every function object that was made from it; a constant of a module in every module that has
it. What is run where modules are loaded, or is compiled, cannot be changed so: `patch_of` says so with None.
"""

from __future__ import annotations

import ast
import gc
import sys
import types
from typing import TYPE_CHECKING, Any, Final

from validations.noted_lines import is_compiled, statements

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from validations.wrong_changes import Change

_PLAIN: Final = (bool, int, float, str, tuple, frozenset, type(None))


def _codes(code: types.CodeType) -> Iterator[types.CodeType]:
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            yield constant
            yield from _codes(constant)


def _uses(tree: ast.AST, name: str) -> bool:
    return any(
        (isinstance(node, ast.Name) and node.id == name and isinstance(node.ctx, ast.Load))
        or (isinstance(node, ast.Attribute) and node.attr == name)
        for node in ast.walk(tree)
    )


def _used_when_loaded(trees: Mapping[str, ast.Module], name: str) -> bool:
    """True where a name is used by what is run when a module is loaded: other constants, classes, defaults, decorators."""
    for tree in trees.values():
        for node, owners in statements(tree):
            if any(isinstance(owner, ast.FunctionDef | ast.AsyncFunctionDef) for owner in owners):
                continue
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                parts: list[ast.AST] = [node.args, *node.decorator_list]
            elif isinstance(node, ast.ClassDef):
                parts = [*node.bases, *node.keywords, *node.decorator_list]
            elif isinstance(node, ast.If | ast.For | ast.With | ast.Try):
                parts = [child for child in ast.iter_child_nodes(node) if isinstance(child, ast.expr)]
            else:
                parts = [node]
            if any(_uses(part, name) for part in parts):
                return True
    return False


def _function_patch(path: Path, source: str, changed: str) -> Callable[[], None] | None:
    old = list(_codes(compile(source, str(path), "exec", dont_inherit=True)))
    new = list(_codes(compile(changed, str(path), "exec", dont_inherit=True)))
    if [code.co_qualname for code in old] != [code.co_qualname for code in new]:
        return None
    if any(len(before.co_freevars) != len(after.co_freevars) for before, after in zip(old, new, strict=True)):
        return None
    wanted = {
        (before.co_qualname, before.co_firstlineno): after
        for before, after in zip(old, new, strict=True)
        if before.replace(co_firstlineno=0) != after.replace(co_firstlineno=0)
    }

    def patch() -> None:
        count = 0
        for held in gc.get_objects():
            if isinstance(held, types.FunctionType) and held.__code__.co_filename == str(path):
                code = wanted.get((held.__code__.co_qualname, held.__code__.co_firstlineno))
                if code is not None:
                    held.__code__ = code
                    count += 1
        if not count:
            raise RuntimeError(f"{path}: nothing was changed")

    return patch


def _constant_patch(
    file: str, node: ast.Assign | ast.AnnAssign, changed: str, trees: Mapping[str, ast.Module]
) -> Callable[[], None] | None:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    if len(targets) != 1 or not isinstance(targets[0], ast.Name) or _used_when_loaded(trees, targets[0].id):
        return None
    name, module_name = targets[0].id, file.removesuffix(".py").replace("/", ".")
    statement = next(
        (
            each
            for each in ast.parse(changed).body
            if each.lineno == node.lineno and isinstance(each, ast.Assign | ast.AnnAssign)
        ),
        None,
    )
    if statement is None or statement.value is None:
        return None
    value = ast.Expression(statement.value)

    def patch() -> None:
        module = sys.modules[module_name]
        old, new = getattr(module, name), eval(compile(value, file, "eval"), module.__dict__)
        if not isinstance(old, _PLAIN):
            raise NotImplementedError(f"{file}: {name} is no plain constant")
        for other in list(sys.modules.values()):
            if vars(other).get(name) is old:
                setattr(other, name, new)

    return patch


def patch_of(change: Change, root: Path, source: str, trees: Mapping[str, ast.Module]) -> Callable[[], None] | None:
    """Function that makes a change in the loaded code of this process; None where that cannot be done.

    Parameters
    ----------
    change : Change
        Where the source is now.
    root : Path
        Of the copy that is loaded.
    source : str
    trees : mapping
        Modules of the package by their path.
    """
    holding = [
        (node, owners)
        for node, owners in statements(trees[change.file])
        if node.lineno <= change.line <= (node.end_lineno or node.lineno)
    ]
    if not holding:
        return None
    node, owners = holding[-1]
    chain = (*owners, node)
    if change.file.startswith("deskhand/dsp/") or any(is_compiled(each) for each in chain):
        return None
    changed = change.applied(source)
    if any(isinstance(owner, ast.FunctionDef | ast.AsyncFunctionDef) for owner in owners):
        return _function_patch(root / change.file, source, changed)
    if not owners and isinstance(node, ast.Assign | ast.AnnAssign):
        return _constant_patch(change.file, node, changed, trees)
    return None


def forget_computed() -> None:
    """Forget what functions hold that was computed before the change."""
    for held in gc.get_objects():
        clear: Any = getattr(held, "cache_clear", None) if type(held).__name__ == "_lru_cache_wrapper" else None
        if clear is not None:
            clear()
