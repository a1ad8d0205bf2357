"""The page and the terminal text: self-contained, well formed, escaped, saying what the result says."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from deskhand.files import write_atomically
from deskhand.report.page import page
from deskhand.report.terminal import headline, line
from deskhand.result import from_plain, plain, to_json
from tests.schemas import assert_meets_schema

VOID = {"meta", "br", "img", "hr", "input", "link"}


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.bad: list[str] = []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.bad.append(tag)


@pytest.fixture(scope="module")
def checked(checked_show):
    return checked_show("show-2026-03-01")


def test_page_is_well_formed_and_fetches_nothing(checked):
    text = page(checked.result, checked.pictures)
    tags = _Tags()
    tags.feed(text)
    assert not tags.bad
    assert not tags.open
    assert not re.findall(r"(?:src|href)\s*=|url\(|@import|https?://(?!www\.w3\.org)", text)


def test_page_names_every_source_and_every_finding_and_draws_it(checked):
    text = page(checked.result, checked.pictures)
    assert text.count('aria-label="') >= len(checked.result.sources)
    for source in checked.result.sources:
        assert f"<h2>{source.name}</h2>" in text
        assert f"{source.name}: level over time" in text
        for finding in source.findings:
            assert finding.text.replace('"', "&#34;").replace("'", "&#39;") in text
    # one mark for each time something happened
    timed = sum(len(finding.at_s) for source in checked.result.sources for finding in source.findings)
    assert text.count('class="fault"') == timed > 5


def test_names_are_escaped(checked):
    first = checked.result.sources[0]
    nasty = replace(first, name='<script>alert("x")</script>')
    result = replace(checked.result, sources=(nasty,), house="<b>", first=())
    text = page(result, {nasty.name: checked.pictures[first.name]})
    assert "<script" not in text
    assert "<b>" not in text


def test_headline_counts(checked):
    result = checked.result
    assert headline(result) == "Three things before doors:"
    assert headline(replace(result, first=result.first[:1])) == "One thing before doors:"
    well = tuple(replace(source, findings=(), status="well") for source in result.sources)
    assert headline(replace(result, first=(), sources=well)) == "Nothing urgent."


def test_one_line_a_source(checked):
    for source in checked.result.sources:
        assert "\n" not in line(source)
        assert line(source)


def test_json_meets_its_schema_and_holds_no_nan(checked):
    assert_meets_schema(plain(checked.result))
    assert "NaN" not in to_json(checked.result)
    assert "Infinity" not in to_json(checked.result)


def kinds(value):
    """The same with every number a float: 3 and 3.0 are one in JSON."""
    if isinstance(value, dict):
        return {name: kinds(one) for name, one in value.items()}
    if isinstance(value, list):
        return [kinds(one) for one in value]
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def test_a_result_comes_back_as_it_was_written(checked):
    """From the data, and from its JSON: the same data again, and a result that the page and the terminal print alike."""
    result, data = checked.result, plain(checked.result)
    for given in (data, json.loads(to_json(result))):
        again = from_plain(given)
        assert kinds(plain(again)) == kinds(data)
        assert type(again.sources[0].before) is type(result.sources[0].before)
        assert again.first == result.first
        assert headline(again) == headline(result)
        assert [line(source) for source in again.sources] == [line(source) for source in result.sources]
        assert page(again, checked.pictures) == page(from_plain(data), checked.pictures)
    # something of everything was in it
    one = from_plain(data)
    assert one.vocal is not None
    assert one.mix is not None
    assert any(source.moves for source in one.sources)
    assert any(source.findings for source in one.sources)


@pytest.mark.parametrize("key", ["sources", "show", "house", "first", "mix", "schema"])
def test_what_is_no_result_is_refused(checked, key):
    data = plain(checked.result)
    for spoilt in ({name: value for name, value in data.items() if name != key}, data | {key: object()}):
        with pytest.raises(ValueError, match=key):
            from_plain(spoilt)
    with pytest.raises(ValueError, match="CheckResult"):
        from_plain(None)


def test_failed_write_leaves_the_old_file(tmp_path):
    target = tmp_path / "x.json"
    write_atomically(target, "old")
    with pytest.raises(TypeError):
        write_atomically(target, 3)  # type: ignore[arg-type]
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["x.json"]
