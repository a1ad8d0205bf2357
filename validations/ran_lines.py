"""Tests to run for a change of a line: those that run the line, which is gathered once for each test file.

What a fixture of a file or of the whole run does counts for every test that asks for it. A line that is run where the module is loaded (a
constant, a table, a default) is seen by the tests of the functions that use its name. A statement of a compiled kernel is not seen.
"""

from __future__ import annotations

import ast
import hashlib
import json
import os
import re
import shutil
import signal
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest

from tests.support import long_tests
from tests.support.runtime import processor_s
from validations.noted_lines import NOTED_IN, Lines, begin_noting, is_compiled, prepare_noting, statements

if TYPE_CHECKING:
    import mmap
    from collections.abc import Callable, Collection, Generator, Iterable, Mapping, Sequence
    from pathlib import Path

CHEAP_S: Final = 1.5
"""A test file up to so long is run in whole, since what one of its tests computes another may look at."""
_CALLS: Final = 2
"""Calls that are followed from a private function to those that a test may name."""
NEW_S: Final = 1.0
"""Processor time that a test file is taken to need that was not gathered yet."""
MOST_GATHER_S: Final = 5400.0
"""After so long it is given up."""
OPTIONS: Final = ("-q", "--tb=line", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning", "-m", "not slow")  # fmt: skip
KEPT: Final = ("season", "whole-season")
"""Folders of invented shows that tests share, made by the code as it is; none of what is measured of them is kept."""


class Notes:
    """Pytest plugin that keeps what each test ran, and for how long."""

    def __init__(self, ran: mmap.mmap, target: Callable[[str], Path], facts: Callable[[str], dict[str, Any]]) -> None:
        self._ran = ran
        self._target = target
        self._facts = facts
        self._nothing = bytes(len(ran))
        self._begin_s = processor_s()
        self.collected: dict[str, Any] = {}
        self.fixtures: dict[str, dict[str, Any]] = {}
        self.tests: dict[str, dict[str, Any]] = {}
        self.failed: list[str] = []

    def _taken(self) -> tuple[list[int], float]:
        now_s = processor_s()
        lines = np.flatnonzero(np.frombuffer(self._ran[:], np.uint8)).tolist()
        self._ran[:] = self._nothing
        used_s, self._begin_s = now_s - self._begin_s, now_s
        return lines, round(used_s, 3)

    def pytest_collection_finish(self) -> None:
        lines, used_s = self._taken()
        self.collected = {"lines": lines, "cpu_s": used_s}

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Generator[None, Any, Any]:
        if fixturedef.scope == "function":
            return (yield)
        before, begin_s = self._ran[:], processor_s()
        self._ran[:] = self._nothing
        try:
            return (yield)
        finally:
            entry = self.fixtures.setdefault(fixturedef.argname, {"lines": [], "cpu_s": 0.0})
            entry["lines"] = sorted({*entry["lines"], *np.flatnonzero(np.frombuffer(self._ran[:], np.uint8)).tolist()})
            used_s = processor_s() - begin_s
            entry["cpu_s"] = round(entry["cpu_s"] + used_s, 3)
            # its time is not that of the test which asked first
            self._begin_s += used_s
            self._ran[:] = before

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any) -> Generator[None, object, object]:
        self._taken()
        try:
            return (yield)
        finally:
            lines, used_s = self._taken()
            self.tests[item.nodeid] = {"lines": lines, "cpu_s": used_s, "fixtures": list(item.fixturenames)}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_sessionfinish(self) -> None:
        by_file: dict[str, dict[str, Any]] = {}
        for test, entry in self.tests.items():
            by_file.setdefault(test.split("::")[0], {})[test] = entry
        # what is run while the tests are collected is of all of them
        collected = {"lines": self.collected["lines"] if len(by_file) == 1 else [], "cpu_s": 0.5}
        for file, tests in by_file.items():
            data = {
                "collected": collected,
                "fixtures": self.fixtures,
                "tests": tests,
                "failed": self.failed,
                **self._facts(file),
            }
            self._target(file).write_text(json.dumps(data), "utf-8")


class Short:
    """Pytest plugin that leaves out the tests that take long."""

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        listed = long_tests.listed()
        items[:] = [item for item in items if item.nodeid not in listed]


