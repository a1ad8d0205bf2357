"""Wrong changes that no test notices: seeded changes of single lines over the package, and the tests that stand nearest to each.

python -m validations.mutations --work FOLDER --count 300      # goes on where it stopped
python -m validations.mutations --work FOLDER --again          # survivors only, with the tests as they are now
python -m validations.mutations --work FOLDER --again --files 12    # survivors, with more of the tests around them
python -m validations.mutations --work FOLDER --page           # writes the page from all that was run

The package and its tests are copied into the folder; a change is made there, never here. Each change is tried in a process that was split
off from one in which the libraries are imported already.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import importlib
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import time
import traceback
from collections import Counter, deque
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

ROOT: Final = Path(__file__).parent.parent
TARGET: Final = ROOT / "docs" / "validation-mutations.md"
SEED: Final = 29
COUNT: Final = 300
COPIED: Final = (
    "deskhand",
    "tests",
    "tools",
    "validations",
    "docs",
    "pyproject.toml",
    "README.md",
    "CHANGELOG.md",
    "Makefile",
)
LEFT_OUT: Final = ("deskhand/demo/", "deskhand/store/migrations/", "deskhand/compare/", "__init__.py", "__main__.py")
"""Invented sounds, steps that ran once, the comparison of recordings, whose study has its own cases, and modules that only gather names."""
LONG_TESTS: Final = ("test_browser", "test_jack", "test_evenings", "test_year", "test_season", "tests/real/", "test_killed", "test_patience",
                     "tests/fuzz", "test_docs", "test_shape", "test_parts", "test_compare", "test_effects")  # fmt: skip
"""Tests that take long, or that are about the code's form: not among those that are run."""
MOST_FILES: Final = 3
"""Test files run for one change, the nearest first."""
MOST_CPU_S: Final = 30
"""Processor time for one change; compiled code has three times as much."""
FIRST: Final = {
    "deskhand/findings/sound_causes": (),
    "deskhand/web/shows": ("tests/web/test_keeping.py", "tests/web/test_hall.py"),
    "deskhand/findings/": ("tests/findings/test_limits.py", "tests/findings/test_judge.py", "tests/findings/test_texts.py"),
}  # fmt: skip
"""Tests of a whole room or module, where it has none of its own name."""
LIBRARIES: Final = ("numpy", "scipy.signal", "scipy.stats", "scipy.optimize", "scipy.ndimage", "numba", "soundfile", "soxr", "pydantic",
                    "hypothesis", "pytest", "sqlalchemy", "alembic", "click", "rich.live", "starlette.testclient", "tomlkit", "jinja2", "jsonschema")  # fmt: skip
REASONS: Final[dict[tuple[str, str], str]] = {
    (
        "deskhand/findings/sound_causes.py",
        'return "lows more" if gain_db > 0 else "lows less"',
    ): "a departure of 0 dB is none",
    (
        "deskhand/findings/sound_causes.py",
        'return "top more" if gain_db > 0 else "top less"',
    ): "a departure of 0 dB is none",
    (
        "deskhand/tasks/done.py",
        'edits[change.source] = SourceEdit(keys={"preamp": f"{preamp_db + after_db - (before_db or 0.0):g} dB"})',
    ): "a preamp's move is told as a change: before is 0",
    (
        "deskhand/house/name_roles.py",
        "[_read(name, words, slip, languages) for name, (words, slip) in zip(names, known, strict=True)]",
    ): "guards a mistake of ours: both are as long",
    (
        "deskhand/baseline/songs.py",
        "to_s=round(start_s + passage.to_s, 1),",
    ): "passages lie on half seconds: a digit of a fractional --from",
}
"""(file, changed line without blanks at its ends) to why the change may live."""

