"""Where a page of a study comes from: commit, date, seeds, and a digest of the code that it depends on; and which pages are older than theirs.

A study depends on the modules that it imports, on what those import, and on the tables that lie beside them. Comments, docstrings, blank
lines and what is imported for types only do not count.
"""

from __future__ import annotations

import ast
import functools
import hashlib
import io
import re
import shutil
import subprocess
import tarfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tools.prose import wrapped

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

ROOT: Final = Path(__file__).parent.parent
FOLDERS: Final = ("deskhand", "tests", "validations")
"""Folders whose code a study may depend on; of the tests only what they share."""
TABLES: Final = frozenset({".csv", ".toml", ".json", ".npz"})
"""Suffixes of tables that modules read."""
_FOOT: Final = re.compile(
    r"Page of (?P<date>\d{4}-\d\d-\d\d), by `validations\.(?P<study>\w+)` at commit `(?P<commit>[0-9a-f]{7,40})`"
    r"(?P<changed> and changes to it)?; (?P<seeds>[^;]*); digest of the code: `(?P<digest>[0-9a-f]{12})` \((?P<count>\d+) files\)\."
)
_DIGITS: Final = 12
"""Hexadecimal digits of a digest: 48 bits, of a few hundred pages. Arithmetic."""
_NO_COMMIT: Final = "0" * 9
"""Commit of code that has none."""
_PAGE: Final = re.compile(r"from tools\.|\bwrite_page\(|\.write_text\(")
"""Lines of a study that write its page: they change no number in it."""

