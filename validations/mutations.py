"""Wrong changes that no test notices: seeded changes of single lines over the package, and the tests that run the changed line.

python -m validations.mutations --work FOLDER --gather         # what each test file runs, anew where it or the package changed
python -m validations.mutations --work FOLDER                  # the changes that are drawn; goes on where it stopped
python -m validations.mutations --work FOLDER --again          # survivors too, with the tests as they are now
python -m validations.mutations --work FOLDER --again --tests FILE ...     # survivors with the tests that were written for them
python -m validations.mutations --work FOLDER --seed 31 --count 60      # others, for which no test was written
python -m validations.mutations --work FOLDER --part 1/2       # every second, beside another process that does the others
python -m validations.mutations --work FOLDER --page           # writes the page from all that was run

The package and its tests are copied into the folder; a change is made there, never here. Each change is tried in a process that was split
off from one in which the libraries are imported already.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import gc
import importlib
import json
import re
import resource
import shutil
import signal
import sys
import time
from collections import Counter, deque
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import pytest

from tests.support import long_tests
from tools.provenance import write_page
from validations import patched, ran_lines
from validations.wrong_changes import NAMED, Change, drawn, modules, moved, named

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

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
LONG_TESTS: Final = ("test_browser", "test_jack", "test_evenings", "test_year", "test_season", "tests/real/", "test_killed", "test_patience",
                     "tests/fuzz", "test_docs", "test_shape", "test_parts", "test_compare", "test_effects")  # fmt: skip
"""Tests that take long, or that are about the code's form: not among those that are run."""
NEAREST: Final = 3
"""Test files nearest by their imports, for what is not seen to run: compiled code, and what is run where a module is loaded."""
NAMING: Final = 4
"""Test files that were not gathered and name the function of a changed line."""
FIRST_S: Final = 6.0
MOST_S: Final = 20.0
"""Processor time of the tests that are run for one change, as they were measured: first the mirror and the cheapest, then the rest."""
FIRST: Final = {
    "deskhand/findings/sound_causes": (),
    "deskhand/web/shows": ("tests/web/test_keeping.py", "tests/web/test_hall.py"),
    "deskhand/findings/": ("tests/findings/test_limits.py", "tests/findings/test_judge.py", "tests/findings/test_texts.py"),
}  # fmt: skip
"""Tests of a whole room or module, where it has none of its own name."""
LIBRARIES: Final = ("numpy", "scipy.signal", "scipy.stats", "scipy.optimize", "scipy.ndimage", "numba", "soundfile", "soxr", "pydantic",
                    "hypothesis", "pytest", "sqlalchemy", "alembic", "click", "rich.live", "starlette.testclient", "tomlkit", "jinja2", "jsonschema")  # fmt: skip
REASONS: Final[dict[tuple[str, str, str], str]] = {
    (
        "deskhand/measure/envelopes.py",
        "self._join(_MOST_ARRAYS)",
        "None",
    ): "it bounds the memory of arrays that `finish` joins all the same",
    (
        "deskhand/baseline/normal.py",
        "return {region: max(least_db, least_jnd * TONE_JND_DB) for region, least_db in told_db.items()}",
        "/",
    ): "what is just noticeable of an octave is 1.0 dB: times it or by it is the same",
    (
        "deskhand/report/compare.py",
        """parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label, quote=True)}">']""",
        "False",
    ): "the label is made of numbers and of names of legs, none of which has a quotation mark",
    (
        "deskhand/web/serve.py",
        "listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)",
        "2",
    ): "any number but 0 sets the option",
}
"""(file, changed line without blanks at its ends, what stands in its place) to why the change leaves every result as it was."""


NO_END: Final = "does not end"
Outcome = Literal["noticed", "lives", "time over", "gone"]


# the tests that are run for a change


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


def nearest_tests(file: str, graph: Mapping[str, set[str]], most_files: int = NEAREST) -> list[str]:
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
        is_mirror = path.stem == f"test_{stem}" and (Path("tests") / folder).is_relative_to(path.parent)
        in_folder = path.parent.as_posix() == f"tests/{folder}" or path.stem == f"test_{Path(folder).name}"
        return not is_mirror, not (in_folder and distance[test] <= 2), distance[test], not in_folder, test

    tests = [
        name for name in distance
        if Path(name).stem.startswith("test_") and name.startswith("tests/") and not any(part in name for part in LONG_TESTS)
    ]  # fmt: skip
    first = next((names for room, names in FIRST.items() if file.startswith(room)), ())
    mirrors = [name for name in tests if not rank(name)[0]]
    ranked = list(dict.fromkeys((*mirrors, *first, *sorted(tests, key=rank))))
    return ranked[: max(most_files, len(mirrors) + len(first))]