NAMED: Final = (
    (
        "findings/kinds.py", '"below_room_db": limit_db(\n                8.0', '"below_room_db": limit_db(\n                16.0',
        "tests/findings/test_limits.py::test_how_far_below_the_room_a_mute_is",
    ),
    ("findings/kinds.py", 'limit_db(12.0, "a larger raise', 'limit_db(18.0, "a larger raise',
     "tests/findings/test_limits.py"),
    ("findings/kinds.py", '"fix_dbtp": limit_db(-0.5', '"fix_dbtp": limit_db(-1.0',
     "tests/findings/test_limits.py"),
    ("findings/faults/steady.py", "abs(hum.frequency_hz - mains_hz) > _OTHER_MAINS_HZ", "False",
     "tests/findings/test_judge.py::test_hum_at_other_mains_than_the_houses_is_said"),
    ("baseline/identity.py", "UNLIKE_ITSELF: Final = 5e-2", "UNLIKE_ITSELF: Final = 0.5",
     "tests/baseline/test_identity.py::test_what_is_at_home_as_itself_is_left_alone"),
    ("live/line.py", "OWN_DB: Final = 15.0", "OWN_DB: Final = 25.0",
     "tests/live/test_line.py"),
    ("live/line.py", 'pause_s > 0.5 and any(rival.sounding and rival.state != "arrived" for rival in self.inputs)', "pause_s > 0.5",
     "tests/live/test_line.py"),
    ("live/levels.py", "np.nanpercentile(noise, 10, axis=1)", "np.nanpercentile(noise, 50, axis=1)",
     "tests/live/test_line.py"),
    ("live/watch.py", "entry.before_s + 0.3, end_s", "end_s",
     "tests/live/test_watch.py::test_what_was_played_before_a_pause_is_not_heard_again"),
    ("moves/week.py", 'if move.on != "both" else {}', "if False else {}",
     "tests/moves/test_sentences.py"),
    ("mix/faders.py", "(written_db - levels_db)[measured])) if measured.any()", "written_db - levels_db)) if measured.any()",
     "tests/mix/test_faders.py::test_those_that_are_not_in_the_mix_do_not_move_the_others"),
    ("moves/equaliser.py", "if gain <= self.most_boost_db", "if gain <= 60.0",
     "tests/moves/test_equaliser.py::test_no_setting_boosts_further_than_the_most"),
    ("moves/tone.py", "_BELOW_LOUDEST_DB: Final = 25.0", "_BELOW_LOUDEST_DB: Final = 15.0",
     "tests/moves/test_plan.py::test_the_lowest_note_lies_within_25_db_of_the_loudest"),
    ("moves/fine.py", "(hz[1] - hz[0]) + 0.5, 0.0", "(hz[1] - hz[0]), 0.0",
     "tests/moves/test_equaliser.py::test_the_edge_of_a_step_lies_between_two_lines"),
    ("report/sheet/cautions.py", "raises |= _raise_db(new_block) > _raise_db(old_block)", "pass",
     "tests/report/test_sheet.py::test_feedback_is_minded_at_open_microphones_that_get_louder"),
    ("chain/meter.py", "sign = -1.0 if -playing_db.min() > playing_db.max() else 1.0", "sign = 1.0",
     "tests/chain/test_run.py::test_the_95th_percentile_of_a_lift_is_of_the_lift"),
    ("measure/tone.py", ".mean(axis=1) >= 0.5\n    weighted", ".mean(axis=1) >= 0.0\n    weighted",
     "tests/measure/test_tone.py::test_the_harshest_moments_are_of_the_playing"),
    ("report/sheet/settings.py", '            and getattr(old[candidate], "on", "both") == getattr(block, "on", "both")\n', "",
     "tests/report/test_sheet.py::test_changes_are_told_block_by_block"),
    ("web/tries.py", "_HEARD_DB: Final = -50.0", "_HEARD_DB: Final = -25.0",
     "tests/web/test_tries.py::test_octaves_that_lie_50_db_below_the_loudest_are_not_heard"),
    ("dsp/decays.py", "_LATEST_LOW: Final = 15", "_LATEST_LOW: Final = 30",
     "tests/dsp/test_decays.py"),
    ("dsp/decays.py", "range(onset, onset + 5)", "range(onset + 1, onset + 6)",
     "tests/dsp/test_decays.py"),
    ("dsp/events.py", "if run >= 16 and", "if run >= 32 and",
     "tests/dsp/test_events.py"),
    ("measure/activity.py", "_LEAST_RUN: Final = 3", "_LEAST_RUN: Final = 2",
     "tests/measure/test_activity.py::test_how_long_what_stands_above_bleed_is_playing"),
    ("measure/activity.py", "if last - first < _LEAST_RUN", "if last - first <= _LEAST_RUN",
     "tests/measure/test_activity.py::test_how_long_what_stands_above_bleed_is_playing"),
    ("measure/hum.py", "_STEADY_DB: Final = 2.5", "_STEADY_DB: Final = 5.0",
     "tests/measure/test_hum.py::test_lines_that_rise_and_fall_are_no_hum"),
    ("measure/hum.py", "return multiple <= 2 and in_place", "return multiple <= 4 and in_place",
     "tests/measure/test_hum.py::test_a_higher_multiple_alone_is_a_note"),
    ("measure/stereo.py", "centre_hz * 10.0**-0.15) & (frequency_hz < centre_hz * 10.0**0.15)", "centre_hz * 10.0**-0.05) & (frequency_hz < centre_hz * 10.0**0.05)",
     "tests/measure/test_stereo.py::test_how_wide_an_octave_is"),
    ("measure/loud_moments.py", "_SETTLED_S: Final = 0.3", "_SETTLED_S: Final = 0.0",
     "tests/measure/test_loud_moments.py"),
)  # fmt: skip
"""Changes that a reviewer tried by hand, and that no test noticed then: (file of the package, what stands there, what takes its place, the tests
that are there to notice it since)."""


