"""The docs say what the code does: schema up to date, every kind, role, block, key, reading and command has its place."""

from __future__ import annotations

import importlib.util
import re
import shlex
from dataclasses import fields
from pathlib import Path

import click
import pytest

from deskhand import house
from deskhand.cli import main
from deskhand.findings import KINDS
from deskhand.measure.readings import Readings
from tools import provenance
from tools.prose import overlong, wrapped

ROOT = Path(__file__).parent.parent


def _text(name: str) -> str:
    return (ROOT / name).read_text("utf-8")


def test_made_files_are_up_to_date():
    spec = importlib.util.spec_from_file_location("docs_make", ROOT / "docs" / "make.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for path, text in module.made().items():
        assert path.read_text("utf-8") == text, f"run: make docs ({path.name})"


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_finding_is_explained(kind):
    assert f"`{kind}`" in _text("docs/findings.md")


@pytest.mark.parametrize("word", [*house.ROLES, *house.BLOCK_NAMES])
def test_every_role_and_block_is_named(word):
    assert re.search(rf"\b{re.escape(word)}\b", _text("docs/house-file.md"))


@pytest.mark.parametrize(
    "table", [house.House, house.Room, house.Vocal, house.Source, house.Send], ids=lambda table: table.__name__
)
def test_every_key_of_the_house_file_is_in_its_example(table):
    found = re.search(r"```toml\n(\[house\].*?)```", _text("docs/house-file.md"), re.DOTALL)
    keys = set(re.findall(r"^(\w+) = |^\[+(?:source\.)?(\w+)\]+", found[1], re.MULTILINE))
    names = {name for pair in keys for name in pair if name}
    aliases = {field.name: getattr(field.default, "alias", None) or field.name for field in fields(table)}
    # a chain has a page of its own
    assert not set(aliases.values()) - names - {"chain"}


def test_every_reading_is_explained():
    text = _text("docs/measurements.md")
    missing = [item.name for item in fields(Readings) if item.name != "not_measured" and f"`{item.name}`" not in text]
    assert not missing


def test_how_often_a_tail_holds_is_what_the_study_counted():
    """The guitar's table and the voices': column "within its ±", one row a room."""
    counted = []
    for part in _text("docs/validation-tails.md").split("\n## ")[1:]:
        cells = re.findall(r"\| (\d+) of (\d+) \| \d+ \| [\d.]+ \|$", part, re.MULTILINE)
        counted.append(f"{sum(int(held) for held, _ in cells)} of {sum(int(told) for _, told in cells)}")
    assert len(counted) == 2
    sure = _text("docs/measurements.md").split("## How sure")[1].split("\n## ")[0]
    assert [count in " ".join(sure.split()) for count in counted] == [True, True], counted


STUDIES = sorted((ROOT / "docs").glob("validation-*.md"))


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.stem)
def test_a_page_of_a_study_says_where_it_comes_from(path):
    foot = provenance.foot_of(path.read_text("utf-8"))
    assert foot is not None, "write it with tools.provenance.write_page"
    assert (ROOT / "validations" / f"{foot.study}.py").is_file()
    # it is the last thing on the page
    assert path.read_text("utf-8").rstrip().endswith("files).")


def test_pages_that_are_older_than_their_code_are_listed(record_property):
    """No failure: a study takes hours. `conftest` prints the list at the end of the run."""
    record_property(
        "old pages", ", ".join(f"{old.page.removesuffix('.md')} ({old.foot.date})" for old in provenance.old_pages())
    )


STUDY = {
    "validations/x.py": b'"""A study."""\nfrom deskhand.a import f\nfrom tools.provenance import write_page\nSEED = 7\nf()\n',
    "deskhand/__init__.py": b"",
    "deskhand/a.py": b"from typing import TYPE_CHECKING\nfrom deskhand.b import g\nif TYPE_CHECKING:\n    from deskhand.c import T\nf = g\n",
    "deskhand/b.py": b"def g():\n    return 1  # one\n",
    "deskhand/c.py": b"T = int\n",
    "deskhand/table.csv": b"1\n",
}


def changed(path, old, new):
    assert old in STUDY[path]
    return STUDY | {path: STUDY[path].replace(old, new)}


def test_a_digest_is_of_what_the_code_does():
    assert provenance.dependencies("x", STUDY) == [
        "deskhand/__init__.py", "deskhand/a.py", "deskhand/b.py", "deskhand/table.csv", "validations/x.py",
    ]  # fmt: skip
    before = provenance.digest_of("x", STUDY)
    assert before[1] == 5
    for same in (
        changed("deskhand/b.py", b"  # one", b"  # two"),
        changed("deskhand/b.py", b"def g():\n", b'def g():\n\n    """Say one."""\n'),
        changed("deskhand/c.py", b"int", b"str"),
        changed("validations/x.py", b"write_page", b"write_pages"),
    ):
        assert provenance.digest_of("x", same) == before
    for other in (
        changed("deskhand/b.py", b"1", b"2"),
        changed("deskhand/table.csv", b"1", b"2"),
        changed("validations/x.py", b"7", b"8"),
        changed("deskhand/b.py", b"1  # one", b"'#1'"),
    ):
        assert provenance.digest_of("x", other)[0] != before[0]
    assert provenance.seeds_of(STUDY["validations/x.py"].decode()) == "SEED 7"


