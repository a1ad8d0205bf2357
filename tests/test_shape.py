"""Shape of the package and of the tests: cycles, arrows, sizes, names, reasons, facts in their tables; who imports whom.

In order: the package; the counts themselves, on a package with known ones; tests and validations.
"""

from __future__ import annotations

import ast
import functools
from pathlib import Path
from typing import Final

import pytest

from tools import shape

ROOT: Final = Path(__file__).parents[1]
LONG_FILES: Final = {"findings.kinds": "one table, an entry a kind of finding"}
LONG_FUNCTIONS: Final = {
    ("dsp.alignment", "local_path"): "kernel",
    ("dsp.decays", "free_decays"): "kernel",
    ("dsp.events", "flat_tops"): "kernel",
    ("dsp.chain_lanes", "compress"): "kernel",
    ("dsp.chain_lanes", "run"): "kernel",
    ("dsp.clicks", "clicks"): "kernel",
    ("dsp.events", "bursts_and_mutes"): "kernel",
    ("dsp.growing_tones", "growing_tones"): "kernel",
    ("dsp.peak", "true_peak"): "kernel",
    ("dsp.scan", "scan"): "kernel",
}
"""Kernels: one loop over samples, compiled as a whole; to split it would cost calls."""
MOST_VAGUE_NAMES: Final = 0.02
MOST_VAGUE_DOCSTRINGS: Final = 0.03
"""Shares that well-named packages of the field stay below (pyfar, librosa, mir_eval, attrs: 0 to 1 %), with some room."""


@pytest.fixture(scope="module")
def package() -> shape.Shape:
    return shape.measure()


def test_no_import_cycle(package: shape.Shape) -> None:
    assert not package.cycles, "a cycle of imports, type-only ones included: move what both need to a lower module"


def test_no_upward_arrow(package: shape.Shape) -> None:
    assert not package.upward, "a module imports from a higher room: see LAYERS in tools/shape.py"
    rooms = {module.split(".")[0] for module in shape.modules()}
    assert not {room for room in rooms if shape.layer(room) < 0}, "a room that LAYERS does not list"


def test_what_is_long_has_its_reason(package: shape.Shape) -> None:
    assert {place.module for place in package.long_files} == set(LONG_FILES)
    assert {(place.module, place.what.split()[0]) for place in package.long_functions} == set(LONG_FUNCTIONS)


def test_names_and_docstrings_say_what_a_thing_is(package: shape.Shape) -> None:
    assert len(package.vague_names) < MOST_VAGUE_NAMES * package.bound_names
    assert len(package.vague_docstrings) < MOST_VAGUE_DOCSTRINGS * package.docstrings


def test_every_number_has_its_reason(package: shape.Shape) -> None:
    assert not list(map(str, package.unexplained))


def test_facts_stand_in_their_tables(package: shape.Shape) -> None:
    assert not list(map(str, package.scattered))


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