class Chosen:
    """Pytest plugin that leaves in a run only the tests that were chosen of a file, and those that are new since they were gathered."""

    def __init__(self, chosen: Sequence[TestFile]) -> None:
        self._chosen = {entry.file: entry for entry in chosen}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        listed = long_tests.listed()
        known = {item.nodeid for item in items}
        order = {file: at for at, file in enumerate(self._chosen)}
        # a change may give parametrised tests other names: then the whole file runs
        whole = {file for file, entry in self._chosen.items() if not entry.tests <= known}
        items[:] = sorted(
            (
                item
                for item in items
                if item.nodeid not in listed
                and ((file := item.nodeid.split("::")[0]) in whole or self._chosen[file].runs(item.nodeid))
            ),
            key=lambda item: order[item.nodeid.split("::")[0]],
        )


def split_off(work: Callable[[], int], log: Path, most_s: float) -> int:
    """Status of work done in a process that is split off, negative for the signal that ended it."""
    child = os.fork()
    if child:
        end_s = time.monotonic() + most_s
        while time.monotonic() < end_s:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.05)
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return -signal.SIGXCPU
    status = 3
    try:
        os.setsid()
        handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        status = work()
    except BaseException:  # noqa: BLE001 - told in the log
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def run_tests(root: Path, shared: Path, arguments: Iterable[str], plugins: Sequence[object] = ()) -> int:
    """Run tests of a copy of the project, in the process that is split off for it; the status of pytest."""
    os.chdir(root)
    sys.path.insert(0, str(root))
    sys.dont_write_bytecode = True
    # what the tests of a run share lies in a folder of ours
    os.environ["PYTEST_XDIST_WORKER"] = "gw0"
    os.environ[long_tests.CHOICE] = "all"
    return int(pytest.main([*OPTIONS, f"--basetemp={shared / 'run'}", *arguments], plugins=list(plugins)))


def clear_shared(shared: Path, kept: Collection[str] = KEPT) -> None:
    """Take away what tests left for each other, but for the invented shows."""
    shared.mkdir(parents=True, exist_ok=True)
    for path in shared.iterdir():
        if path.name.removesuffix("-is-made").removesuffix(".lock") not in kept:
            shutil.rmtree(path) if path.is_dir() else path.unlink()


def test_files(root: Path, left_out: Sequence[str]) -> list[str]:
    """Test files, without those that are left out."""
    files = [path.relative_to(root).as_posix() for path in sorted((root / "tests").rglob("test_*.py"))]
    return [file for file in files if not any(part in file for part in left_out)]


def _digest(root: Path, file: str) -> str:
    return hashlib.sha256((root / file).read_bytes()).hexdigest()[:16]


