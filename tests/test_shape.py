"""Shape of the package and of the tests: no import cycle and no upward arrow that was not there before; who imports whom.

In order: cycles and arrows of the package; the counts themselves, on a package with known ones; tests and validations.
"""

from __future__ import annotations

import ast
import functools
from pathlib import Path
from typing import Final

import pytest

from tools import shape

ROOT: Final = Path(__file__).parents[1]
CYCLES: Final[frozenset[frozenset[str]]] = frozenset(
    {
        frozenset({"keep", "live.session"}),
        frozenset({"live.screen", "live.soundcheck", "live.watch"}),
    }
)
"""Cycles that are left. The list only shrinks: whoever takes one apart takes it out."""
UPWARD: Final[frozenset[tuple[str, str]]] = frozenset(
    {
        ("house", "recording.names"),
        ("house", "recording.show"),
        ("moves.week", "report.result"),
        ("reference.numbers", "findings.finding"),
    }
)
"""Upward arrows that are left, (module, what it imports). The list only shrinks."""


@pytest.fixture(scope="module")
def package() -> shape.Shape:
    return shape.measure()


def test_no_import_cycle_that_was_not_there(package: shape.Shape) -> None:
    cycles = {frozenset(cycle) for cycle in package.cycles}
    assert not cycles - CYCLES, "a new cycle of imports: move what both need to a lower module"
    assert not CYCLES - cycles, "this cycle is gone: take it out of CYCLES"


def test_no_upward_arrow_that_was_not_there(package: shape.Shape) -> None:
    arrows = {(arrow.module, arrow.what) for arrow in package.upward}
    assert not arrows - UPWARD, "a module imports from a higher room: see LAYERS in tools/shape.py"
    assert not UPWARD - arrows, "this arrow is gone: take it out of UPWARD"


def test_a_cycle_and_an_arrow_are_seen(tmp_path: Path) -> None:
    """Known truth: three modules in a ring, `errors` on the lowest floor among them."""
    for name, imported in (("errors", "cli"), ("cli", "web"), ("web", "errors")):
        (tmp_path / f"{name}.py").write_text(f"from deskhand.{imported} import main\n", "utf-8")
    counted = shape.measure(tmp_path)
    assert counted.cycles == [["cli", "errors", "web"]]
    assert [(arrow.module, arrow.what) for arrow in counted.upward] == [("errors", "cli")]


# who imports whom: tests and validations share what is in tests/support, which knows neither


def imported_by(path: Path) -> set[str]:
    """Dotted names of the modules a file imports, relative imports made absolute."""
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = [*package[: len(package) - node.level + 1]] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


@functools.cache
def of_folder(name: str) -> dict[str, set[str]]:
    return {str(path.relative_to(ROOT)): imported_by(path) for path in sorted((ROOT / name).rglob("*.py"))}


def test_tests_do_not_import_validations() -> None:
    assert not {
        path for path, names in of_folder("tests").items() if any(name.split(".")[0] == "validations" for name in names)
    }


def test_validations_import_of_the_tests_only_their_support() -> None:
    strays = {
        (path, name)
        for path, names in of_folder("validations").items()
        for name in names
        if name.split(".")[0] == "tests" and not name.startswith("tests.support.")
    }
    assert not strays


def test_support_imports_no_test() -> None:
    strays = {
        (path, name)
        for path, names in of_folder("tests/support").items()
        for name in names
        if name.split(".")[0] in ("tests", "validations") and not name.startswith("tests.support.")
    }
    assert not strays


def test_folders_of_tests_do_not_import_each_other() -> None:
    strays = set()
    for path, names in of_folder("tests").items():
        folder = Path(path).parts[1] if len(Path(path).parts) > 2 else ""
        for name in names:
            parts = name.split(".")
            if parts[0] == "tests" and len(parts) > 2 and parts[1] not in ("support", folder):
                strays.add((path, name))
    assert not strays