Sources = dict[str, bytes]
"""Files by their path from the root."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Foot:
    """Last line of a page."""

    study: str
    date: str
    commit: str
    changed: bool
    """The code had changes that were not committed."""
    seeds: str
    digest: str
    count: int

    def __str__(self) -> str:
        changed = " and changes to it" if self.changed else ""
        return (
            f"Page of {self.date}, by `validations.{self.study}` at commit `{self.commit}`{changed}; {self.seeds}; "
            f"digest of the code: `{self.digest}` ({self.count} files)."
        )


def foot_of(page: str) -> Foot | None:
    """Foot of a page; None where it has none."""
    found = _FOOT.search(" ".join(page.split()))
    if found is None:
        return None
    return Foot(
        study=found["study"], date=found["date"], commit=found["commit"], changed=found["changed"] is not None,
        seeds=found["seeds"], digest=found["digest"], count=int(found["count"]),
    )  # fmt: skip


def without_foot(page: str) -> str:
    """Page without its foot."""
    lines = page.rstrip("\n").split("\n")
    for first in range(len(lines) - 1, -1, -1):
        if lines[first].startswith("Page of ") and foot_of("\n".join(lines[first:])) is not None:
            lines = lines[:first]
            break
    return "\n".join(lines).rstrip("\n") + "\n"


# what a study depends on


@functools.lru_cache(maxsize=4096)
def _read(source: str) -> tuple[str, tuple[ast.Import | ast.ImportFrom, ...]]:
    """Lines of a module that change what it does, and its imports but those for types."""
    skipped: set[int] = set()
    imports: list[ast.Import | ast.ImportFrom] = []
    waiting: list[ast.stmt] = list(ast.parse(source).body)
    while waiting:
        statement = waiting.pop()
        if isinstance(statement, ast.Import | ast.ImportFrom):
            imports.append(statement)
        elif isinstance(statement, ast.Expr):
            if isinstance(statement.value, ast.Constant) and isinstance(statement.value.value, str):
                skipped.update(range(statement.lineno, (statement.end_lineno or statement.lineno) + 1))
        elif not _is_for_types(statement):
            # statements that hold statements: what is imported in an expression is not found, and nobody does that
            for name in ("body", "orelse", "finalbody"):
                waiting += getattr(statement, name, ())
            for part in (*getattr(statement, "handlers", ()), *getattr(statement, "cases", ())):
                waiting += part.body
    lines = (_without_comment(line) for number, line in enumerate(source.splitlines(), 1) if number not in skipped)
    return "\n".join(line for line in lines if line), tuple(imports)


def normalised(source: str) -> str:
    """Lines of a module that change what it does: no comments, docstrings and blank lines."""
    return _read(source)[0]


def _without_comment(line: str) -> str:
    """Line up to its comment; a sign in quotes begins none."""
    if "#" not in line:
        return line.rstrip()
    quote = ""
    for index, sign in enumerate(line):
        if quote:
            quote = "" if sign == quote and line[index - 1] != "\\" else quote
        elif sign in "\"'":
            quote = sign
        elif sign == "#":
            return line[:index].rstrip()
    return line.rstrip()


def _is_for_types(node: ast.AST) -> bool:
    test = getattr(node, "test", None)
    return isinstance(node, ast.If) and isinstance(test, ast.Name) and test.id == "TYPE_CHECKING"


@functools.lru_cache(maxsize=4096)
def _imported(source: str, package: str) -> frozenset[str]:
    """Dotted names that a module of a package imports, and the names it takes from them."""
    names: set[str] = set()
    for node in _read(source)[1]:
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        else:
            base = ".".join(package.split(".")[: len(package.split(".")) - node.level + 1]) if node.level else ""
            module = ".".join(part for part in (base, node.module or "") if part)
            names.add(module)
            names.update(f"{module}.{alias.name}" for alias in node.names)
    return frozenset(name for name in names if name.split(".")[0] in FOLDERS)


def _files_of(name: str, sources: Mapping[str, bytes]) -> Iterator[str]:
    """Files that are run when a dotted name is imported."""
    parts = name.split(".")
    for count in range(1, len(parts) + 1):
        path = "/".join(parts[:count])
        for file in (f"{path}.py", f"{path}/__init__.py"):
            if file in sources:
                yield file


def dependencies(study: str, sources: Mapping[str, bytes]) -> list[str]:
    """Files that a study depends on, the study first of all, in order of their paths."""
    waiting, seen = [f"validations/{study}.py"], set[str]()
    while waiting:
        path = waiting.pop()
        if path in seen or path not in sources:
            continue
        seen.add(path)
        if not path.endswith(".py"):
            continue
        package = ".".join(Path(path).parent.parts)
        for name in _imported(sources[path].decode(), package):
            waiting += [file for file in _files_of(name, sources) if not file.startswith("validations/__main__")]
    folders = {str(Path(path).parent) for path in seen} - {"validations"}
    tables = {path for path in sources if Path(path).suffix in TABLES and str(Path(path).parent) in folders}
    return sorted(seen | tables)


def digests(paths: Iterable[str], sources: Mapping[str, bytes]) -> dict[str, str]:
    """Digest of what each file does."""
    found = {}
    for path in paths:
        data = sources[path]
        if path.endswith(".py"):
            lines = normalised(data.decode()).split("\n")
            if path.startswith("validations/"):
                lines = [line for line in lines if not _PAGE.search(line)]
            data = "\n".join(lines).encode()
        found[path] = hashlib.sha256(data).hexdigest()
    return found


def digest_of(study: str, sources: Mapping[str, bytes]) -> tuple[str, int]:
    """Digest of all code that a study depends on, and of how many files."""
    parts = digests(dependencies(study, sources), sources)
    text = "\n".join(f"{path} {digest}" for path, digest in parts.items())
    return hashlib.sha256(text.encode()).hexdigest()[:_DIGITS], len(parts)


def seeds_of(source: str) -> str:
    """Seeds of a study, as its constants state them."""
    found = []
    for node in ast.parse(source).body:
        target = (
            node.target
            if isinstance(node, ast.AnnAssign)
            else node.targets[0]
            if isinstance(node, ast.Assign)
            else None
        )
        value = getattr(node, "value", None)
        if isinstance(target, ast.Name) and "SEED" in target.id and value is not None:
            found.append(f"{target.id} {ast.unparse(value)}")
        elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            for name, item in zip(target.elts, value.elts, strict=False):
                if isinstance(name, ast.Name) and "SEED" in name.id:
                    found.append(f"{name.id} {ast.unparse(item)}")
    return ", ".join(found).replace(";", ",") or "seeds where they are drawn"


# where sources come from


def working_sources() -> Sources:
    """Files as they are now."""
    found = {}
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in TABLES | {".py"} and "__pycache__" not in path.parts:
                found[path.relative_to(ROOT).as_posix()] = path.read_bytes()
    return found


def _git(*arguments: str) -> bytes:
    git = shutil.which("git")
    if git is None:
        raise FileNotFoundError("git")
    return subprocess.run([git, "-C", str(ROOT), *arguments], capture_output=True, check=True).stdout


@functools.lru_cache(maxsize=2)
def sources_at(commit: str) -> Sources:
    """Files as they were in a commit.

    Raises
    ------
    subprocess.CalledProcessError, FileNotFoundError
        There is no such commit, or no git.
    """
    with tarfile.open(fileobj=io.BytesIO(_git("archive", commit, *FOLDERS))) as archive:
        return {
            member.name: file.read()
            for member in archive
            if Path(member.name).suffix in TABLES | {".py"} and (file := archive.extractfile(member)) is not None
        }


def foot_at(study: str, commit: str) -> Foot:
    """Foot of a page that a study wrote at a commit."""
    sources = sources_at(commit)
    digest, count = digest_of(study, sources)
    date = _git("show", "-s", "--format=%cs", commit).decode().strip()
    seeds = seeds_of(sources[f"validations/{study}.py"].decode())
    return Foot(study=study, date=date, commit=commit[:9], changed=False, seeds=seeds, digest=digest, count=count)


def foot_now(study: str) -> Foot:
    """Foot of a page that a study writes now."""
    sources = working_sources()
    digest, count = digest_of(study, sources)
    try:
        commit = _git("rev-parse", "HEAD").decode().strip()
        changed = digest_of(study, sources_at(commit))[0] != digest
    except (subprocess.CalledProcessError, FileNotFoundError):
        # a copy without its history: the digest tells all the same
        commit, changed = _NO_COMMIT, False
    return Foot(
        study=study, date=datetime.now(UTC).date().isoformat(), commit=commit[:9], changed=changed,
        seeds=seeds_of(sources[f"validations/{study}.py"].decode()), digest=digest, count=count,
    )  # fmt: skip


def write_page(target: Path, text: str, study: str, *, wrap: Callable[[str], str] = wrapped) -> None:
    """Write a page of a study with its foot.

    Parameters
    ----------
    target : Path
    text : str
    study : str
        File of the study: its `__file__`.
    """
    foot = foot_now(Path(study).stem)
    target.write_text(wrap(f"{without_foot(text)}\n{foot}\n"), "utf-8")


# pages that are older than their code


@dataclass(frozen=True, slots=True, kw_only=True)
class OldPage:
    """Page whose code changed since it was written."""

    page: str
    foot: Foot
    changed: tuple[str, ...] | None
    """Files that changed, came or went; None where the commit cannot be had."""

    def __str__(self) -> str:
        if self.changed is None:
            return f"{self.page}: of {self.foot.date}, its code changed since (commit {self.foot.commit} is not here)"
        rooms = sorted({"/".join(path.split("/")[:2]) for path in self.changed})
        return f"{self.page}: of {self.foot.date}, {len(self.changed)} files changed, came or went since, in {', '.join(rooms)}"


def old_pages(*, with_files: bool = False) -> list[OldPage]:
    """Pages of studies that are older than the code they depend on."""
    sources = working_sources()
    found = []
    for path in sorted((ROOT / "docs").glob("validation-*.md")):
        foot = foot_of(path.read_text("utf-8"))
        if foot is None or digest_of(foot.study, sources)[0] == foot.digest:
            continue
        found.append(OldPage(page=path.name, foot=foot, changed=_changed(foot, sources) if with_files else None))
    return found


def _changed(foot: Foot, sources: Mapping[str, bytes]) -> tuple[str, ...] | None:
    try:
        earlier = sources_at(foot.commit)
    except (subprocess.CalledProcessError, FileNotFoundError):
        return None
    before = digests(dependencies(foot.study, earlier), earlier)
    after = digests(dependencies(foot.study, sources), sources)
    return tuple(sorted(path for path in before.keys() | after.keys() if before.get(path) != after.get(path)))