Outcome = Literal["noticed", "lives", "time over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One wrong change of one line."""

    file: str
    line: int
    kind: str
    begin: int
    """Offset in the file, in characters."""
    end: int
    old: str
    new: str

    def applied(self, source: str) -> str:
        """Source with the change."""
        assert source[self.begin : self.end] == self.old
        return source[: self.begin] + self.new + source[self.end :]


_FLIPPED: Final = {"<": ">", ">": "<", "<=": ">=", ">=": "<=", "==": "!=", "!=": "=="}
_EDGE: Final = {"<": "<=", ">": ">=", "<=": "<", ">=": ">"}
_SIGNS: Final[dict[type, tuple[str, str]]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
}


class Finder:
    """Places in a module where a wrong change can be made."""

    def __init__(self, file: str, source: str) -> None:
        self.file = file
        self.source = source
        self._starts = [0]
        for line in source.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))
        self._lines = source.splitlines(keepends=True)

    def _offset(self, line: int, column: int) -> int:
        # columns count bytes
        return self._starts[line - 1] + len(self._lines[line - 1].encode()[:column].decode())

    def _span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self._offset(node.lineno, node.col_offset), self._offset(node.end_lineno, node.end_col_offset)

    def _change(self, kind: str, line: int, span: tuple[int, int], new: str) -> Change:
        return Change(
            file=self.file,
            line=line,
            kind=kind,
            begin=span[0],
            end=span[1],
            old=self.source[span[0] : span[1]],
            new=new,
        )

    def _between(self, left: ast.expr, right: ast.expr, sign: str) -> tuple[int, int] | None:
        """Span of an operator between two expressions."""
        begin, end = self._span(left)[1], self._span(right)[0]
        found = re.search(rf"(?<![<>=!*/+-]){re.escape(sign)}(?![<>=*/])", self.source[begin:end])
        return None if found is None else (begin + found.start(), begin + found.end())

    def changes(self) -> Iterator[Change]:
        """All of them."""
        for node in self._nodes(ast.parse(self.source)):
            yield from self._of(node)

    def _nodes(self, node: ast.AST) -> Iterator[ast.AST]:
        """Nodes of what is run: no annotations, no imports, no decorators."""
        yield node
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_params"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    yield from self._nodes(child)

    def _of(self, node: ast.AST) -> Iterator[Change]:
        match node:
            case ast.Constant(value=bool()):
                yield self._change("truth", node.lineno, self._span(node), str(not node.value))
            case ast.Constant(value=int(value)):
                yield self._change("off by one", node.lineno, self._span(node), str(value + 1))
            case ast.Constant(value=float(value)) if value:
                for factor in (1.5, 0.6):
                    yield self._change("constant", node.lineno, self._span(node), repr(value * factor))
            case ast.Compare(left=left, ops=[operator], comparators=[right]):
                sign = {ast.Lt: "<", ast.Gt: ">", ast.LtE: "<=", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!="}.get(
                    type(operator)
                )
                span = self._between(left, right, sign) if sign else None
                if sign and span:
                    yield self._change("comparison", node.lineno, span, _FLIPPED[sign])
                    if sign in _EDGE:
                        yield self._change("edge", node.lineno, span, _EDGE[sign])
            case ast.BoolOp(op=operator, values=[left, right, *_]):
                word = "and" if isinstance(operator, ast.And) else "or"
                span = self._between(left, right, word)
                if span:
                    yield self._change("and, or", node.lineno, span, "or" if word == "and" else "and")
            case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _SIGNS:
                sign, other = _SIGNS[type(operator)]
                span = self._between(left, right, sign)
                # a union of types is a BinOp too, and text is added
                if span and not any(
                    isinstance(part, ast.Constant | ast.JoinedStr)
                    and not isinstance(getattr(part, "value", 0), int | float)
                    for part in (left, right)
                ):
                    yield self._change("sign", node.lineno, span, other)
            case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
                begin, _ = self._span(node)
                yield self._change(
                    "sign" if isinstance(node.op, ast.USub) else "not", node.lineno, (begin, self._span(operand)[0]), ""
                )
            case ast.Call(func=ast.Name(id="min" | "max" as name) as function):
                yield self._change("min, max", node.lineno, self._span(function), "max" if name == "min" else "min")
            case ast.Call(func=ast.Attribute(value=value, attr="minimum" | "maximum" as name) as function):
                text = self.source[slice(*self._span(value))]
                yield self._change(
                    "min, max",
                    node.lineno,
                    self._span(function),
                    f"{text}.{'maximum' if name == 'minimum' else 'minimum'}",
                )
            case ast.Expr(value=ast.Call()):
                yield self._change("call left out", node.lineno, self._span(node), "None")


