"""The weeks so far: courses out of kept takes, and what is shown of them: words, table, CSV, picture and page."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from deskhand.baseline.drift import LEAST_TAKES
from deskhand.baseline.normal import LEAST_PLAYING_S, judge_parts
from deskhand.baseline.weeks import Course, courses
from deskhand.report.weeks import course_picture, print_overview, print_source, table_rows, to_csv, weeks_page
from tests.support.hypotheses import examples
from tests.support.weeks import FIRST, HOUSE, PIANO, Weeks, part, row

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

few: Final = settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)
USUAL: Final = {"level_dbfs": -18.0, "articulation_db": 6.0, "tail_s": 0.8, "crest_db": 14.0}


def kept_of(
    rng: np.random.Generator, count: int, *, creep_db: float = 0.0, source: str = "piano", player: str | None = None
) -> Weeks:
    kept = Weeks()
    for at in range(count):
        off = 0.3 * rng.standard_normal(4)
        values = {
            "level_dbfs": USUAL["level_dbfs"] + creep_db * at + float(off[0]),
            "articulation_db": USUAL["articulation_db"] + float(off[1]),
            "tail_s": USUAL["tail_s"] * 2.0 ** (0.1 * float(off[2])),
            "crest_db": USUAL["crest_db"] + float(off[3]),
        }
        kept.add(part(source=source, player=player, values=values))
    return kept


def by_name(found: Sequence[Course]) -> Mapping[str, Course]:
    return {one.number.name: one for one in found}


def piano(rng: np.random.Generator, count: int = 14, **more: object) -> list[Course]:
    return courses(kept_of(rng, count, **more).baseline(), "piano", charts=7)


def shown(printed: object, *arguments: object) -> str:
    """What is printed at a wide terminal, without colours."""
    console = Console(file=io.StringIO(), width=200, color_system=None)
    printed(*arguments, console)
    return console.file.getvalue()


# courses


def test_each_number_over_the_takes_in_which_it_was_read(rng: np.random.Generator) -> None:
    kept = kept_of(rng, 12)
    # a take in which no tail could be read
    kept.kept[4] = (kept.kept[4][0], replace(kept.kept[4][1], values={"level_dbfs": (-17.0, None)}))
    found = by_name(courses(kept.baseline(), "piano", charts=7))
    assert set(found) == {"level", "articulation", "tail", "dynamics"}
    level, tail = found["level"], found["tail"]
    assert [take.id for take in level.takes] == list(range(1, 13))
    assert [take.id for take in tail.takes] == [1, 2, 3, 4, *range(6, 13)]
    np.testing.assert_allclose(tail.weeks, [0, 1, 2, 3, *range(5, 12)])
    np.testing.assert_allclose(level.values, [one.values["level_dbfs"][0] for _, one in kept.kept])
    # in seconds, not on the scale on which it is judged
    np.testing.assert_allclose(tail.values, [one.values["tail_s"][0] for _, one in kept.kept if "tail_s" in one.values])
    assert level.low < level.usual < level.high
    assert 0.0 < tail.low < tail.usual < tail.high


def test_the_range_is_that_of_a_check(rng: np.random.Generator) -> None:
    kept = kept_of(rng, 8)
    found = by_name(courses(kept.baseline(), "piano", charts=7))
    now = replace(kept.kept[-1][1], take=0)
    for one in judge_parts(kept.baseline(), [now])["piano"]:
        if one.name in found:
            course = found[one.name]
            assert (course.low, course.usual, course.high) == pytest.approx((one.low, one.expected, one.high))


def test_a_chart_from_so_many_takes_on(rng: np.random.Generator) -> None:
    assert all(one.chart is None for one in piano(rng, LEAST_TAKES - 1))
    assert all(one.chart is not None for one in piano(rng, LEAST_TAKES))


def test_nothing_of_a_source_that_was_never_kept(rng: np.random.Generator) -> None:
    assert courses(kept_of(rng, 5).baseline(), "organ", charts=7) == []


def test_weeks_in_which_it_hardly_played(rng: np.random.Generator) -> None:
    # a source that has only ever played for a moment has no range; that is no reason to fall over
    kept = Weeks()
    for _ in range(2):
        kept.add(part(PIANO, playing_s=LEAST_PLAYING_S - 1.0, values=USUAL))
    found = courses(kept.baseline(), "piano", charts=7)
    assert all(one.values.size == 2 for one in found)


def test_behind_the_chain_where_there_is_one(rng: np.random.Generator) -> None:
    kept = Weeks()
    for _ in range(3):
        kept.add(part(PIANO, values=USUAL), part(stage="after", chain="a", values={"crest_db": 9.0}))
    found = by_name(courses(kept.baseline(), "piano", charts=7))
    np.testing.assert_allclose(found["dynamics"].values, 9.0)
    np.testing.assert_allclose(found["level"].values, USUAL["level_dbfs"])


# table and CSV


def test_the_table_has_a_row_for_each_take(rng: np.random.Generator) -> None:
    kept = kept_of(rng, 3, player="Ana")
    kept.kept[1] = (kept.kept[1][0], replace(kept.kept[1][1], player=None, values={"level_dbfs": (-17.25, None)}))
    header, *body = table_rows(courses(kept.baseline(), "piano", charts=7))
    assert header == ["show", "player", "level", "articulation", "tail", "dynamics"]
    assert [cells[0] for cells in body] == [row(at).date for at in (1, 2, 3)]
    assert [cells[1] for cells in body] == ["Ana", "", "Ana"]
    assert body[1][2:] == ["−17.2", "", "", ""]
    # seconds are said to a hundredth, decibels to a tenth
    tail = kept.kept[0][1].values["tail_s"][0]
    assert float(body[0][4]) == pytest.approx(tail, abs=0.005)


def test_a_show_without_a_date_is_called_by_its_name() -> None:
    kept = Weeks()
    for _ in range(2):
        kept.add(part(PIANO, values=USUAL))
    kept.kept[1] = (row(2, when=None), kept.kept[1][1])
    _, *body = table_rows(courses(kept.baseline(), "piano", charts=7))
    assert {cells[0] for cells in body} == {FIRST.isoformat(), "week 2"}


def test_csv_reads_back_as_what_was_kept(rng: np.random.Generator) -> None:
    kept = kept_of(rng, 5, player="Ana")
    found = courses(kept.baseline(), "piano", charts=7)
    read = list(csv.DictReader(io.StringIO(to_csv({"piano": found}))))
    assert list(read[0]) == ["source", "date", "show", "player", "number", "value", "unit"]
    assert len(read) == sum(one.values.size for one in found) == 20
    for line in read:
        take = next(one for one in kept.kept if one[0].show == line["show"])
        assert line["source"] == "piano"
        assert line["player"] == "Ana"
        assert line["date"] == take[0].date
        # by the reading's own name
        assert float(line["value"]) == pytest.approx(take[1].values[line["number"]][0], rel=1e-5)
    units = {line["number"]: line["unit"] for line in read}
    assert units == {"level_dbfs": "dBFS", "articulation_db": "dB", "tail_s": "s", "crest_db": "dB"}


@given(name=st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=12))
@few
def test_no_cell_is_a_formula(name: str) -> None:
    # a player or source whose name begins like one must not be worked out by a spreadsheet
    kept = Weeks()
    for text in (name, f"={name}", f"+{name}", f"@{name}", f"-{name}"):
        kept.add(part(player=text, values={"level_dbfs": -18.0}))
    baseline = kept.baseline()
    cells = list(csv.DictReader(io.StringIO(to_csv({"piano": courses(baseline, "piano", charts=7)}))))
    for line, (_, one) in zip(cells, kept.kept, strict=True):
        assert line["value"] == "-18"
        # the name is still there to be read
        assert line["player"].removeprefix("'") == str(one.player).removeprefix("'")
        cell = line["player"]
        assert cell[0] not in "=@\t\r"
        if cell[0] in "+-":
            float(cell)


# the picture


def picture(course: Course) -> ET.Element:
    return ET.fromstring(course_picture(course))


def of_class(drawn: ET.Element, *names: str) -> list[ET.Element]:
    return [one for one in drawn.iter() if one.get("class") in names]


def place_of(dot: ET.Element) -> tuple[float, float]:
    """Centre of a dot, whether it is drawn round or square."""
    if "cx" in dot.attrib:
        return float(dot.attrib["cx"]), float(dot.attrib["cy"])
    sides = [float(dot.attrib[name]) for name in ("x", "y", "width", "height")]
    return sides[0] + sides[2] / 2, sides[1] + sides[3] / 2


@pytest.mark.parametrize("count", [pytest.param(count, id=f"{count}-takes") for count in (1, 2, 8, 9, 30)])
def test_a_picture_has_a_dot_for_each_take(rng: np.random.Generator, count: int) -> None:
    for course in piano(rng, count):
        drawn = picture(course)
        assert drawn.tag.endswith("svg")
        dots = of_class(drawn, "dot", "dot-out")
        assert len(dots) == count
        assert all(dot.find("title") is not None and dot.find("title").text for dot in dots)
        # later is further right, more is higher, and all is within the frame
        places = np.array([place_of(dot) for dot in dots])
        assert np.all(np.diff(places[:, 0]) > 0)
        if count > 1:
            # places are written to a tenth of a point
            line = np.polynomial.Polynomial.fit(course.values, places[:, 1], 1)
            np.testing.assert_allclose(line(course.values), places[:, 1], atol=0.11)
            assert line.convert().coef[1] < 0
        width, height = (float(side) for side in drawn.attrib["viewBox"].split()[2:])
        assert np.all((places > 0) & (places < [width, height]))
        # average and control limits from so many takes on
        lines = of_class(drawn, "average", "nominal")
        assert len(lines) == (3 if count >= LEAST_TAKES else 0)
        assert all(len(line.attrib["points"].split()) == count for line in lines)
        assert len(of_class(drawn, "band")) == 1


def test_what_is_out_is_drawn_as_such(rng: np.random.Generator) -> None:
    kept = kept_of(rng, 12)
    take, odd = kept.kept[5]
    kept.kept[5] = (take, replace(odd, values={**odd.values, "level_dbfs": (-9.0, None)}))
    course = by_name(courses(kept.baseline(), "piano", charts=7))["level"]
    outside = [value for value in course.values if not course.low <= value <= course.high]
    dots = of_class(picture(course), "dot-out")
    assert len(dots) == len(outside) >= 1
    assert "−9 dB" in dots[0].find("title").text


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, id=at)
        for at, name in {"marks": 'a "b" <c> & d', "quote": "O'Neil's", "words": "piano, left"}.items()
    ],
)
def test_names_do_not_break_the_picture(rng: np.random.Generator, name: str) -> None:
    kept = kept_of(rng, 10, source=name, player=name)
    (first, *_) = courses(kept.baseline(), name, charts=7)
    drawn = picture(first)
    assert drawn.attrib["aria-label"].startswith(f"{name}: level over 10 kept takes")
    assert of_class(drawn, "dot", "dot-out")[0].find("title").text.endswith(f", {name}")
    text = weeks_page(name, {name: [first]})
    assert "<c>" not in text


def test_takes_that_are_all_the_same_can_be_drawn() -> None:
    course = Course(
        source="piano",
        number=piano(np.random.default_rng(1), 1)[0].number,
        takes=(row(1), row(2)),
        players=(None, None),
        values=np.array([-18.0, -18.0]),
        weeks=np.array([0.0, 0.0]),
        low=-18.0,
        high=-18.0,
        usual=-18.0,
        chart=None,
    )
    for dot in of_class(picture(course), "dot", "dot-out"):
        assert np.all(np.isfinite(place_of(dot)))


# words


def test_what_creeps_is_said(rng: np.random.Generator) -> None:
    up, down = (by_name(piano(np.random.default_rng(6), 20, creep_db=creep_db))["level"] for creep_db in (0.5, -0.5))
    steady = by_name(piano(rng, 20))["level"]
    few_takes = by_name(piano(rng, 4))["level"]
    words = [picture(one).attrib["aria-label"].rpartition("; ")[2] for one in (up, down, steady, few_takes)]
    assert words[0].startswith("crept up by 0.")
    assert words[1].startswith("crept down by 0.")
    assert " dB a week for " in words[0]
    assert words[2:] == ["steady", "too few to tell"]


def test_the_overview_has_a_line_for_each_source(rng: np.random.Generator) -> None:
    creeping = piano(rng, 20, creep_db=0.5)
    text = shown(print_overview, {"piano": creeping, "organ": piano(rng, 20), "new": piano(rng, 2), "nothing": []})
    lines = {line.split()[0]: line for line in text.splitlines()}
    assert "level crept up by" in lines["piano"]
    assert " 20 " in lines["piano"]
    newest = creeping[0].values[-1]
    assert f"{newest:.1f}".replace("-", "−").rstrip("0").rstrip(".") in lines["piano"]
    assert lines["organ"].rstrip().endswith("nothing")
    assert lines["new"].rstrip().endswith("too few to tell")
    assert "–" in lines["nothing"]


def test_a_source_is_shown_with_its_newest_weeks(rng: np.random.Generator) -> None:
    found = piano(rng, 20)
    text = shown(print_source, found)
    for course in found:
        assert course.number.label in text
    assert "steady" in text
    assert row(20).date in text
    # the oldest are in the table and on the page; here only as what a drift is told against
    assert not [line for line in text.splitlines() if line.startswith(row(1).date)]
    assert f"against the weeks from {row(1).date}" in text
    assert "older ones" in text
    assert "older ones" not in shown(print_source, piano(rng, 5))


def test_the_page_shows_every_number(rng: np.random.Generator) -> None:
    found = {
        "piano": piano(rng, 12),
        "bass <low>": courses(kept_of(rng, 3, source="bass <low>").baseline(), "bass <low>", charts=7),
    }
    text = weeks_page(HOUSE, found)
    assert text.count("<svg ") == sum(len(one) for one in found.values()) == 8
    assert f"<title>{HOUSE}: the weeks so far</title>" in text
    assert "bass &lt;low&gt;" in text
    assert "bass <low>" not in text
    # one row a take and one of headings, for each source
    assert text.count("<tr>") == 12 + 1 + 3 + 1
    # it is read without a network
    assert "http" not in text