def batches(
    change: Change, line: int, ran: ran_lines.Ran, graph: Mapping[str, set[str]], root: Path, most_s: float
) -> list[list[ran_lines.TestFile]]:
    """Test files for a change at a line of the code as it was gathered: at first the mirror and the cheapest, then the rest up to the time."""
    wanted, seen = ran.statements_of(change.file, line)
    running = {chosen.file: chosen for chosen in ran.tests_of(wanted)}
    # what does not run the line, though others do, tells nothing of it
    near = [
        file
        for file in dict.fromkeys(
            (
                *nearest_tests(change.file, graph, 1),
                *ran.naming(change.file, line, root)[:NAMING],
                *nearest_tests(change.file, graph, NEAREST),
            )
        )
        if not (seen and running) or not ran.knows(file) or file in running
    ]
    by_hand = [
        test.split("::")[0] for name, old, _, test in NAMED if (f"deskhand/{name}", old) == (change.file, change.old)
    ]
    first = [running.get(file) or ran.whole(file) for file in dict.fromkeys((*by_hand, *near))]
    order = list(dict.fromkeys((*(chosen for chosen in first if chosen), *running.values())))
    groups: list[list[ran_lines.TestFile]] = [[], []]
    used_s = 0.0
    for chosen in order:
        fitting = chosen if used_s + chosen.cpu_s <= most_s else ran.fewest(chosen, most_s - used_s)
        if fitting:
            groups[used_s + fitting.cpu_s > FIRST_S].append(fitting)
            used_s += fitting.cpu_s
    return [group for group in groups if group]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A change and what came of it."""

    change: Change
    """As it was drawn."""
    outcome: Outcome
    by: str
    """First test that failed."""
    tests: tuple[str, ...]
    """Files that were run."""
    seconds: float
    line: int
    """Where it was made."""
    at: str
    """The line, without blanks at its ends."""


def _failed_test(log: str) -> str:
    found = re.search(r"^(?:FAILED|ERROR) (\S+)", log, re.MULTILINE)
    return found[1] if found else ""


def _status(study: Study, group: Sequence[ran_lines.TestFile], most_s: int) -> tuple[int, str]:
    """Status of a run of tests that stops at the first failure, and its log."""

    def work() -> int:
        resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s + 5))
        chosen = ran_lines.Chosen(group)
        return ran_lines.run_tests(study.root, study.shared, ["-x", *(entry.file for entry in group)], [chosen])

    return study.split_off(work, most_s)


def tried(change: Change, here: Change, study: Study, groups: Sequence[Sequence[ran_lines.TestFile]]) -> Trial:
    """Make a change in the copy, run tests until one fails, and take it back."""
    root, graph = study.root, study.graph
    path = root / here.file
    source = path.read_text("utf-8")
    aside = root.parent / f"{root.name}-aside"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    kernels = _kernel_files(here.file, root, graph)
    for kernel in kernels:
        shutil.copy2(kernel, aside)
        kernel.unlink()
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.cpython-*.pyc"):
        compiled.unlink()
    begin_s = time.monotonic()
    outcome: Outcome = "lives"
    by = ""
    ran: list[str] = []
    try:
        path.write_text(here.applied(source), "utf-8")
        for group in groups:
            ran += [entry.file for entry in group]
            expected_s = sum(entry.cpu_s for entry in group)
            most_s = int(3.0 * expected_s + (150 if kernels else 30))
            status, log = _status(study, group, most_s)
            if status in (-signal.SIGXCPU, -signal.SIGKILL):
                outcome, by = ("noticed", NO_END) if study.sees_no_end(group) and not kernels else ("time over", "")
                break
            if status not in (0, 5):
                by = _failed_test(log)
                # an import that fails ends the whole run before its first test
                by = by or ("conftest" if "ImportError while loading conftest" in log else "")
                if not by:
                    raise RuntimeError(
                        f"the tests of {here.file}:{here.line} did not run (status {status}): {log[-2000:]}"
                    )
                outcome = "noticed"
                break
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
            shutil.copystat(ROOT / here.file, path)
    return Trial(
        change=change, outcome=outcome, by=by, tests=tuple(ran), seconds=round(time.monotonic() - begin_s, 1), line=here.line,
        at=_line(source, here.line),
    )  # fmt: skip


def _line(source: str, number: int) -> str:
    return source.splitlines()[number - 1].strip()


class Loop:
    """Pytest plugin that tries changes in place of running the tests that were collected, each in a process split off from there."""

    def __init__(self, study: Study, changes: Sequence[Change], end_s: float) -> None:
        self._study = study
        self._changes = changes
        self._end_s = end_s
        self._failed = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self._failed = report.nodeid

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        study = self._study
        trees = {file: ast.parse(text) for file, text in modules(study.root).items()}
        by_file: dict[str, list[pytest.Item]] = {}
        listed = long_tests.listed()
        for item in session.items:
            if item.nodeid not in listed:
                by_file.setdefault(item.nodeid.split("::")[0], []).append(item)
        for change in self._changes:
            if time.monotonic() > self._end_s:
                break
            here, groups = study.planned(change)
            source = "" if here is None else (study.root / here.file).read_text("utf-8")
            patch = None if here is None else patched.patch_of(here, study.root, source, trees)
            if here is None or patch is None:
                continue
            chosen = [entry for group in groups for entry in group]
            items = [item for entry in chosen for item in by_file.get(entry.file, ()) if entry.runs(item.nodeid)]
            trial = self._trial(change, here, source, patch, items, chosen)
            if trial is not None:
                study.write(trial)
        return True

    def _trial(
        self, change: Change, here: Change, source: str, patch: Callable[[], None], items: Sequence[pytest.Item],
        chosen: Sequence[ran_lines.TestFile],
    ) -> Trial | None:  # fmt: skip
        """None where it could not be made in loaded code."""
        most_s = int(3.0 * sum(entry.cpu_s for entry in chosen) + 30)
        result = self._study.shared.parent / f"{self._study.shared.name}.failed"
        result.unlink(missing_ok=True)

        def work() -> int:
            used_s = int(time.process_time())
            resource.setrlimit(resource.RLIMIT_CPU, (used_s + most_s, used_s + most_s + 5))
            gc.unfreeze()
            patch()
            patched.forget_computed()
            for item, following in zip(items, [*items[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if self._failed:
                    result.write_text(self._failed, "utf-8")
                    return 1
            return 0

        path = self._study.root / here.file
        begin_s = time.monotonic()
        try:
            # for the processes that tests start
            path.write_text(here.applied(source), "utf-8")
            status, log = self._study.split_off(work, most_s)
        finally:
            path.write_text(source, "utf-8")
            shutil.copystat(ROOT / here.file, path)
        over = status in (-signal.SIGXCPU, -signal.SIGKILL)
        if status not in (0, 1) and not over:
            print(f"{here.file}:{here.line} is tried anew: {log[-300:]}", file=sys.__stderr__, flush=True)
            return None
        outcome: Outcome = (
            "lives" if not status else "time over" if over and not self._study.sees_no_end(chosen) else "noticed"
        )
        return Trial(
            change=change, outcome=outcome, by="" if outcome != "noticed" else NO_END if over else result.read_text("utf-8") if status else "",
            tests=tuple(entry.file for entry in chosen), seconds=round(time.monotonic() - begin_s, 1), line=here.line,
            at=_line(source, here.line),
        )  # fmt: skip


def prepared(work: Path, name: str) -> Path:
    """Copy of the package and its tests as they are now, compiled."""
    root = work / name
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    for part in COPIED:
        if (ROOT / part).is_dir():
            # the times of files are kept: compiled code knows its source by them
            shutil.copytree(ROOT / part, root / part, copy_function=shutil.copy2)
        else:
            shutil.copy2(ROOT / part, root / part)
    compileall.compile_dir(str(root / "deskhand"), quiet=1)
    return root


def stored(work: Path, seed: int) -> dict[Change, list[Trial]]:
    """Trials that were run of each change, in their order."""
    file = work / f"trials-{seed}.jsonl"
    trials: dict[Change, list[Trial]] = {}
    for line in file.read_text("utf-8").splitlines() if file.exists() else ():
        data = json.loads(line)
        change = Change(**data.pop("change"))
        trials.setdefault(change, []).append(Trial(change=change, **{**data, "tests": tuple(data["tests"])}))
    return trials


def _test_names(root: Path) -> list[str]:
    """Test functions by file and name."""
    return [
        f"{path.relative_to(root).as_posix()}::{node.name}"
        for path in sorted((root / "tests").rglob("test_*.py"))
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test")
    ]


def draw(work: Path, seed: int, count: int) -> tuple[list[Change], dict[str, str]]:
    """Changes that were drawn, and the code that they were drawn of: drawn once, and kept in the folder."""
    file = work / f"drawn-{seed}.json"
    if not file.exists():
        changes = [*(named(ROOT) if seed == SEED else ()), *drawn(ROOT, count, seed)]
        data = {"changes": [asdict(change) for change in changes], "sources": modules(ROOT), "tests": _test_names(ROOT)}
        file.write_text(json.dumps(data), "utf-8")
    held = json.loads(file.read_text("utf-8"))
    return [Change(**change) for change in held["changes"]], held["sources"]


class Study:
    """Copy in which changes are made, what its tests run, and the changes as they were drawn."""

    def __init__(
        self, work: Path, seed: int, then: Mapping[str, str], part: str, most_s: float, only: Sequence[str] = ()
    ) -> None:
        self.only = only
        self.root = prepared(work, f"copy-{part}")
        self.shared = work / f"{self.root.name}-shared"
        self.graph = import_graph(self.root)
        self._ran = ran_lines.Ran(work / "ran")
        self._file = work / f"trials-{seed}.jsonl"
        self._begin = self._file.stat().st_size if self._file.exists() else 0
        self._then = then
        self._most_s = most_s
        self.shared.mkdir(exist_ok=True)
        for name in ran_lines.KEPT:
            if (work / "gather-0-shared" / name).exists() and not (self.shared / name).exists():
                shutil.copytree(work / "gather-0-shared" / name, self.shared / name, copy_function=shutil.copy2)
                (self.shared / f"{name}-is-made").touch()

    def planned(self, change: Change) -> tuple[Change | None, list[list[ran_lines.TestFile]]]:
        """Change where its line is now, and the tests for it; None where the line is no longer there."""
        path = self.root / change.file
        then = self._then[change.file]
        here = moved(change, then, path.read_text("utf-8")) if path.exists() else None
        if here is None:
            return None, []
        if self.only:
            return here, [[chosen for file in self.only if (chosen := self._ran.whole(file)) is not None]]
        seen = moved(change, then, self._ran.sources[change.file]) if change.file in self._ran.sources else None
        return here, batches(change, seen.line if seen else here.line, self._ran, self.graph, self.root, self._most_s)

    def sees_no_end(self, chosen: Sequence[ran_lines.TestFile]) -> bool:
        """True where it is known how long the tests take: over three times that and half a minute they do not end, as whoever runs them sees."""
        return all(self._ran.knows(entry.file) for entry in chosen)

    def split_off(self, work: Callable[[], int], most_s: int) -> tuple[int, str]:
        """Status of tests that are run in a process of their own, and its log."""
        log = self.shared.parent / f"{self.shared.name}.log"
        made = [name for name in ran_lines.KEPT if (self.shared / f"{name}-is-made").exists()]
        ran_lines.clear_shared(self.shared, made)
        status = ran_lines.split_off(work, log, 8.0 * most_s)
        # shows that were made by the changed code are of no use to the next
        ran_lines.clear_shared(self.shared, made)
        return status, log.read_text("utf-8", "replace")

    def written(self) -> set[Change]:
        """Changes that were tried since the study was begun, by whatever process."""
        if not self._file.exists():
            return set()
        with self._file.open("rb") as file:
            file.seek(self._begin)
            return {Change(**json.loads(line)["change"]) for line in file.read().decode().splitlines()}

    def write(self, trial: Trial) -> None:
        """Write a trial down at once; that it lives with a few tests alone tells nothing new."""
        if self.only and trial.outcome != "noticed":
            return
        with self._file.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(trial)) + "\n")
        change = trial.change
        print(
            f"{trial.outcome:9} {trial.seconds:5.1f} s  {change.file}:{trial.line} {change.kind}: {change.old!r} -> {change.new!r}  {trial.by}",
            file=sys.__stderr__, flush=True,
        )  # fmt: skip


def run(study: Study, changes: Sequence[Change], seconds: float) -> None:
    """Try changes until the time is over: first those that can be made in loaded code, then the others."""
    end_s = time.monotonic() + seconds
    for name in LIBRARIES:
        importlib.import_module(name)
    loop = Loop(study, changes, end_s)
    files = study.only or ran_lines.test_files(study.root, LONG_TESTS)

    def work() -> int:
        return ran_lines.run_tests(study.root, study.shared, files, [loop])

    ran_lines.split_off(work, study.shared.parent / f"{study.shared.name}.loop", seconds + 60.0)
    done = study.written()
    for change in changes:
        if time.monotonic() > end_s:
            break
        if change in done:
            continue
        here, groups = study.planned(change)
        if here is None:
            study.write(Trial(change=change, outcome="gone", by="", tests=(), seconds=0.0, line=0, at=""))
        else:
            study.write(tried(change, here, study, groups))


# the page


def _share(trials: Sequence[Trial], left_out: int = 0) -> str:
    """Share of those decided that was noticed, but for some that were noticed."""
    judged = [trial for trial in trials if trial.outcome in ("noticed", "lives")]
    noticed = sum(trial.outcome == "noticed" for trial in judged) - left_out
    return f"{noticed} of {len(judged)}" + (f", {100 * noticed / len(judged):.0f} %" if judged else "")


def _by_new_tests(work: Path, trials: Sequence[Trial]) -> int:
    """Changes that a test noticed which was not there when they were drawn."""
    known = set(json.loads((work / f"drawn-{SEED}.json").read_text("utf-8"))["tests"])
    told = (trial.by.partition("[")[0].split("::") for trial in trials if "::" in trial.by)
    return sum(f"{parts[0]}::{parts[-1]}" not in known for parts in told)


def _reason(trial: Trial) -> str:
    return REASONS.get((trial.change.file, trial.at, trial.change.new), "")


def _rows(trials: Sequence[Trial], names: Mapping[Change, str]) -> list[str]:
    by_name: dict[str, list[Trial]] = {}
    for trial in trials:
        by_name.setdefault(names[trial.change], []).append(trial)
    return [
        f"| {name} | {_share(group)} | {sum(trial.outcome == 'time over' for trial in group)} |"
        for name, group in sorted(by_name.items())
    ]


def _counted(trials: Sequence[Trial]) -> str:
    """Sentence of the counts."""
    counts = Counter(trial.outcome for trial in trials)
    none = sum(bool(_reason(trial)) for trial in trials if trial.outcome == "lives")
    return (
        f"{counts['noticed']} were noticed, {counts['lives']} live ({none} of them are known to change no result), "
        f"{counts['time over']} were not decided in time, of {counts['gone']} the line is no longer there. Noticed of those decided: {_share(trials)}"
        + (
            f"; without those that change no result: {_share([trial for trial in trials if not _reason(trial)])}."
            if none
            else "."
        )
    )


def _living(trials: Sequence[Trial]) -> list[str]:
    return [
        "| where | change | line | why it may live |", "|---|---|---|---|",
        *(
            f"| {trial.change.file.removeprefix('deskhand/')}:{trial.line} | `{' '.join(trial.change.old.split())[:80]}` to "
            f"`{trial.change.new.strip() or 'nothing'}` | `{trial.at[:90].replace('|', '¦')}` | {_reason(trial) or 'none known'} |"
            for trial in sorted(trials, key=lambda trial: (trial.change.file, trial.line)) if trial.outcome == "lives"
        ),
    ]  # fmt: skip


def page(work: Path, controls: Sequence[int]) -> str:
    """The page."""
    trials = stored(work, SEED)
    drawn_ones = {change: rows for change, rows in trials.items() if change.kind != "by hand"}
    last = [rows[-1] for rows in trials.values()]
    rooms = {change: change.file.split("/")[1] for change in trials}
    kinds = {change: change.kind for change in trials}
    now = [rows[-1] for rows in drawn_ones.values()]
    new = _by_new_tests(work, [trial for trial in now if trial.outcome == "noticed"])
    lines = [
        "# Validation: wrong changes", "",
        "Made by `python -m validations.mutations`. Wrong changes of single lines are drawn over the package, modules by their length, kinds of",
        "change alike within a module; of each, tests are run until one fails: those that run the changed line, as it was gathered for every",
        (
            f"test, the mirror of the module first, then the cheapest, up to {MOST_S:.0f} s of processor time as they were measured (a test file of up to "
            f"{ran_lines.CHEAP_S:g} s in whole). Gathered were {len(list((work / 'ran').glob('tests.*.json')))} test files; of the others those"
        ),
        f"are taken that name the function, and the {NEAREST} nearest by their imports. A line that is run where its module is loaded (a constant, a table, a default) is not seen to be run by a test: there the {NEAREST}",
        "nearest files and the tests of the functions that use its name are run. Compiled code is not seen either: there only the nearest files are run.",
        "Left out are tests that take half a second and more, which take turns by the day, those that drive a browser or a sound server, and those of the",
        "code's form and of these pages: a change that lives here may be noticed by one of them. Some changes are none: they leave every result as it was;",
        "where that is known it is said why.", "",
        "## Drawn", "",
        (
            f"{COUNT} changes were drawn, and {len(drawn_ones)} were run so far, in the order in which they are drawn, some of what lived once more "
            f"with the tests as they are now. {_counted(now)}"
        ),
        "",
        (
            f"{new} of them were noticed by a test that was not there when they were drawn: a change for which a test was written is no measure of the tests "
            f"any more. By tests that were there at least {_share(now, new)}."
        ),
        "",
        *(
            part for seed in controls for part in (
                (f"Others, drawn with seed {seed} after those tests were written, and for which none was written: "
                f"{_counted([rows[0] for rows in stored(work, seed).values()])}"), "",
            )
        ),
        (f"A reviewer tried {sum(change.kind == 'by hand' for change in trials)} more by hand, and no test noticed them then: each is tried with the test that holds it since. "
        f"Noticed now: {_share([rows[-1] for change, rows in trials.items() if change.kind == 'by hand'])}."), "",
        "| room | noticed | not decided |", "|---|---|---|", *_rows(last, rooms), "",
        "| kind of change | noticed | not decided |", "|---|---|---|", *_rows(last, kinds), "",
        "## What lives", "", *_living(last), "",
        *(
            part for seed in controls for part in (
                f"## What lives of seed {seed}", "", *_living([rows[0] for rows in stored(work, seed).values()]), "",
            )
        ),
    ]  # fmt: skip
    return "\n".join(lines)


def main(arguments: Sequence[str] = ()) -> None:
    """Gather, run, or write the page."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, default=ROOT / "mutations")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument(
        "--again",
        action="store_true",
        help="once more those that lived, or were not decided, with the tests as they are now",
    )
    parser.add_argument(
        "--most", type=float, default=MOST_S, help="processor time of the tests for each change, in seconds"
    )
    parser.add_argument("--part", default="0/1", help="every second, and so on: 0/2 and 1/2 run beside each other")
    parser.add_argument(
        "--tests", nargs="*", default=[], help="with --again: these test files alone, that were written for what lived"
    )
    parser.add_argument("--gather", action="store_true", help="only gather what the test files run")
    parser.add_argument("--page", action="store_true", help="write the page from all that was run")
    options = parser.parse_args(arguments)
    work: Path = options.work.resolve()
    work.mkdir(parents=True, exist_ok=True)
    index, parts = map(int, options.part.split("/"))
    if options.gather or not (work / "ran" / "package.json").exists():
        root = prepared(work, f"gather-{index}")
        for name in LIBRARIES:
            importlib.import_module(name)
        files = ran_lines.test_files(root, LONG_TESTS)
        ran_lines.gather(root, work / "ran", work / f"gather-{index}-shared", modules(root), files[index::parts])
        if options.gather:
            return
    if not options.page:
        changes, then = draw(work, options.seed, options.count)
        earlier = stored(work, options.seed)
        wanted = [
            change
            for change in changes
            if change not in earlier or (options.again and earlier[change][-1].outcome != "noticed")
        ]
        # those that were tried by hand once come last
        wanted.sort(key=lambda change: change.kind == "by hand")
        if options.tests:
            wanted = [change for change in wanted if change in earlier]
        study = Study(work, options.seed, then, str(index), options.most, options.tests)
        run(study, wanted[index::parts], options.seconds)
    if options.page:
        controls = sorted(
            int(file.stem.split("-")[1]) for file in work.glob("trials-*.jsonl") if file.stem != f"trials-{SEED}"
        )
        write_page(TARGET, page(work, controls), __file__)
        print(TARGET)


if __name__ == "__main__":
    main(sys.argv[1:])
