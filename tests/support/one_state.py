"""One moment of one show through its three doors: the command's sheet, the page's sheet and the JSON of a check, field by field.

The settings are read once more here, with the standard library's TOML reader, and the JSON's moves are put into them by hand: the
sheet has to say the same.
"""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
from typing import TYPE_CHECKING, Any, Final

from click.testing import CliRunner

from deskhand.cli import main
from deskhand.result import plain

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.small_hall import Asker

_SETTINGS: Final = ("gain", "equaliser", "dynamics", "stereo")
_AS_WRITTEN: Final = {"microphone": "microphone", "stand": "stand", "group": "group"}
"""Column of the table to the key of the house file that it repeats."""
_SETTING_LINE: Final = re.compile(
    r"^Settings: (?P<file>[^,;]+?)(, with (?P<moves>\d+) moves? written in)?$", re.MULTILINE
)


def _run(*arguments: object) -> str:
    done = CliRunner().invoke(main, list(map(str, arguments)))
    assert done.exit_code in (0, 1), done.output
    return done.output


def _number(text: str) -> float:
    """First number of a text, its minus sign typed or printed."""
    found = re.search(r"[-+−]?\d+(\.\d+)?", text.replace("−", "-"))
    assert found is not None, text
    return float(found[0])


def _numbers(text: str) -> list[float]:
    """Numbers of a text; kilohertz as hertz, seconds as they stand."""
    found = re.findall(r"([-+]?\d+(?:\.\d+)?)( kHz)?", text.replace("−", "-"))
    return [float(number) * (1000.0 if kilo else 1.0) for number, kilo in found]


def _saved(source: dict[str, Any]) -> list[dict[str, Any]]:
    """Moves of the JSON that stay in a house file: all settings but the preamp's."""
    return [
        move
        for move in source["moves"]
        if (move["block"] is not None or move["where"] in ("fader", "send")) and move["where"] != "preamp"
    ]


def _row_differences(row: dict[str, str], table: dict[str, Any], source: dict[str, Any]) -> Iterator[str]:
    """Differences between a line of the table, its source in the house file, and the JSON's moves."""
    name = table["name"]
    for column in ("channel", "patch"):
        if row[column].replace(" and ", "/") != str(table.get(column, "")):
            yield f"{name}: {column}"
    for column, key in _AS_WRITTEN.items():
        if row.get(column, "") != table.get(key, ""):
            yield f"{name}: {column}"
    for column in ("preamp", "pad"):
        if column in table and abs(_number(row[column])) != abs(_number(table[column])):
            yield f"{name}: {column}"
    if "phantom" in table and (row["phantom"] == "48 V on") is not table["phantom"]:
        yield f"{name}: phantom power"
    if row.get("effects", "") != ", ".join(table.get("effects", [])):
        yield f"{name}: effects"
    moved = {
        move["facts"]["mix"]: move["settings"]["send"]["after"] for move in source["moves"] if move["where"] == "send"
    }
    for send in table.get("send", []):
        level_db = moved.get(send["mix"], _number(send["level"]))
        if send["mix"] not in row["sends"] or level_db not in _numbers(row["sends"].replace(send["mix"], "")):
            yield f"{name}: send to {send['mix']}"
    yield from _setting_differences(row, table, source)


def _setting_differences(row: dict[str, str], table: dict[str, Any], source: dict[str, Any]) -> Iterator[str]:
    """Differences between the fader and the chain of a line and those of the house file with the JSON's moves."""
    name, fader = table["name"], table.get("fader")
    chain = [dict(block) for block in table.get("chain", [])]
    wanted: list[float] = []
    for move in _saved(source):
        values = {key: setting["after"] for key, setting in move["settings"].items()}
        if move["where"] == "send" or "mute" in move["settings"]:
            continue
        if move["where"] == "fader":
            fader = f"{values['fader']} dB"
        elif move["index"] is not None:
            chain[move["index"]] |= values
        else:
            wanted += values.values()
    for block in chain:
        wanted += [_numbers(str(value))[0] for key, value in block.items() if key in ("frequency", "gain", "threshold")]
    if (row["fader_db"] or None) != (None if fader is None else f"{_number(fader):g}"):
        yield f"{name}: fader"
    printed = _numbers("; ".join(row[column] for column in _SETTINGS))
    yield from (f"{name}: {value:g} is not in its settings" for value in wanted if value not in printed)
    turns = [move for move in source["moves"] if move["where"] == "preamp" and "gain" in move["settings"]]
    for move in turns:
        gain = move["settings"]["gain"]
        if f"turn the preamp {gain['after'] - (gain['before'] or 0.0):+g} dB" not in row["left_to_do"]:
            yield f"{name}: preamp that is to be turned"


def differences(asker: Asker, show: Path, scratch: Path) -> list[str]:
    """Differences between the command's sheet, the page's and the JSON of one moment; empty where they are one state.

    Parameters
    ----------
    asker : Asker
        Of the house's page.
    show : Path
        Folder of the recording.
    scratch : Path
        Empty folder to write into.
    """
    asker.hall.look_again()
    (shelf,) = [shelf for shelf in asker.hall.recordings() if shelf.path == show.resolve()]
    assert asker.checked(shelf.id)["state"] == "done"
    _run("check", show, "--no-report", "--json", scratch / "check.json")
    output = _run("sheet", show, "--output", scratch / "sheet.pdf")
    data = json.loads((scratch / "check.json").read_text("utf-8"))
    command = (scratch / "sheet.csv").read_text("utf-8")
    page = asker.get(f"/show/{shelf.id}/sheet.csv").text
    checked = asker.hall.recording(shelf.id)
    assert checked is not None
    stored = asker.hall.check_of(checked)
    assert stored is not None
    by_page = json.loads(json.dumps(plain(stored.result)))
    found = [] if command == page else ["the table of the command and the page's"]
    if (scratch / "sheet.pdf").read_bytes() != asker.get(f"/show/{shelf.id}/sheet.pdf").content:
        found.append("the sheet of the command and the page's")
    found += [f"show.{key}" for key in data["show"] if data["show"][key] != by_page["show"][key] and key != "notes"]
    found += [
        f"{source['name']}: {key}"
        for source, other in zip(data["sources"], by_page["sources"], strict=True)
        for key in ("name", "status", "moves", "earlier_moves", "left_over", "findings")
        if source[key] != other[key]
    ]
    line = _SETTING_LINE.search(output)
    assert line is not None, output
    if line["file"] != data["show"]["house_file"]:
        found.append("the house file")
    if int(line["moves"] or 0) != sum(len(_saved(source)) for source in data["sources"]):
        found.append("the number of moves that are written in")
    written = tomllib.loads((asker.hall.root / data["show"]["house_file"]).read_text("utf-8"))
    rows = {row["input"]: row for row in csv.DictReader(io.StringIO(command))}
    by_name = {source["name"]: source for source in data["sources"]}
    used = [table for table in written["source"] if table.get("used", True)]
    if sorted(rows) != sorted(table["name"] for table in used):
        found.append("the inputs")
    for table in used:
        player = data["show"]["players"].get(table["name"]) or table.get("player", "")
        if rows[table["name"]]["player"] != player:
            found.append(f"{table['name']}: player")
        found += _row_differences(rows[table["name"]], table, by_name[table["name"]])
    return found
