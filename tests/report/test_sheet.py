"""The printed settings sheet: what it says, what changed, its curves, its pages, its bytes, its table, and the command.

The PDF is read by a small reader of this file, which knows the format (ISO 32000-1) and nothing of how the page was made.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.desk import EarlierMove
from deskhand.findings.kinds import KINDS
from deskhand.house import HouseFile, make_block, parse_house, read_house
from deskhand.report.sheet import (
    POINTS,
    SPAN_DB,
    Sheet,
    find_since,
    headline,
    make_sheet,
    response_db,
    sheet_csv,
    sheet_pages,
    sheet_pdf,
    sheet_png,
    since_name,
)
from deskhand.report.sheet.curves import sketch_points
from deskhand.tasks.check import ShowCheck
from deskhand.tasks.week import week_text
from tests.support.examples import example

HOSTILE = [
    '#let x = 1; [a] $b$ *c* _d_ `e` \\ "f" <g> @h',
    "a // b /* c */ - + = ~",
    "#sys.inputs.sheet",
    "&amp; <script>",
    "Ωμέγα Ёж",
]
FORMULAS = ['=HYPERLINK("x")', "+1", "-1", "@SUM(1)", " =1", "\t=1", "1-2", "3/4/25"]


@pytest.fixture(scope="module")
def checked(checked_show) -> ShowCheck:
    return checked_show("show-2026-03-01")


@pytest.fixture(scope="module")
def sheet(checked: ShowCheck) -> Sheet:
    house = parse_house(week_text(checked), Path("house.toml"))
    return make_sheet(
        checked.result, house, since=read_house(checked.house_file), since_name="last week", notes=["Lid half open."]
    )


def house_of(*sources: dict, name: str = "Tern Street Hall", desk: dict | None = None) -> HouseFile:
    """JSON's strings, numbers and lists are TOML's too; a dict is an inline table."""

    def written(value: object) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{key} = {written(one)}" for key, one in value.items()) + "}"
        if isinstance(value, list):
            return "[" + ", ".join(map(written, value)) + "]"
        return json.dumps(value, ensure_ascii=False)

    lines = ["[house]", f"name = {written(name)}"]
    if desk:
        lines += ["[desk]", *(f"{key} = {written(value)}" for key, value in desk.items())]
    for place, source in enumerate(sources):
        whole = {"role": "other", "tracks": [f"t{place} {n}" for n in range(source.pop("width", 1))], **source}
        lines += ["[[source]]", *(f"{key} = {written(value)}" for key, value in whole.items())]
    return parse_house("\n".join(lines), Path("house.toml"))


def band(count: int) -> HouseFile:
    """Inputs as a band has them: a high-pass, one or two bells, a compressor on every third."""
    sources = []
    for at in range(count):
        chain = [
            {"block": "high-pass", "frequency": f"{40 + 5 * at} Hz"},
            {"block": "bell", "frequency": f"{250 + 20 * at} Hz", "gain": "-2.5 dB", "q": 1.4},
        ]
        if at % 2:
            chain.append({"block": "bell", "frequency": "2.5 kHz", "gain": "2 dB"})
        if at % 3 == 0:
            chain.append({"block": "compressor", "threshold": "-18 dBFS", "reduction": "1 to 4 dB"})
        sources.append(
            {
                "name": f"input {chr(97 + at % 26)}{at // 26}",
                "channel": str(at + 1),
                "patch": f"stage box A {at + 1}",
                "fader": f"{-at / 2} dB",
                "chain": chain,
            }
        )
    return house_of(*sources)


# --- a small reader of PDF ---------------------------------------------------------------------------------------------


# a literal string, with balanced brackets in it as deep as two
LITERAL = rb"\((?:\\.|[^\\()]|\((?:\\.|[^\\()]|\((?:\\.|[^\\()])*\))*\))*\)"


def pdf_objects(data: bytes) -> dict[int, bytes]:
    """Number to dictionary, and its stream where it has one, unpacked (ISO 32000-1, 7.3.8 and 7.5.7)."""
    found: dict[int, bytes] = {}
    for match in re.finditer(rb"(\d+) 0 obj\s(.*?)endobj", data, re.DOTALL):
        body = match[2]
        head, stream, rest = body.partition(b"stream")
        if stream and b"FlateDecode" in head:
            plain = zlib.decompressobj().decompress(rest.lstrip(b"\r\n"))
            if b"/ObjStm" in head:
                first = int(re.search(rb"/First (\d+)", head)[1])
                numbers = list(map(int, plain[:first].split()))
                ends = [*numbers[3::2], len(plain) - first]
                for number, begin, end in zip(numbers[::2], numbers[1::2], ends, strict=True):
                    found[number] = plain[first + begin : first + end]
                continue
            body = head + b"stream\n" + plain
        found[int(match[1])] = body
    return found


def pdf_fonts(objects: dict[int, bytes], page: bytes) -> dict[bytes, dict[int, str]]:
    """Name of each font of a page to what its codes stand for (9.10.3)."""
    named = objects[int(re.search(rb"/Resources (\d+) 0 R", page)[1])]
    out = {}
    for name, number in re.findall(rb"/(\w+) (\d+) 0 R", re.search(rb"/Font\s*<<(.*?)>>", named, re.DOTALL)[1]):
        cmap = objects[int(re.search(rb"/ToUnicode (\d+) 0 R", objects[int(number)])[1])]
        out[name] = {
            int(code, 16): bytes.fromhex(text.decode()).decode("utf-16-be")
            for part in re.findall(rb"beginbfchar(.*?)endbfchar", cmap, re.DOTALL)
            for code, text in re.findall(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", part)
        }
    return out


def pdf_drawn(data: bytes) -> list[tuple[dict[bytes, dict[int, str]], bytes]]:
    """The fonts and the content of each page."""
    objects = pdf_objects(data)
    pages = [body for body in objects.values() if re.search(rb"/Type\s*/Page\b", body)]
    return [(pdf_fonts(objects, page), objects[int(re.search(rb"/Contents (\d+) 0 R", page)[1])]) for page in pages]


def pdf_text(data: bytes) -> str:
    """What is written on the pages, without spaces, in the order it is drawn."""
    out = []
    for fonts, body in pdf_drawn(data):
        table: dict[int, str] = {}
        for token in re.finditer(rb"/(\w+) [\d.]+ Tf|<([0-9A-Fa-f]+)>|(" + LITERAL + rb")", body, re.DOTALL):
            if token[1]:
                table = fonts[token[1]]
                continue
            raw = bytes.fromhex(token[2].decode()) if token[2] else unescaped(token[3][1:-1])
            out += [table.get(int.from_bytes(raw[at : at + 2], "big"), "") for at in range(0, len(raw), 2)]
    return re.sub(r"[\s\u200b\u00a0]", "", "".join(out))


def unescaped(raw: bytes) -> bytes:
    """A literal string (ISO 32000-1, 7.3.4.2)."""
    simple = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}
    return re.sub(
        rb"\\(?:([0-7]{1,3})|(.))",
        lambda it: bytes([int(it[1], 8)]) if it[1] else simple.get(it[2], it[2]),
        raw,
        flags=re.DOTALL,
    )


def pdf_pages(data: bytes) -> list[tuple[float, float]]:
    """Width and height in points of each page."""
    out = []
    for body in pdf_objects(data).values():
        if re.search(rb"/Type\s*/Page\b", body):
            box = re.search(rb"/MediaBox\s*\[([^\]]*)\]", body)
            left, low, right, high = map(float, box[1].split())
            out.append((right - left, high - low))
    return out


def squeezed(text: str) -> str:
    return re.sub(r"\s", "", text)


# --- what it says ------------------------------------------------------------------------------------------------------


def test_the_page_says_all_that_is_in_the_house_file(sheet, checked):
    text = pdf_text(sheet_pdf(sheet))
    house = parse_house(week_text(checked), Path("house.toml"))
    for source in house.source:
        player = checked.result.show.players.get(source.name, "")
        for piece in (source.patch, source.name + player, source.channel):
            assert squeezed(str(piece)) in text
        for block in source.chain:
            hz = getattr(block, "frequency_hz", None)
            if hz is not None:
                assert (f"{hz / 1000:g}kHz" if hz >= 1000 else f"{hz:g}Hz") in text
    for piece in (
        "high-pass 100 Hz, 18 dB/oct; bell 300 Hz −2 dB, q 1",
        "compressor −24 dBFS, 2.5:1, knee 6 dB, attack 10 ms, release 150 ms, for 1 to 4 dB of gain reduction",
        "gate −36 dBFS, range −12 dB, attack 1 ms, hold 50 ms, release 250 ms, hysteresis 3 dB",
        "mid −1.5 dB, side 0 dB",
        "Lid half open.",
        "A person makes every change",
        "tell the stage first",
        "Tern Street Hall",
        "2026-03-01",
        f"written by deskhand {checked.result.deskhand}",
    ):
        assert squeezed(piece) in text, piece


def test_moves_of_the_week_are_on_it_and_marked(sheet):
    rows = {row.name: row for row in sheet.rows}
    # planted in the demo: guitar b has a side upside down, voice 3 is 9 dB too soft (truth.json of the show)
    assert [one.text for one in rows["guitar b"].settings if one.change == "new"] == ["right: polarity reversed"]
    moved = [one for one in rows["voice 3"].settings if one.change == "new"]
    assert [one.text.split()[0] for one in moved] == ["trim"]
    assert rows["voice 3"].cautions == ("tell the stage first", "mind feedback")
    assert not rows["kick"].changed
    assert headline(sheet).startswith("Changed since last week")
    for name, row in rows.items():
        assert (name in headline(sheet)) == row.changed


def test_left_to_do_is_the_status_and_its_kinds(sheet, checked):
    for source in checked.result.sources:
        row = next((one for one in sheet.rows if one.name == source.name), None)
        if row is None:
            continue
        assert bool(row.to_do) == (source.status not in ("well", "adjust"))
        for finding in source.findings:
            if finding.kind == source.status:
                assert row.to_do.startswith(finding.kind)
            else:
                assert (KINDS[finding.kind].words in row.to_do) == (finding.severity == source.status)


def test_inputs_stand_in_the_order_of_the_desk(checked):
    house = house_of(
        *({"name": f"s{one}", "channel": one} for one in ("10", "2", "9/10", "1", "B 2", "B 10")), {"name": "z"}
    )
    made = make_sheet(checked.result, house, since=None)
    assert [row.channel.text for row in made.rows] == ["1", "2", "9/10", "10", "B 2", "B 10", "–"]


def test_unused_inputs_are_left_out_and_unclaimed_tracks_are_said(checked):
    house = house_of({"name": "a"}, {"name": "b", "used": False})
    stray = replace(
        checked.result.sources[0],
        name="stray",
        findings=(example("unmatched-track", "note", source="stray"),),
    )
    made = make_sheet(replace(checked.result, sources=(stray,)), house, since=None)
    assert [row.name for row in made.rows] == ["a"]
    assert made.unclaimed == ("stray",)
    assert "stray" in pdf_text(sheet_pdf(made))


# --- what changed ------------------------------------------------------------------------------------------------------


def changes(new: list[dict], old: list[dict], result, **keys) -> list[tuple[str, str, str]]:
    made = make_sheet(
        result, house_of({"name": "a", "chain": new, **keys}), since=house_of({"name": "a", "chain": old, **keys})
    )
    return [(one.text, one.change, one.was) for one in made.rows[0].settings]


def bell(frequency: str, gain: str, **more) -> dict:
    return {"block": "bell", "frequency": frequency, "gain": gain, **more}


@pytest.mark.parametrize(
    ("new", "old", "expected"),
    [
        pytest.param([bell("400 Hz", "-3 dB")], [bell("400 Hz", "-1.5 dB")], [("changed", "−1.5 dB")], id="gain"),
        pytest.param([bell("400 Hz", "-3 dB")], [bell("315 Hz", "-3 dB", q=2)], [("changed", "315 Hz, q 2")], id="two"),
        pytest.param([bell("400 Hz", "-3 dB")], [bell("400 Hz", "-3 dB")], [("same", "")], id="same"),
        pytest.param([bell("400 Hz", "-3 dB")], [], [("new", "")], id="new"),
        pytest.param([], [bell("400 Hz", "-3 dB")], [("out", "")], id="out"),
        # what stands in front does not make the rest another one
        pytest.param(
            [bell("100 Hz", "2 dB"), bell("400 Hz", "-3 dB"), bell("4 kHz", "1 dB")],
            [bell("400 Hz", "-3 dB"), bell("3.8 kHz", "1 dB")],
            [("new", ""), ("same", ""), ("changed", "3.8 kHz")],
            id="inserted",
        ),
        pytest.param(
            [{"block": "compressor", "threshold": "-10 dBFS"}, {"block": "compressor", "threshold": "-20 dBFS"}],
            [{"block": "compressor", "threshold": "-20 dBFS"}],
            [("new", ""), ("same", "")],
            id="the-same-first",
        ),
        pytest.param(
            [{"block": "compressor", "threshold": "-20 dBFS", "makeup": "2 dB"}],
            [{"block": "compressor", "threshold": "-20 dBFS"}],
            [("changed", "no makeup")],
            id="added",
        ),
        # a bell of the left leg is no change of the right one's
        pytest.param(
            [bell("400 Hz", "-3 dB", on="left")],
            [bell("400 Hz", "-2 dB", on="right")],
            [("new", ""), ("out", "")],
            id="other-leg",
        ),
    ],
)
def test_changes_are_told_block_by_block(new, old, expected, checked):
    assert [(change, was) for _, change, was in changes(new, old, checked.result)] == expected


def test_places_faders_new_and_gone_inputs(checked):
    new = house_of({"name": "a", "channel": "1", "patch": "radio 1", "fader": "-3 dB"}, {"name": "b"})
    old = house_of({"name": "a", "channel": "2", "patch": "radio 2", "fader": "-5 dB"}, {"name": "c"})
    made = make_sheet(checked.result, new, since=old, since_name="the week of 2026-02-22")
    row, added = made.rows
    assert (row.channel.was, row.patch.was, row.fader.was) == ("2", "radio 2", "−5 dB")
    assert added.new
    assert made.gone == ("c",)
    text = pdf_text(sheet_pdf(made))
    for piece in ("radio 1was radio 2", "−3 dBwas −5 dB", "b (new)", "No longer there: c."):
        assert squeezed(piece) in text


def test_page_and_table_tell_every_change_with_what_it_was(checked):
    new = house_of({"name": "a", "fader": "-3 dB", "chain": [bell("400 Hz", "-3 dB"), {"block": "limiter"}]})
    old = house_of(
        {"name": "a", "fader": "-5 dB", "chain": [bell("400 Hz", "-1 dB"), {"block": "gate", "threshold": "-40 dBFS"}]}
    )
    made = make_sheet(checked.result, new, since=old)
    text = pdf_text(sheet_pdf(made))
    for piece in ("bell 400 Hz −3 dB, q 1 (was −1 dB)", "release 100 ms (new)", "taken out: gate −40 dBFS"):
        assert squeezed(piece) in text
    (line,) = csv.DictReader(io.StringIO(sheet_csv(made)))
    told = line["was"].split("; ")
    assert told[0] == "bell 400 Hz -3 dB, q 1: was -1 dB"
    assert told[1] == "limiter, ceiling -1 dBFS, release 100 ms: new"
    assert told[2].startswith("gate -40 dBFS")
    assert told[2].endswith(": taken out")
    assert told[3] == "fader was -5 dB"
    assert line["dynamics"] == "limiter, ceiling -1 dBFS, release 100 ms"


def test_without_an_old_house_nothing_is_said_of_changes(checked):
    made = make_sheet(checked.result, band(3), since=None)
    assert not any(row.changed or row.cautions for row in made.rows)
    assert headline(made) == ""
    assert {line["changed"] for line in csv.DictReader(io.StringIO(sheet_csv(made)))} == {""}
    same = make_sheet(checked.result, band(3), since=band(3), since_name="last week")
    assert headline(same) == "Nothing changed since last week."


def test_notes_are_nothing_left_to_do(checked):
    hum, step = (example(kind, severity, source="a") for kind, severity in (("hum", "fix"), ("sound-step", "note")))
    source = replace(checked.result.sources[0], name="A", status="fix", findings=(step, hum))
    made = make_sheet(replace(checked.result, sources=(source,)), house_of({"name": "a"}), since=None)
    assert made.rows[0].to_do == f"to fix: {KINDS['hum'].words}"


@pytest.mark.parametrize(
    ("monitors", "block", "told"),
    [
        ("after-gain", {"block": "trim", "gain": "-2 dB"}, True),
        ("after-gain", {"block": "high-pass", "frequency": "80 Hz"}, True),
        ("after-gain", bell("400 Hz", "-2 dB"), False),
        ("preamp", {"block": "trim", "gain": "-2 dB"}, False),
        ("preamp", {"block": "gain", "gain": "-2 dB"}, True),
        ("after-chain", bell("400 Hz", "-2 dB"), True),
    ],
)
def test_the_stage_is_told_where_its_mixes_follow(monitors, block, told, checked):
    new = house_of({"name": "a", "chain": [block]}, desk={"monitors": monitors})
    made = make_sheet(checked.result, new, since=house_of({"name": "a"}))
    assert made.rows[0].cautions == (("tell the stage first",) if told else ())


def test_feedback_is_minded_at_open_microphones_that_get_louder(checked):
    def cautions(role, new, old):
        made = [house_of({"name": "a", "role": role, "chain": one}) for one in (new, old)]
        return make_sheet(checked.result, made[0], since=made[1]).rows[0].cautions

    assert cautions("lead vocal", [bell("4 kHz", "1 dB")], [bell("4 kHz", "-1 dB")]) == ("mind feedback",)
    assert cautions("lead vocal", [bell("4 kHz", "-2 dB")], [bell("4 kHz", "-1 dB")]) == ()
    assert cautions("lead vocal", [], [bell("4 kHz", "-6 dB")]) == ("mind feedback",)
    assert cautions("keys", [bell("4 kHz", "1 dB")], []) == ()

    def made_up(makeup):
        return {"block": "compressor", "threshold": "-24 dBFS", "makeup": makeup}

    # make-up gain is gain
    assert cautions("lead vocal", [made_up("4 dB")], [made_up("2 dB")]) == ("mind feedback",)
    assert cautions("lead vocal", [made_up("2 dB")], [made_up("4 dB")]) == ()


# --- the input ---------------------------------------------------------------------------------------------------------

INPUT = {
    "preamp": "46 dB",
    "pad": "20 dB",
    "phantom": True,
    "microphone": "condenser",
    "stand": "tall boom",
    "player": "Selma",
    "group": "band",
    "effects": ["hall", "echo"],
    "send": [{"mix": "wedge 1", "level": "-6 dB"}, {"mix": "lobby", "level": "3 dB", "after_fader": True}],
}


def test_the_input_is_the_whole_setting(checked):
    made = make_sheet(checked.result, house_of({"name": "a", **INPUT}, {"name": "b", "pad": "0 dB"}), since=None)
    text = pdf_text(sheet_pdf(made))
    for piece in (
        "Patch, microphone", "aSelma", "condenser, tall boom", "46 dB", "pad −20 dB", "48 V on", "pad out", "group: band",
        "effects: hall, echo", "sends: wedge 1 −6 dB pre-fader, lobby +3 dB post-fader", "Phantom power: mute before switching",
    ):  # fmt: skip
        assert squeezed(piece) in text, piece
    line, _ = csv.DictReader(io.StringIO(sheet_csv(made)))
    assert {name: line[name] for name in ("player", "microphone", "stand", "preamp", "phantom")} == {
        "player": "Selma", "microphone": "condenser", "stand": "tall boom", "preamp": "46 dB", "phantom": "48 V on",
    }  # fmt: skip
    # who plays in this show goes before who usually does
    result = replace(checked.result, show=replace(checked.result.show, players={"a": "Ana"}))
    assert make_sheet(result, house_of({"name": "a", **INPUT}), since=None).rows[0].player == "Ana"


def test_what_nobody_filled_is_not_printed(checked):
    made = make_sheet(checked.result, house_of({"name": "a"}), since=None)
    text = pdf_text(sheet_pdf(replace(made, jobs=())))
    for piece in ("microphone,", "Preamp", "48V", "sends", "Phantom", "Turned", "Open jobs", "Limit", "Fader of"):
        assert squeezed(piece) not in text, piece
    (line,) = csv.DictReader(io.StringIO(sheet_csv(made)))
    assert not {"microphone", "stand", "preamp", "pad", "phantom", "group", "effects", "sends"} & set(line)


def test_changes_of_the_input_are_marked(checked):
    new = house_of({"name": "a", **INPUT | {"preamp": "40 dB", "microphone": "ribbon", "group": "choir"}})
    old = {key: value for key, value in INPUT.items() if key not in ("stand", "group")}
    made = make_sheet(checked.result, new, since=house_of({"name": "a", **old | {"effects": []}}))
    (row,) = made.rows
    assert row.changed
    assert (row.preamp.was, row.microphone.was, row.sends.was) == ("46 dB", "condenser", "")
    assert (row.stand.is_new, row.group.is_new, row.effects.is_new, row.pad.changed) == (True, True, True, False)
    text = pdf_text(sheet_pdf(made))
    for piece in ("40 dBwas 46 dB", "ribbonwas condenser", "choir (new)"):
        assert squeezed(piece) in text, piece
    (line,) = csv.DictReader(io.StringIO(sheet_csv(made)))
    assert "preamp was 46 dB" in line["was"]
    assert "group choir: new" in line["was"]


@pytest.mark.parametrize(
    ("new", "old", "role", "expected"),
    [
        pytest.param({"phantom": True}, {"phantom": False}, "keys", {"mute before switching phantom power"}, id="switched"),
        pytest.param({"phantom": True}, {"phantom": True}, "keys", set(), id="stays"),
        pytest.param({"preamp": "40 dB"}, {"preamp": "43 dB"}, "lead vocal", {"tell the stage first"}, id="down"),
        pytest.param(
            {"preamp": "43 dB"}, {"preamp": "40 dB"}, "lead vocal", {"tell the stage first", "mind feedback"}, id="up"
        ),
        pytest.param({"preamp": "43 dB"}, {}, "lead vocal", set(), id="only-written-down"),
        pytest.param(
            {"pad": "0 dB"}, {"pad": "20 dB"}, "lead vocal", {"tell the stage first", "mind feedback"}, id="pad-out"
        ),
        pytest.param(
            {"send": [{"mix": "w", "level": "-3 dB"}]}, {"send": [{"mix": "w", "level": "-6 dB"}]}, "lead vocal",
            {"tell the stage first", "mind feedback"}, id="wedge-up",
        ),
        pytest.param(
            {"phantom": True, "microphone": "Ribbon, old"}, {"phantom": True, "microphone": "Ribbon, old"}, "keys",
            {"phantom power on a ribbon microphone: only if its maker allows it"}, id="ribbon",
        ),
    ],
)  # fmt: skip
def test_cautions_of_the_input(new, old, role, expected, checked):
    """Usual cautions: common practice, no source."""
    made = make_sheet(
        checked.result, house_of({"name": "a", "role": role, **new}), since=house_of({"name": "a", "role": role, **old})
    )
    assert set(made.rows[0].cautions) == expected


def test_a_preamp_that_is_to_be_turned_says_from_and_to(checked):
    (loud,) = [one for one in checked.result.sources if any(move.where == "preamp" for move in one.moves)]
    (turn,) = [move.settings["gain"].after for move in loud.moves if move.where == "preamp"]
    made = make_sheet(checked.result, house_of({"name": loud.name, "preamp": "30 dB"}), since=None)
    assert f"from 30 dB to {30 + turn:g} dB".replace("-", "−") in made.rows[0].to_do


def test_limits_of_the_house_are_on_it(checked):
    house = parse_house(
        '[house]\nname = "x"\n[room]\nlevel = "88 dBA"\nmix_loudness = "-23 LUFS"\nlimit = "95 dBA"\n'
        '[[source]]\nname = "a"\nrole = "lead vocal"\ntracks = ["a"]\n[vocal]\nsource = "a"\nmargin = "3 dB"\n',
        Path("house.toml"),
    )
    text = pdf_text(sheet_pdf(make_sheet(checked.result, house, since=None)))
    assert squeezed("Limit at the mix position: 95 dBA.") in text
    assert squeezed("Fader of a: at most 3 dB up, then bring others down.") in text


# --- what was turned, and what is open ---------------------------------------------------------------------------------


def earlier(fate: str) -> EarlierMove:
    return EarlierMove(
        source="a", move="a/trim", fate=fate, said_by="Mara", said_at="2026-03-01T18:00:00+00:00", number=1,
        text="turn its trim up by 3 dB", remark=f"{fate} at 18:00",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("fate", "is_turned"),
    [("done", True), ("confirmed", True), ("unseen", True), ("declined", False), ("contradicted", False)],
)
def test_a_move_is_turned_or_open(fate, is_turned, checked):
    source = replace(checked.result.sources[0], name="a", findings=(), moves=(), earlier_moves=(earlier(fate),))
    made = make_sheet(
        replace(checked.result, sources=(source,)), house_of({"name": "a"}), since=None, jobs=["new cable"]
    )
    line = f"a: turn its trim up by 3 dB ({fate} at 18:00)"
    assert made.turned == ((line,) if is_turned else ())
    assert made.jobs == ((() if is_turned else (line,)) + ("new cable",))
    text = pdf_text(sheet_pdf(made))
    assert (squeezed("Turned today") in text) == is_turned
    assert squeezed("Open jobs") in text


def test_open_jobs_are_the_rig_s_what_is_beyond_the_desk_and_what_was_left_alone(checked):
    hum = replace(example("hum", "fix", source="a"))
    dull = replace(example("tone", "note", source="b"), dismissed="tonight")
    sources = (
        replace(checked.result.sources[0], name="a", findings=(hum,), moves=(), earlier_moves=(), left_over=()),
        replace(
            checked.result.sources[0], name="b", findings=(dull,), moves=(), earlier_moves=(), left_over=("stays",)
        ),
    )
    made = make_sheet(replace(checked.result, sources=sources), house_of({"name": "a"}), since=None)
    assert made.jobs == (
        f"a: {KINDS['hum'].words} (rig)",
        f"b: stays; {KINDS['tone'].words}, left alone tonight",
    )


# --- the curves --------------------------------------------------------------------------------------------------------


def cookbook(kind: str, hz: float, gain_db: float, q: float) -> tuple[np.ndarray, np.ndarray]:
    """Analogue prototypes of the Audio EQ Cookbook (W3C Working Group Note, 8 June 2021), written out again here."""
    w, a = 2 * np.pi * hz, 10 ** (gain_db / 40)
    b, d = {
        "bell": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low-shelf": ([a, a * np.sqrt(a) / q, a * a], [a, np.sqrt(a) / q, 1]),
        "high-shelf": ([a * a, a * np.sqrt(a) / q, a], [1, np.sqrt(a) / q, a]),
    }[kind]
    powers = np.array([w**-2, 1 / w, 1])
    return b * powers, d * powers


@pytest.mark.source("Audio EQ Cookbook (W3C Working Group Note, 8 June 2021), through scipy.signal.freqs")
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_curve_is_the_filters_response(rate_hz, checked):
    chain = [
        {"block": "high-pass", "frequency": "90 Hz", "slope": "18 dB/oct"},
        bell("400 Hz", "-6 dB", q=2),
        {"block": "low-shelf", "frequency": "150 Hz", "gain": "3 dB"},
        {"block": "high-shelf", "frequency": "6 kHz", "gain": "4 dB"},
        {"block": "compressor", "threshold": "-20 dBFS"},
        {"block": "low-pass", "frequency": "12 kHz"},
    ]
    result = replace(checked.result, show=replace(checked.result.show, sample_rate_hz=rate_hz))
    made = make_sheet(result, house_of({"name": "a", "chain": chain}), since=None)
    hz = np.array(made.frequency_hz)
    assert hz.size == POINTS
    assert (hz[0], round(hz[-1])) == (20.0, 20000)
    w = 2 * np.pi * hz
    total = np.ones(hz.size, complex)
    for b, a in (
        scipy.signal.butter(3, 2 * np.pi * 90, "highpass", analog=True),
        scipy.signal.butter(2, 2 * np.pi * 12000, "lowpass", analog=True),
        cookbook("bell", 400, -6, 2),
        cookbook("low-shelf", 150, 3, 0.707),
        cookbook("high-shelf", 6000, 4, 0.707),
    ):
        total *= scipy.signal.freqs(b, a, w)[1]
    (curve,) = made.rows[0].curves
    # 0.5 dB is less than a line's width on paper; what the filters miss their shapes by is in docs/validation-chain.md
    assert np.abs(np.array(curve.gain_db) - 20 * np.log10(np.abs(total))).max() < 0.5


@pytest.mark.source("scipy.signal.sosfreqz of a filter's own sections")
def test_legs_of_a_pair_have_their_own_curves(checked):
    from deskhand.chain.blocks import filter_sos

    chain = [bell("1 kHz", "6 dB", on="left"), bell("3 kHz", "-4 dB", on="right"), bell("200 Hz", "2 dB")]
    made = make_sheet(checked.result, house_of({"name": "a", "width": 2, "chain": chain}), since=None)
    curves = {one.on: np.array(one.gain_db) for one in made.rows[0].curves}
    assert list(curves) == ["left", "right"]
    rate_hz = checked.result.show.sample_rate_hz
    for leg, at in (("left", (0, 2)), ("right", (1, 2))):
        sos = np.concatenate([filter_sos(make_block(chain[one]), rate_hz) for one in at])
        _, wanted = scipy.signal.sosfreqz(sos, np.array(made.frequency_hz), fs=rate_hz)
        np.testing.assert_allclose(curves[leg], 20 * np.log10(np.abs(wanted)), atol=0.006)
    assert "dashed: right" in made.rows[0].sketch
    sides = make_sheet(
        checked.result, house_of({"name": "a", "width": 2, "chain": [bell("1 kHz", "6 dB", on="mid")]}), since=None
    )
    assert [(one.on, round(max(one.gain_db), 1)) for one in sides.rows[0].curves] == [("mid", 6.0), ("side", 0.0)]


def test_no_equaliser_no_curve_and_dynamics_do_nothing(checked):
    chain = [{"block": "compressor", "threshold": "-20 dBFS"}, {"block": "trim", "gain": "6 dB"}]
    made = make_sheet(checked.result, house_of({"name": "a", "chain": chain}), since=None)
    assert made.rows[0].curves == ()
    flat = response_db(
        [make_block(one) for one in chain], on="both", frequency_hz=np.array([100.0, 1e3]), sample_rate_hz=48000
    )
    assert flat.tolist() == [0.0, 0.0]


def test_what_is_drawn_is_the_curve(checked):
    made = make_sheet(checked.result, house_of({"name": "a", "chain": [bell("1 kHz", "-6 dB", q=5)]}), since=None)
    gain_db = np.array(made.rows[0].curves[0].gain_db)
    points = np.array(sketch_points(made.frequency_hz, gain_db))
    assert 5 < len(points) < POINTS / 2
    across = np.log(np.array(made.frequency_hz) / 20) / np.log(1000)
    drawn_db = (0.5 - np.interp(across, points[:, 0], points[:, 1])) * 2 * SPAN_DB
    # 0.004 of 24 dB, and the rounding of both ends
    assert np.abs(drawn_db - gain_db).max() < 0.11


def test_sketches_are_told_in_words_in_the_file(sheet):
    told = b"".join(pdf_objects(sheet_pdf(sheet)).values())
    alts = re.findall(rb"/Alt\s*(" + LITERAL + rb"|<[0-9A-Fa-f]+>)", told, re.DOTALL)
    read = [
        (bytes.fromhex(one[1:-1].decode()) if one[:1] == b"<" else unescaped(one[1:-1])).removeprefix(b"\xfe\xff")
        for one in alts
    ]
    words = {one.decode("utf-16-be") if b"\0" in one else one.decode("latin-1") for one in read}
    assert {row.sketch for row in sheet.rows if row.sketch} <= words
    assert b"/Lang" in told
    assert b"StructTreeRoot" in told


# --- paper, pages, bytes -----------------------------------------------------------------------------------------------


@pytest.mark.source("ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: A (letter) is 8.5 x 11 in")
@pytest.mark.parametrize(
    ("paper", "wide_pt", "high_pt"), [("a4", 297 / 25.4 * 72, 210 / 25.4 * 72), ("letter", 792, 612)]
)
def test_paper(paper, wide_pt, high_pt, checked):
    (size,) = pdf_pages(sheet_pdf(make_sheet(checked.result, band(4), since=None, paper=paper)))
    assert size == pytest.approx((wide_pt, high_pt), abs=0.1)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(("count", "pages"), [(1, 1), (12, 1), (16, 1), (32, 2), (64, 4)])
def test_pages(count, pages, paper, checked):
    made = make_sheet(checked.result, band(count), since=None, paper=paper)
    pdf = sheet_pdf(made)
    assert len(pdf_pages(pdf)) == sheet_pages(made) == pages
    text = pdf_text(pdf)
    for row in made.rows:
        assert squeezed(row.name) in text


@pytest.mark.parametrize(("count", "pages"), [(4, 1), (32, 2)])
def test_pictures_of_the_pages(count, pages, checked):
    made = sheet_png(make_sheet(checked.result, band(count), since=None, paper="letter"), pixels_per_inch=50)
    assert len(made) == pages
    for one in made:
        # width and height in the header chunk (ISO/IEC 15948, 11.2.2), of 11 x 8.5 in
        assert one.startswith(b"\x89PNG")
        assert [int.from_bytes(one[at : at + 4], "big") for at in (16, 20)] == [550, 425]


def test_a_chain_longer_than_a_page_runs_on(checked):
    chain = [bell(f"{100 + at} Hz", "-1 dB") for at in range(400)]
    made = make_sheet(checked.result, house_of({"name": "a", "chain": chain}), since=None)
    assert sheet_pages(made) >= 3
    assert squeezed("bell 499 Hz −1 dB, q 1") in pdf_text(sheet_pdf(made))


def test_type_is_never_below_ten_points(checked):
    for count in (4, 32, 64):
        pdf = sheet_pdf(make_sheet(checked.result, band(count), since=band(count), notes=["note"]))
        sizes = [float(size) for _, body in pdf_drawn(pdf) for size in re.findall(rb"/\w+ ([\d.]+) Tf", body)]
        assert len(sizes) > 20
        assert min(sizes) >= 10.0


def test_same_sheet_same_bytes(checked):
    from deskhand.report.sheet.pdf import typeset

    made = make_sheet(checked.result, band(5), since=None)
    first = sheet_pdf(made)
    typeset.cache_clear()
    assert sheet_pdf(made) == first
    typeset.cache_clear()
    assert sheet_pdf(replace(made, notes=("another",))) != first
    assert b"CreationDate" not in b"".join(pdf_objects(first).values()) + first


# --- names that are no markup ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_text(name, checked):
    house = house_of({"name": name, "patch": name}, name=name)
    result = replace(checked.result, show=replace(checked.result.show, name=name, players={name: name}))
    made = make_sheet(result, house, since=house_of(), since_name=name, notes=[name])
    text = pdf_text(sheet_pdf(made))
    # house on top, at the foot and in the title's show, patch, input, player, headline twice, note
    assert text.count(squeezed(name)) >= 7
    (line,) = csv.DictReader(io.StringIO(sheet_csv(made)))
    assert line["input"] == " ".join(name.split())


@pytest.mark.parametrize(
    "name", ["מקהלה", "بيانو", "🎸", "ピアノ", "x" * 5000, "a\u202eb", "\x01\x02 a\nb", "e\u0301" * 40], ids=ascii
)
def test_any_name_gives_a_sheet(name, checked):
    # what comes from the names of files may hold bytes that are no text
    made = make_sheet(checked.result, house_of({"name": name, "role": "keys"}), since=None, notes=["bad \ud800 byte"])
    pdf = sheet_pdf(made)
    assert pdf.startswith(b"%PDF-")
    assert len(pdf_pages(pdf)) == sheet_pages(made)
    (line,) = csv.DictReader(io.StringIO(sheet_csv(made).encode().decode()))
    shown = {"a\u202eb": "ab", "\x01\x02 a\nb": "a b"}.get(name, name)
    assert line["input"] == made.rows[0].name == shown
    if name.startswith("x"):
        assert pdf_text(pdf).count("x") >= 5000
        # it breaks within its cell and runs on to further pages, where else it would be drawn off the paper
        assert sheet_pages(made) > 4
    assert "bad?byte" in pdf_text(pdf)


# --- the table ---------------------------------------------------------------------------------------------------------


def test_table_says_the_same(sheet, checked):
    lines = list(csv.DictReader(io.StringIO(sheet_csv(sheet))))
    assert [line["input"] for line in lines] == [row.name for row in sheet.rows]
    by_name = {line["input"]: line for line in lines}
    voice = by_name["lead voice"]
    assert voice["player"] == "Jonas"
    # its preamp comes down and its fader is set again by ear: the sheet is written as if that were done
    assert float(voice["fader_db"]) == 8.0
    assert voice["equaliser"].startswith(
        "high-pass 100 Hz, 18 dB/oct; bell 300 Hz -2 dB, q 1; high shelf 8 kHz +1.5 dB"
    )
    assert by_name["guitar b"]["was"] == "right: polarity reversed: new"
    assert by_name["guitar b"]["changed"] == "yes"
    assert by_name["kick"]["changed"] == "no"
    assert by_name["click"]["in_mix"] == "no"
    assert by_name["overheads"]["channel"] == "3 and 4"
    assert by_name["bass"]["left_to_do"] == f"to fix: {KINDS['hum'].words}"


@pytest.mark.parametrize("name", FORMULAS)
def test_table_holds_no_formula_and_no_date(name, checked):
    house = house_of({"name": name, "patch": name, "channel": name, "fader": "-3 dB"})
    result = replace(checked.result, show=replace(checked.result.show, players={name: name}))
    (line,) = csv.DictReader(io.StringIO(sheet_csv(make_sheet(result, house, since=None))))
    for cell in ("input", "patch", "channel", "player"):
        assert line[cell] == "'" + name.strip()
    assert line["fader_db"] == "-3"


# --- the command -------------------------------------------------------------------------------------------------------


def test_since_is_the_newest_earlier_week(tmp_path):
    house = tmp_path / "house.toml"
    assert find_since(house, "2026-03-01") == house
    for date in ("2026-02-15", "2026-02-22", "2026-03-01", "2026-03-08", "2026-13-01", "old"):
        (tmp_path / f"week-{date}.toml").touch()
    assert find_since(house, "2026-03-01") == tmp_path / "week-2026-02-22.toml"
    assert find_since(house, "2026-02-01") == house
    assert find_since(house, None) == tmp_path / "week-2026-03-08.toml"
    assert since_name(house, house) == "the standing house file"
    assert since_name(tmp_path / "week-2026-02-22.toml", house) == "the week of 2026-02-22"
    assert since_name(tmp_path / "other.toml", house) == "other.toml"


def run(*args: object, **more):
    return CliRunner().invoke(main, ["sheet", *map(str, args)], **more)


@pytest.mark.usefixtures("measured_once")
def test_command_writes_the_sheet_and_the_table(season, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    show = season / "show-2026-03-01"
    old = tmp_path / "week-2026-02-22.toml"
    old.write_text((season / "house.toml").read_text("utf-8").replace('"-12 dB"', '"-14 dB"'), "utf-8")
    done = run(show, "--paper", "letter", "--note", "n1 here", "--note", "n2", "--since", old, "--player", "bass=Ana")
    assert done.exit_code == 0, done.output
    assert done.output.splitlines() == [
        "Settings: house.toml, with 3 moves written in",
        "Sheet: show-2026-03-01-sheet.pdf",
        "Table: show-2026-03-01-sheet.csv",
    ]
    pdf = (tmp_path / "show-2026-03-01-sheet.pdf").read_bytes()
    assert pdf_pages(pdf)[0] == pytest.approx((792, 612), abs=0.1)
    text = pdf_text(pdf)
    for piece in ("n1here", "n2", "Changedsincetheweekof2026-02-22", "bassAna", "was−14dB", "trim+9.1dB"):
        assert piece in text, piece
    lines = csv.DictReader(io.StringIO((tmp_path / "show-2026-03-01-sheet.csv").read_text("utf-8")))
    assert next(line for line in lines if line["input"] == "snare")["was"] == "fader was -14 dB"


def test_command_says_when_it_takes_more_pages(checked, season, tmp_path, monkeypatch):
    from deskhand.report import sheet as report
    from deskhand.tasks import check

    monkeypatch.setattr(check, "check", lambda *_, **__: checked)
    monkeypatch.setattr(report, "make_sheet", lambda result, *_, **__: make_sheet(result, band(64), since=None))
    done = run(season / "show-2026-03-01", "--output", tmp_path / "a.pdf")
    assert done.exit_code == 0
    assert "takes 4 pages: nothing is left out" in done.stderr


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["missing-recording"], "missing-recording"),
        (["REC", "--since", "none.toml"], "none.toml"),
        (["REC", "--since", "bad.toml"], "bad.toml"),
        (["REC", "--paper", "a3"], "a3"),
        (["REC", "--output", "no/such/folder.pdf"], "no such folder"),
        (["REC", "--output", "."], "folder"),
        (["REC", "--output", "x.csv"], "name a PDF"),
        # the table beside the sheet has no place either
        (["REC", "--output", "taken.pdf"], "taken.csv: cannot be written (it is a folder)"),
        (["REC", "--player", "bass"], "SOURCE=NAME"),
        (["REC", "--date", "soon", "--to", "0:05"], "is not a date"),
    ],
)
def test_wrong_use_is_one_line_and_status_2(args, said, season, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text("[house]\nnam = 1\n")
    (tmp_path / "taken.csv").mkdir()
    done = run(*(season / "show-2026-03-01" if one == "REC" else one for one in args))
    assert done.exit_code == 2
    assert said in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bad.toml", "taken.csv"]


def test_a_sheet_needs_a_house_file(season, tmp_path, monkeypatch):
    import shutil

    monkeypatch.chdir(tmp_path)
    (tmp_path / "rec").mkdir()
    shutil.copy(season / "show-2026-03-01" / "01 kick.wav", tmp_path / "rec")
    done = run("rec")
    assert done.exit_code == 2
    assert "write one with: deskhand new" in done.stderr
    assert not list(tmp_path.glob("rec-sheet*"))


def test_before_doors_and_next_stand_at_the_head_in_the_order_of_the_check(checked):
    sheet = make_sheet(checked.result, house_of({"name": "a"}), since=None)
    assert len(sheet.first) == len(checked.result.first) == 3
    assert len(sheet.next) == len(checked.result.next) > 3
    assert sheet.first[0] == "lead voice: clipping"
    words = pdf_text(sheet_pdf(sheet))
    places = [
        words.index(f"{number}. {thing}".replace(" ", ""))
        for number, thing in enumerate((*sheet.first, *sheet.next), 1)
    ]
    assert places == sorted(places)
    assert words.index("Beforedoors:") < places[0] < words.index("Next,ifthereistime:") < places[3]