def modules(root: Path) -> dict[str, str]:
    """Sources of the package by their path, without what is left out."""
    return {
        path.relative_to(root).as_posix(): path.read_text("utf-8")
        for path in sorted((root / "deskhand").rglob("*.py"))
        if not any(part in path.relative_to(root).as_posix() for part in LEFT_OUT)
    }


def drawn(root: Path, count: int) -> list[Change]:
    """Changes drawn with the study's seed: modules by their lines, kinds alike, then one of the places."""
    dice = random.Random(SEED)
    sources = modules(root)
    places = {file: list(Finder(file, source).changes()) for file, source in sources.items()}
    files = [file for file in sources if places[file]]
    # compiled code takes a minute for each change: a third as often
    weights = [sources[file].count("\n") / (3 if file.startswith("deskhand/dsp/") else 1) for file in files]
    chosen: list[Change] = []
    while len(chosen) < count:
        file = dice.choices(files, weights)[0]
        kinds = sorted({change.kind for change in places[file]})
        kind = dice.choice(kinds)
        change = dice.choice([change for change in places[file] if change.kind == kind])
        if change not in chosen:
            chosen.append(change)
    return chosen


def named(root: Path) -> list[Change]:
    """Changes that were tried by hand once."""
    changes = []
    for name, old, new, _ in NAMED:
        file = f"deskhand/{name}"
        source = (root / file).read_text("utf-8")
        begin = source.find(old)
        if begin < 0 or source.find(old, begin + 1) >= 0:
            raise SystemExit(f"{file}: {old!r} is not there, or twice: bring NAMED up to date")
        line = source.count("\n", 0, begin) + 1
        changes.append(
            Change(file=file, line=line, kind="by hand", begin=begin, end=begin + len(old), old=old, new=new)
        )
    return changes


# the tests that stand nearest


def _imports(path: Path, root: Path) -> set[str]:
    package = path.relative_to(root).parts[:-1]
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(
                [
                    *(package[: len(package) - node.level + 1] if node.level else ()),
                    *([node.module] if node.module else []),
                ]
            )
            names |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
    return names


def import_graph(root: Path) -> dict[str, set[str]]:
    """Files of the package and the tests, and the files that each imports."""
    files = {
        ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path
        for folder in ("deskhand", "tests")
        for path in (root / folder).rglob("*.py")
    }
    return {
        path.relative_to(root).as_posix(): {
            files[name].relative_to(root).as_posix() for name in _imports(path, root) if name in files
        }
        for path in files.values()
    }