def gather(root: Path, folder: Path, shared: Path, sources: Mapping[str, str], files: Sequence[str]) -> None:
    """Gather what test files run; each is noted with its digest and kept until it changes, or the package does."""
    lines = Lines(sources)
    package = hashlib.sha256(json.dumps(lines.sources, sort_keys=True).encode()).hexdigest()[:16]
    # several processes gather beside each other
    noting = folder / root.name
    prepare_noting(noting, root, lines)
    (folder / "package.json").write_text(json.dumps({"digest": package, "sources": lines.sources}), "utf-8")

    def target(file: str) -> Path:
        return folder / f"{file.replace('/', '.')}.json"

    def facts(file: str) -> dict[str, Any]:
        return {"package": package, "digest": _digest(root, file)}

    def is_known(file: str) -> bool:
        held = json.loads(target(file).read_text("utf-8")) if target(file).exists() else {}
        return {name: held.get(name) for name in facts(file)} == facts(file)

    wanted = [file for file in files if not is_known(file)]
    clear_shared(shared)

    def work() -> int:
        os.environ[NOTED_IN] = str(noting)
        os.environ["PYTHONPATH"] = os.pathsep.join([str(noting), str(root)])
        ran = begin_noting(noting)
        return run_tests(root, shared, wanted, [Short(), Notes(ran, target, facts)])

    status = split_off(work, noting / "log", MOST_GATHER_S) if wanted else 0
    print(f"gathered {len(wanted)} files: status {status}; {noting / 'log'}", flush=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class TestFile:
    """A test file that is run for a change, or some of its tests."""

    file: str
    tests: frozenset[str]
    gathered: frozenset[str]
    """All of the file, as they were gathered; those that failed then are left out of each run."""
    cpu_s: float

    def runs(self, test: str) -> bool:
        """True for a test that was chosen, or that is new since they were gathered."""
        return test in self.tests or test not in self.gathered


class Ran:
    """What the test files run, as it was gathered."""

    def __init__(self, folder: Path) -> None:
        self.sources: dict[str, str] = json.loads((folder / "package.json").read_text("utf-8"))["sources"]
        self._numbers = Lines(self.sources).numbers
        self._files: dict[str, dict[str, Any]] = {}
        self._given_up: set[str] = set()
        for path in sorted(folder.glob("tests.*.json")):
            data = json.loads(path.read_text("utf-8"))
            if not data.get("tests"):
                self._given_up.add(f"{path.stem.replace('.', '/').removesuffix('/py')}.py")
            else:
                self._files[next(iter(data["tests"])).split("::")[0]] = _with_sets(data)
        self._trees = {file: list(statements(ast.parse(text))) for file, text in self.sources.items()}

    def statements_of(self, file: str, line: int) -> tuple[frozenset[tuple[str, int]], bool]:
        """Statements whose running tells of a line, and whether that is the line itself.

        A line that is run where the module is loaded stands for the functions that use the names which it gives.
        """
        holding = [
            (node, owners)
            for node, owners in self._trees[file]
            if node.lineno <= line <= (node.end_lineno or node.lineno)
        ]
        if not holding:
            return frozenset(), False
        node, owners = holding[-1]
        chain = (*owners, node)
        if any(is_compiled(owner) for owner in chain):
            return frozenset(), False
        functions = [owner for owner in owners if isinstance(owner, ast.FunctionDef | ast.AsyncFunctionDef)]
        if functions:
            return frozenset({(file, node.lineno)}), True
        return frozenset(self._users(file, _names_given(chain))), False

    def _users(self, file: str, names: set[str]) -> set[tuple[str, int]]:
        """First statements of functions that use names, and what is made of them where modules are loaded."""
        found: set[tuple[str, int]] = set()
        known: set[str] = set()
        waiting = {(file, name) for name in names}
        while waiting:
            at, name = waiting.pop()
            if name in known:
                continue
            known.add(name)
            for other, nodes in self._trees.items():
                if other != at and name.startswith("_"):
                    continue
                for node, owners in nodes:
                    inside = any(isinstance(owner, ast.FunctionDef | ast.AsyncFunctionDef) for owner in owners)
                    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name == name:
                        found.update((other, child.lineno) for child in node.body)
                        continue
                    if isinstance(node, ast.ClassDef) and name in _names_used(node):
                        # a decorator, a base
                        waiting.add((other, node.name))
                    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                        continue
                    if name not in _names_used(node):
                        continue
                    if inside:
                        found.add((other, node.lineno))
                    else:
                        waiting |= {(other, given) for given in _names_given((*owners, node))}
        return found

    def tests_of(self, wanted: Iterable[tuple[str, int]]) -> list[TestFile]:
        """Test files that run one of the statements, the cheapest first."""
        numbers = {self._numbers[key] for key in wanted if key in self._numbers}
        chosen = []
        for file, data in self._files.items():
            collected = bool(numbers & data["collected"]["lines"])
            fixtures = {name for name, entry in data["fixtures"].items() if numbers & entry["lines"]}
            tests = {
                name
                for name, entry in data["tests"].items()
                if name not in data["failed"]
                and (collected or numbers & entry["lines"] or fixtures & set(entry["fixtures"]))
            }
            if not tests:
                continue
            if self.cpu_s(file) <= CHEAP_S:
                tests = set(data["tests"]) - set(data["failed"])
            chosen.append(self._of(file, tests))
        return sorted(chosen, key=lambda chosen: chosen.cpu_s)

    def naming(self, file: str, line: int, root: Path) -> list[str]:
        """Test files that were not gathered and name the functions in which a line stands, or what uses it; the smallest first."""
        owners = [
            node
            for node, owners in self._trees[file]
            if node.lineno <= line <= (node.end_lineno or node.lineno)
            and isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        ]
        names = {node.name for node in owners if not node.name.startswith("__")}
        # what is private is named by what calls it in its own module
        for _ in range(_CALLS):
            names |= {
                holder.name
                for node, chain in self._trees[file]
                if names & _names_used(node)
                for holder in chain
                if isinstance(holder, ast.FunctionDef | ast.AsyncFunctionDef)
            }
        public = {name for name in names if not name.startswith("_")} or names
        if not public:
            return []
        pattern = re.compile(rf"\b(?:{'|'.join(map(re.escape, sorted(public)))})\b")
        texts = {path: path.read_text("utf-8") for path in (root / "tests").rglob("test_*.py")}
        counts = {
            path: len(set(pattern.findall(text)))
            for path, text in texts.items()
            if not self.knows(path.relative_to(root).as_posix())
        }
        named = [path for path, count in counts.items() if count]
        ordered = sorted(named, key=lambda path: (-counts[path], len(texts[path])))
        return [path.relative_to(root).as_posix() for path in ordered]

    def knows(self, file: str) -> bool:
        """True for a test file that was gathered."""
        return file in self._files

    def whole(self, file: str) -> TestFile | None:
        """All tests of a file, those that were not gathered too; None where it was given up."""
        if file in self._given_up:
            return None
        if file not in self._files:
            return TestFile(file=file, tests=frozenset(), gathered=frozenset(), cpu_s=NEW_S)
        data = self._files[file]
        return self._of(file, set(data["tests"]) - set(data["failed"]))

    def _of(self, file: str, tests: Iterable[str]) -> TestFile:
        chosen = frozenset(tests)
        return TestFile(
            file=file, tests=chosen, gathered=frozenset(self._files[file]["tests"]), cpu_s=self.cpu_s(file, chosen)
        )

    def cpu_s(self, file: str, tests: Iterable[str] | None = None) -> float:
        """Processor time of tests of a file with the fixtures they ask for, in seconds."""
        data = self._files[file]
        entries = [data["tests"][name] for name in (data["tests"] if tests is None else tests)]
        asked = {name for entry in entries for name in entry["fixtures"]}
        return (
            sum(entry["cpu_s"] for entry in entries)
            + sum(entry["cpu_s"] for name, entry in data["fixtures"].items() if name in asked)
            + float(data["collected"]["cpu_s"])
        )

    def fewest(self, chosen: TestFile, most_s: float) -> TestFile | None:
        """Cheapest tests of a file that fit into a time; None where none does."""
        if chosen.file not in self._files:
            return None
        tests: list[str] = []
        for name in sorted(chosen.tests, key=lambda name: float(self._files[chosen.file]["tests"][name]["cpu_s"])):
            if self.cpu_s(chosen.file, [*tests, name]) > most_s:
                break
            tests.append(name)
        return self._of(chosen.file, tests) if tests else None


def _with_sets(data: dict[str, Any]) -> dict[str, Any]:
    for entry in (data["collected"], *data["fixtures"].values(), *data["tests"].values()):
        entry["lines"] = set(entry["lines"])
    return data


def _names_given(chain: Sequence[ast.AST]) -> set[str]:
    """Names that a statement outside functions gives a value, those of the classes it stands in too."""
    names = {owner.name for owner in chain if isinstance(owner, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)}
    node = chain[-1]
    targets = (
        node.targets if isinstance(node, ast.Assign)
        else [node.target] if isinstance(node, ast.AnnAssign | ast.AugAssign | ast.For)
        else []
    )  # fmt: skip
    for target in targets:
        names |= {part.id for part in ast.walk(target) if isinstance(part, ast.Name)}
    return names


_USED: dict[int, frozenset[str]] = {}


def _names_used(node: ast.stmt) -> frozenset[str]:
    """Names that a statement uses: plain, of an attribute, or of an argument; of a block its head only."""
    held = _USED.get(id(node))
    if held is None:
        names: set[str] = set()
        waiting: list[ast.AST] = [child for child in ast.iter_child_nodes(node) if not isinstance(child, ast.stmt)]
        while waiting:
            part = waiting.pop()
            if isinstance(part, ast.Name) and isinstance(part.ctx, ast.Load):
                names.add(part.id)
            elif isinstance(part, ast.Attribute):
                names.add(part.attr)
            elif isinstance(part, ast.keyword) and part.arg:
                names.add(part.arg)
            waiting += [child for child in ast.iter_child_nodes(part) if not isinstance(child, ast.stmt)]
        held = _USED[id(node)] = frozenset(names)
    return held