def test_a_foot_is_read_as_it_is_written():
    foot = provenance.Foot(
        study="x", date="2026-03-01", commit="0123456", changed=True, seeds="SEED 7", digest="0" * 12, count=5
    )
    page = wrapped(f"# Page\n\nText.\n\n{foot}\n")
    assert provenance.foot_of(page) == foot
    assert provenance.without_foot(page) == "# Page\n\nText.\n"
    assert provenance.without_foot("# Page\n") == "# Page\n"


def test_example_house_file_of_the_docs_is_valid():
    found = re.search(r"```toml\n(\[house\].*?)```", _text("docs/house-file.md"), re.DOTALL)
    text = found[1].replace('source = "lead voice"', 'source = "piano"')
    assert house.parse_house(text, Path("house.toml")).source[0].nominal_dbfs == -20.0


def test_every_command_is_in_the_readme_and_has_help():
    text = _text("README.md")
    for name, command in main.commands.items():
        assert f"deskhand {name}" in text or f"make {name}" in text
        assert command.help
        for option in command.params:
            assert isinstance(option, click.Argument) or option.help, f"{name}: {option.name}"


PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *ROOT.glob("benchmarks/*.md")])


def test_every_page_is_in_the_index():
    links = set(re.findall(r"\]\((?:\.\./)?([\w./-]+\.md)\)", _text("docs/index.md")))
    pages = {str(path.relative_to(ROOT)).removeprefix("docs/") for path in PAGES} - {"index.md"}
    assert links == pages


def anchors_of(path):
    headings = re.findall(
        r"^#+ (.+)$", re.sub(r"^```.*?^```$", "", path.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL), re.MULTILINE
    )
    # GitHub's own rule: small letters, punctuation left out, a hyphen for each space
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(path):
    for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text("utf-8")):
        if "://" in target:
            continue
        file, _, anchor = target.partition("#")
        linked = (path.parent / file).resolve() if file else path
        assert linked.exists(), target
        assert not anchor or anchor in anchors_of(linked), target


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_commands_that_are_shown_exist(path):
    """Lines of code that begin with `deskhand`: the command, and each of its options."""
    for line in re.findall(r"^    (?:\.venv/bin/)?deskhand +(\S.*)$", path.read_text("utf-8"), re.MULTILINE):
        words = shlex.split(line, comments=True)
        command = main
        while words and isinstance(command, click.Group) and not words[0].startswith("-"):
            assert words[0] in command.commands, line
            command = command.commands[words.pop(0)]
        known = {name for option in command.params for name in (*option.opts, *option.secondary_opts)} | {"--help"}
        options = {word.split("=")[0] for word in words if re.fullmatch(r"--?[a-z][\w-]*(=.*)?", word)}
        assert options <= known, line


def test_no_addresses_in_lock_files():
    for path in ROOT.glob("requirements*.txt"):
        assert "://" not in path.read_text("utf-8")


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_prose_is_wrapped(path):
    text = path.read_text("utf-8")
    assert not overlong(text), f"run: python -m tools.prose {path.relative_to(ROOT)}"
    assert wrapped(text) == text


PAGE = """\
# A heading is longer than it should be

| a row of a table | is longer than it should be |

    indented code is longer than it should be

```
fenced code is longer than it should be
```

Short line.
- An item that is too long - by far,
  and [goes on to a link](page.md) here.

   1. Ordered and too long for it, `x = 1` too.
"""
WRAPPED = """\
# A heading is longer than it should be

| a row of a table | is longer than it should be |

    indented code is longer than it should be

```
fenced code is longer than it should be
```

Short line.
- An item that is
  too long - by far,
  and
  [goes on to a link](page.md)
  here.

   1. Ordered and
      too long for
      it, `x = 1`
      too.
"""


@pytest.mark.source("CommonMark 0.31.2, 4.2, 4.4, 4.5, 5.2; written by hand")
def test_only_prose_is_wrapped_and_no_word_begins_something_else():
    assert overlong(PAGE, 20) == [12, 13, 15]
    assert wrapped(PAGE, 20) == WRAPPED
    assert not overlong(WRAPPED, 20)
    assert wrapped("a word or more than\ntwenty-one columns are\nhere - 1. is none", 20).splitlines() == [
        "a word or more than",
        "twenty-one columns",
        "are here - 1. is",
        "none",
    ]