def nearest_tests(file: str, graph: Mapping[str, set[str]], most_files: int = MOST_FILES) -> list[str]:
    """Test files of a module: its mirror, then those that import it, then those that import what imports it."""
    importers: dict[str, set[str]] = {}
    for importer, imported in graph.items():
        for name in imported:
            importers.setdefault(name, set()).add(importer)
    distance, waiting = {file: 0}, deque([file])
    while waiting:
        here = waiting.popleft()
        for importer in importers.get(here, ()):
            if importer not in distance:
                distance[importer] = distance[here] + 1
                waiting.append(importer)
    folder, stem = Path(file).parent.relative_to("deskhand").as_posix(), Path(file).stem

    def rank(test: str) -> tuple[bool, bool, int, bool, str]:
        path = Path(test)
        is_mirror = path.stem == f"test_{stem}" and path.parent.as_posix() in (f"tests/{folder}", "tests")
        in_folder = path.parent.as_posix() == f"tests/{folder}" or path.stem == f"test_{Path(folder).name}"
        return not is_mirror, not (in_folder and distance[test] <= 2), distance[test], not in_folder, test

    tests = [
        name for name in distance
        if Path(name).stem.startswith("test_") and name.startswith("tests/") and not any(part in name for part in LONG_TESTS)
    ]  # fmt: skip
    first = next((names for room, names in FIRST.items() if file.startswith(room)), ())
    mirrors = [name for name in tests if not rank(name)[0]]
    return list(dict.fromkeys((*mirrors, *first, *sorted(tests, key=rank))))[
        : max(most_files, len(mirrors) + len(first))
    ]


# one change


def _kernel_files(file: str, root: Path, graph: Mapping[str, set[str]]) -> list[Path]:
    """Compiled code that holds a changed module: its own, and that of those that import it."""
    if not file.startswith("deskhand/dsp/"):
        return []
    holders, waiting = {file}, [file]
    while waiting:
        here = waiting.pop()
        for importer, imported in graph.items():
            if here in imported and importer.startswith("deskhand/dsp/") and importer not in holders:
                holders.add(importer)
                waiting.append(importer)
    folder = root / "deskhand" / "dsp" / "__pycache__"
    return [path for holder in holders for path in folder.glob(f"{Path(holder).stem}.*.nb*")]


