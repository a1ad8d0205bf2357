"""The words: all in one place, each used, each there; each label with the reason for its name."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

from deskhand.findings.kinds import KINDS
from deskhand.measure.readings import Readings
from deskhand.report.words import explained, text, words

PACKAGE = Path(str(resources.files("deskhand")))
BY_NAME = {"status", "phase", "tap", "role", "reading", "unit", "explain", "term", "days", "months", "key", "hears"}
"""Tables that are looked into by a name that is worked out."""


def asked() -> set[str]:
    """Names that templates and modules ask for as they stand, and the beginnings of those that are put together."""
    found: set[str] = set()
    for path in [
        *PACKAGE.glob("web/templates/*.j2"),
        *PACKAGE.glob("report/*.j2"),
        *PACKAGE.glob("web/*.py"),
        *PACKAGE.glob("report/*.py"),
        *PACKAGE.glob("live/*.py"),
    ]:
        content = path.read_text("utf-8")
        found |= set(re.findall(r"""\b(?:t|text|words)\(\s*f?["']([a-z_]+\.[a-z_0-9]*)""", content))
        found |= set(re.findall(r"""["']([a-z_]+\.[a-z_0-9]+)["'] (?:if|else)\b""", content))
        found |= set(re.findall(r"""\belse ["']([a-z_]+\.[a-z_0-9]+)["']""", content))
    # a script is handed one table, and takes words from it by their names
    script = (PACKAGE / "web/static/live.js").read_text("utf-8")
    found |= {f"live.{name}" for name in re.findall(r"""\bwords\.([a-z_]+)""", script)}
    for path in PACKAGE.glob("live/*.py"):
        found |= set(re.findall(r"""["'](live\.[a-z_]+)["']""", path.read_text("utf-8")))
    return found


def test_every_word_that_is_asked_for_is_there():
    for name in asked():
        table, _, entry = name.partition(".")
        assert table in words(), name
        if table in BY_NAME or entry.endswith("_") or not entry:
            assert any(one.startswith(entry) for one in words()[table]), name
        else:
            assert entry in words()[table], name


def test_every_word_is_used():
    names = asked()
    heads = set(
        re.findall(
            r'"([a-z_]+)"',
            "".join(re.findall(r"for head in \[([^\]]*)\]", (PACKAGE / "report/page.html.j2").read_text("utf-8"))),
        )
    )
    for table, entries in words().items():
        if table in BY_NAME | {"origin"}:
            continue
        for entry in entries:
            whole = f"{table}.{entry}"
            begun = any(whole.startswith(one) for one in names if one.endswith(("_", ".")))
            assert whole in names or begun or (table == "report" and entry in heads), whole


def test_every_label_says_why_it_is_called_so():
    assert words()["label"].keys() == words()["origin"].keys()
    for why in words()["origin"].values():
        assert re.match(r"(trade|plain|ours|open standard)\b", why), why


def test_every_reading_that_is_shown_is_explained_and_has_a_unit():
    assert words()["reading"].keys() == words()["unit"].keys()
    fields = set(Readings.__dataclass_fields__)
    for name in words()["reading"]:
        assert name in fields | {"step_db"}, name
        assert explained(name), name
    assert explained("no such thing") is None


def test_every_kind_of_finding_has_a_name_for_people_and_no_template_shows_its_slug():
    labels = [kind.words for kind in KINDS.values()]
    assert len(set(labels)) == len(labels)
    for label in labels:
        assert re.fullmatch(r"[A-Za-z][A-Za-z ]*", label), label
    for path in [*PACKAGE.glob("web/templates/*.j2"), *PACKAGE.glob("report/*.j2")]:
        assert not re.search(r"\{\{[^}]*\.kind\b", path.read_text("utf-8")), path.name


def test_values_are_put_in_and_what_is_missing_is_an_error():
    assert text("week.proposes", count=3) == "3 to turn"
    with pytest.raises(KeyError):
        text("week.no_such_word")
    for table, entries in words().items():
        for entry, said in entries.items():
            assert str(said).strip(), f"{table}.{entry}"
            assert str(said).count("{") == str(said).count("}"), f"{table}.{entry}"
