"""The page and the terminal text: self-contained, well formed, escaped, saying what the result says."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import pytest
from rich.console import Console

from deskhand.files import write_atomically
from deskhand.findings import short, status_of, with_text
from deskhand.mix.clearance import ClearanceWithMoves
from deskhand.moves.answers import with_answers
from deskhand.moves.move import Move, Setting
from deskhand.moves.text import with_sentences
from deskhand.report.page import page
from deskhand.report.terminal import headline, line, print_result, voice_line
from deskhand.report.turns import entries_at
from deskhand.result import from_plain, plain, to_json
from tests.support.examples import example
from tests.support.schemas import assert_meets_schema

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


def printed(result) -> str:
    console = Console(file=io.StringIO(), width=400)
    print_result(result, console)
    return console.file.getvalue()


def test_what_comes_next_is_the_same_list_everywhere(checked):
    result = checked.result
    assert len(result.next) > 3
    terminal, html = printed(result), unescape(page(result, checked.pictures))
    things = [thing.text for thing in (*result.first, *result.next)]
    for number, text in enumerate(things, 1):
        assert f"  {number}. {text}" in terminal
        assert f"<li>{text}</li>" in html
    assert terminal.index("Next, if there is time:") < terminal.index(f"  4. {result.next[0].text}")
    assert f'<ol start="{len(result.first) + 1}">' in html
    assert [thing["text"] for thing in plain(result)["next"]] == things[3:]
    fixes = [finding.id for source in result.sources for finding in source.findings if finding.severity == "fix"]
    ids = [name for thing in (*result.first, *result.next) for name in (thing.finding, *thing.partners)]
    assert sorted(ids) == sorted(fixes)
    assert "Next, if there is time" not in printed(replace(result, next=()))


def giving_way(result):
    """The checked show in which the lead voice is covered, and an input that was well gives it room."""
    lead = next(source for source in result.sources if source.name == "lead voice")
    well = next(source for source in result.sources if source.status == "well")
    covered = with_text(example("vocal-covered", "listen", source=lead.name))
    move = Move(
        where="fader", block=None, index=None, on="both", settings={"fader": Setting(before=-3.0, after=-5.0, unit="dB")},
        who_hears=("house", "stream"), action="room-by-fader", facts={"change_db": -2.0},
    )  # fmt: skip
    [move] = with_answers([move], well.findings, [covered])
    move = with_sentences(move, ())
    changed = {
        lead.name: replace(lead, findings=(*lead.findings, covered)),
        well.name: replace(well, moves=(move,), status=status_of(well.findings, to_turn=True)),
    }
    sources = tuple(changed.get(source.name, source) for source in result.sources)
    return replace(result, sources=sources), changed[lead.name], changed[well.name], covered, move


def test_every_move_stands_under_its_own_finding(checked):
    """Also where the voice is what it is turned for, and another input gives way."""
    result, lead, guitar, covered, move = giving_way(checked.result)
    assert move.finding == covered.id
    for source in result.sources:
        for entry in entries_at(source, result):
            for turned in entry.moves:
                assert entry.finding is not None
                assert turned.move.finding == entry.finding.id
    at_lead = next(entry for entry in entries_at(lead, result) if entry.finding is covered)
    assert [line.text for line in at_lead.moves] == [f"{guitar.name}: {move.text}"]
    at_guitar = entries_at(guitar, result)[-1]
    assert (at_guitar.text, [line.text for line in at_guitar.moves]) == (f"lead voice: {short(covered)}", [move.text])
    # once in what the terminal prints to turn
    terminal = printed(result)
    assert terminal.count(move.text) == 1
    lines = terminal.splitlines()
    place = next(number for number, text in enumerate(lines) if move.text in text)
    assert lines[place - 1].strip() == f"lead voice: {short(covered)}"
    html = unescape(page(result, checked.pictures))
    card = html[html.index(f"<h2>{guitar.name}</h2>") :]
    assert card.index(f"lead voice: {short(covered)}") < card.index(move.text)


def test_what_is_to_be_turned_is_nowhere_called_well(checked):
    result, _, guitar, *_ = giving_way(checked.result)
    assert guitar.status == "adjust"
    assert all(source.status != "well" for source in result.sources if any(move.is_setting for move in source.moves))
    assert f"to adjust  {guitar.name}" in re.sub(r"  +", "  ", printed(result))
    assert f'<h2>{guitar.name}</h2>\n<span class="status status-adjust">to adjust</span>' in page(
        result, checked.pictures
    )
    quiet = replace(result, first=(), next=(), sources=(guitar,))
    assert headline(quiet) == "Nothing urgent; 1 input to adjust when there is time."
    assert from_plain(plain(quiet)).sources[0].status == "adjust"


def test_a_voice_that_others_give_way_for_is_not_called_clear_first(checked):
    vocal = checked.result.vocal
    length = vocal.phrases[0].end_s - vocal.phrases[0].start_s
    phrases = tuple(
        replace(vocal.phrases[0], start_s=at * length, end_s=(at + 1) * length, word=word)
        for at, word in enumerate(["clear"] * 6 + ["covered"] * 3 + ["strained"])
    )
    moves = ClearanceWithMoves(
        clearance_pct=vocal.clearance_pct, audible_pct=vocal.audible_pct, wanted_pct=60.0, gives_way=("guitar a",),
        change_db=1.0, plain_db=1.0, text="from 40 to 60 % audible when guitar a gives way",
    )  # fmt: skip
    told = voice_line(replace(vocal, phrases=phrases, with_moves=moves))
    assert told.startswith("lead voice: covered for 30 % of it (clear 60 %, strained 10 %)")
    assert voice_line(replace(vocal, phrases=phrases, with_moves=None)).startswith("lead voice: clear for 60 %")


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