def _tested(tests: Sequence[str], root: Path, log: Path, most_cpu_s: int) -> int:
    """Run tests in a process that is split off; its status, negative for the signal that ended it."""
    child = os.fork()
    if child:
        end_s = time.monotonic() + 12 * most_cpu_s
        while time.monotonic() < end_s:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.05)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return -signal.SIGXCPU
    status = 3
    try:
        os.setsid()
        handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (most_cpu_s, most_cpu_s + 5))
        os.chdir(root)
        sys.path.insert(0, str(root))
        sys.dont_write_bytecode = True
        import pytest

        status = int(
            pytest.main(
                [
                    "-x",
                    "-q",
                    "--tb=line",
                    "-p",
                    "no:cacheprovider",
                    "-W",
                    "ignore::pytest.PytestAssertRewriteWarning",
                    "-m",
                    "not slow",
                    *tests,
                ]
            )
        )
    except BaseException:  # noqa: BLE001 - told in the log
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A change and what came of it."""

    change: Change
    outcome: Outcome
    by: str
    """First test that failed."""
    tests: tuple[str, ...]
    seconds: float


def _failed_test(log: str) -> str:
    found = re.search(r"^(?:FAILED|ERROR) (\S+)", log, re.MULTILINE)
    return found[1] if found else ""


def tried(change: Change, root: Path, graph: Mapping[str, set[str]], most_files: int = MOST_FILES) -> Trial:
    """Make a change in the copy, run the nearest tests, and take it back."""
    path = root / change.file
    source = path.read_text("utf-8")
    by_hand = [test for name, old, _, test in NAMED if (f"deskhand/{name}", old) == (change.file, change.old)]
    tests = by_hand or nearest_tests(change.file, graph, most_files)
    aside = root.parent / "aside"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    kernels = _kernel_files(change.file, root, graph)
    for kernel in kernels:
        shutil.copy2(kernel, aside)
        kernel.unlink()
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.cpython-*.pyc"):
        compiled.unlink()
    begin_s = time.monotonic()
    try:
        path.write_text(change.applied(source), "utf-8")
        most_cpu_s = MOST_CPU_S * max(4 if kernels else 1, -(-most_files // MOST_FILES))
        status = _tested(tests, root, root.parent / "log", most_cpu_s) if tests else 0
    finally:
        path.write_text(source, "utf-8")
        compileall.compile_file(str(path), quiet=1)
        if kernels:
            for leftover in (root / "deskhand" / "dsp" / "__pycache__").glob("*.nb*"):
                if leftover.stem.split(".")[0] in {kernel.name.split(".")[0] for kernel in kernels}:
                    leftover.unlink()
            # what was compiled knows its source by the time it was written
            for kernel in aside.iterdir():
                shutil.copy2(kernel, root / "deskhand" / "dsp" / "__pycache__")
    log = (root.parent / "log").read_text("utf-8", "replace") if tests else ""
    over = status in (-signal.SIGXCPU, -signal.SIGKILL)
    failed = _failed_test(log)
    if not over and status not in (0, 5) and not failed:
        raise RuntimeError(f"the tests of {change.file} did not run (status {status}): {log[-2000:]}")
    outcome: Outcome = "time over" if over else "lives" if status in (0, 5) else "noticed"
    return Trial(
        change=change, outcome=outcome, by=failed if outcome == "noticed" else "", tests=tuple(tests),
        seconds=round(time.monotonic() - begin_s, 1),
    )  # fmt: skip


def prepared(work: Path) -> Path:
    """Copy of the package and its tests as they are now, compiled."""
    root = work / "copy"
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    for name in COPIED:
        if (ROOT / name).is_dir():
            # the times of files are kept: compiled code knows its source by them
            shutil.copytree(ROOT / name, root / name, copy_function=shutil.copy2)
        else:
            shutil.copy2(ROOT / name, root / name)
    compileall.compile_dir(str(root / "deskhand"), quiet=1)
    return root


def stored(work: Path) -> list[Trial]:
    """Trials that were run, of each change the last."""
    file = work / "trials.jsonl"
    trials: dict[Change, Trial] = {}
    for line in file.read_text("utf-8").splitlines() if file.exists() else ():
        data = json.loads(line)
        change = Change(**data.pop("change"))
        trials[change] = Trial(change=change, **{**data, "tests": tuple(data["tests"])})
    return list(trials.values())


def run(work: Path, changes: Sequence[Change], seconds: float, most_files: int = MOST_FILES) -> None:
    """Try changes until the time is over; each is written down at once."""
    root = prepared(work)
    graph = import_graph(root)
    for name in LIBRARIES:
        importlib.import_module(name)
    end_s = time.monotonic() + seconds
    for change in changes:
        if time.monotonic() > end_s:
            break
        if (
            not (root / change.file).exists()
            or (root / change.file).read_text("utf-8")[change.begin : change.end] != change.old
        ):
            continue
        trial = tried(change, root, graph, most_files)
        with (work / "trials.jsonl").open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(trial)) + "\n")
        print(
            f"{trial.outcome:9} {trial.seconds:5.1f} s  {change.file}:{change.line} {change.kind}: {change.old!r} -> {change.new!r}  {trial.by}",
            flush=True,
        )


# the page


def _share(trials: Sequence[Trial]) -> str:
    judged = [trial for trial in trials if trial.outcome != "time over"]
    noticed = sum(trial.outcome == "noticed" for trial in judged)
    return f"{noticed} of {len(judged)}" + (f", {100 * noticed / len(judged):.0f} %" if judged else "")


def _rows(trials: Sequence[Trial], names: Mapping[str, str]) -> list[str]:
    by_name: dict[str, list[Trial]] = {}
    for trial in trials:
        by_name.setdefault(names[repr(trial.change)], []).append(trial)
    return [
        f"| {name} | {_share(group)} | {sum(trial.outcome == 'time over' for trial in group)} |"
        for name, group in sorted(by_name.items())
    ]


def _line_of(change: Change) -> str:
    path = ROOT / change.file
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    return lines[change.line - 1].strip() if change.line <= len(lines) else ""


def page(trials: Sequence[Trial]) -> str:
    """The page."""
    living = [trial for trial in trials if trial.outcome == "lives"]
    rooms = {repr(trial.change): trial.change.file.split("/")[1] for trial in trials}
    kinds = {repr(trial.change): trial.change.kind for trial in trials}
    reasons = {repr(trial.change): REASONS.get((trial.change.file, _line_of(trial.change)), "") for trial in living}
    counts = Counter(trial.outcome for trial in trials)
    further = sum(len(trial.tests) > MOST_FILES + 3 for trial in trials)
    lines = [
        "# Validation: wrong changes", "",
        "Made by `python -m validations.mutations`. Wrong changes of single lines are drawn over the package, modules by their length, kinds of",
        f"change alike within a module; of each the nearest {MOST_FILES} test files are run (the one that mirrors the module, those that import it,",
        "those that import what imports it; without the long ones, and only what `make test` runs) until one fails. A change that lives may be",
        f"noticed by a test further away: {further} of those that lived were tried again with more of the files around them. Some changes are none: they leave every result as it was. Where a reason is known it is said.", "",
        f"{sum(kind == 'by hand' for kind in kinds.values())} of the changes were tried by a reviewer's hand, and no test noticed them then: each is tried with the test that",
        f"holds it since. Of the {COUNT} that are drawn, {sum(kind != 'by hand' for kind in kinds.values())} were run so far, in the order in which they are drawn; where a change lived and a test was",
        f"written for it, it was tried again with that test. Noticed of the drawn ones alone: {_share([trial for trial in trials if trial.change.kind != 'by hand'])}.",
        "",
        f"{len(trials)} changes: {counts['noticed']} noticed, {counts['lives']} live, {counts['time over']} not decided in {MOST_CPU_S} s of processor time",
        f"(compiled code: {4 * MOST_CPU_S} s). Noticed of those that were decided: {_share(trials)}; of those that live,",
        f"{sum(bool(reason) for reason in reasons.values())} have a reason.", "",
        "| room | noticed | not decided |", "|---|---|---|", *_rows(trials, rooms), "",
        "| kind of change | noticed | not decided |", "|---|---|---|", *_rows(trials, kinds), "",
        "## What lives", "",
        "| where | change | line | why it may live |", "|---|---|---|---|",
        *(
            f"| {trial.change.file.removeprefix('deskhand/')}:{trial.change.line} | `{trial.change.old.strip()}` to `{trial.change.new.strip() or 'nothing'}` |"
            f" `{_line_of(trial.change)[:90].replace('|', '¦')}` | {reasons[repr(trial.change)] or 'none known'} |"
            for trial in sorted(living, key=lambda trial: (trial.change.file, trial.change.line))
        ), "",
    ]  # fmt: skip
    return "\n".join(lines)


def main(arguments: Sequence[str] = ()) -> None:
    """Run, or write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, default=ROOT / "mutations")
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--again", action="store_true", help="only those that lived")
    parser.add_argument(
        "--files", type=int, default=MOST_FILES, help="test files run for each change, the nearest first"
    )
    parser.add_argument("--by-hand", action="store_true", help="only those that were tried by hand once")
    parser.add_argument("--page", action="store_true", help="write the page from all that was run")
    options = parser.parse_args(arguments)
    if not options.page:
        options.work.mkdir(parents=True, exist_ok=True)
        earlier = stored(options.work)
        if options.by_hand:
            noticed = {trial.change for trial in earlier if trial.outcome == "noticed"}
            changes = [change for change in named(ROOT) if change not in noticed]
        elif options.again:
            changes = [trial.change for trial in earlier if trial.outcome != "noticed"]
        else:
            known = {trial.change for trial in earlier}
            changes = [change for change in (*named(ROOT), *drawn(ROOT, options.count)) if change not in known]
        run(options.work.resolve(), changes, options.seconds, options.files)
    write_page(TARGET, page(stored(options.work)), __file__)
    print(TARGET)


if __name__ == "__main__":
    main(sys.argv[1:])
