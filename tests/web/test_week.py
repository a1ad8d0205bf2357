"""A week's file from the page: moves of the demo's newest show written in, saved, and the same recording checked again.

Covers, in this order: what the first check proposes and what is saved of it; the second check; the command beside the page; the sheet.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import read_house, written_source
from tests.support.small_hall import Asker

from .conftest import linked

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SHOW = "show-2026-03-01"
WEEK = "week-2026-03-01.toml"


def save_moves(asker: Asker, sources: set[str]) -> None:
    """Press "Write in the proposed moves" and "Save as this week's" at each of the sources."""
    shelf = asker.hall.recordings()[0]
    for name in sources:
        own = written_source(asker.hall.text_of(shelf), name)
        base = {"chain": [dict(block) for block in own.get("chain", [])], "fader": str(own.get("fader", ""))}
        moves = asker.get("/api/written", params={"id": shelf.id, "which": "moves", "source": name}).json()
        asker.told("save", id=shelf.id, source=name, chain=moves["chain"], fader=moves["fader"], base=base)


def settings_of(asker: Asker) -> dict[str, list[Any]]:
    """Moves that are settings, by source."""
    result = asker.hall.check_of(asker.hall.recordings()[0]).result
    found = {source.name: [move for move in source.moves if move.is_setting] for source in result.sources}
    return {name: moves for name, moves in found.items() if moves}


def sheet_rows(asker: Asker) -> dict[str, dict[str, str]]:
    return {row["input"]: row for row in csv.DictReader(io.StringIO(asker.get(f"/show/{asker.id}/sheet.csv").text))}


@pytest.fixture(scope="module")
def saved(season: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    """Two rounds of check, write in and save, with what each of them proposed and left in the file."""
    root = linked(season, tmp_path_factory.mktemp("week") / "hall", shows=(SHOW,))
    rounds = []
    with Asker(root) as asker:
        for _ in range(2):
            assert asker.checked(asker.id)["state"] == "done"
            proposed = settings_of(asker)
            page = asker.get(f"/show/{asker.id}/source/{position_of(asker, 'lead voice')}").text
            save_moves(asker, set(proposed))
            written = (root / WEEK).read_bytes()
            # once more from the same check
            save_moves(asker, set(proposed))
            rounds.append({"moves": proposed, "bytes": written, "twice": (root / WEEK).read_bytes(), "page": page})
        yield {"root": root, "rounds": rounds, "sheet": sheet_rows(asker), "asker": asker}


def position_of(asker: Asker, name: str) -> int:
    sources = asker.hall.check_of(asker.hall.recordings()[0]).result.sources
    return next(place for place, source in enumerate(sources) if source.name == name)


def test_the_preamp_is_shown_and_not_saved(saved):
    """The newest show's planted faults: a preamp 21 dB too high, one side upside down, a microphone 9 dB too low."""
    first = saved["rounds"][0]
    told = {name: [(move.where, move.is_saved) for move in moves] for name, moves in first["moves"].items()}
    assert told == {
        "guitar b": [("channel", True)],
        "lead voice": [("preamp", False), ("trim", True)],
        "voice 3": [("trim", True)],
    }
    assert "turned at the desk now: no file keeps it" in first["page"]
    # its second step can be written in
    assert 'id="use-moves"' in first["page"]
    chains = {source.name: source.chain for source in read_house(saved["root"] / WEEK).source}
    standing = {source.name: source.chain for source in read_house(saved["root"] / "house.toml").source}
    # the second step of what clips is saved, the preamp's is not
    assert [block.block for block in chains["lead voice"]] == ["trim", *(one.block for one in standing["lead voice"])]
    assert [block.block for block in chains["guitar b"]] == ["polarity", *(one.block for one in standing["guitar b"])]
    assert chains["voice 3"][0].gain_db == pytest.approx(9.0, abs=0.8)


def test_nothing_that_was_saved_is_asked_again(saved):
    first, second = saved["rounds"]
    assert {name: moves for name, moves in second["moves"].items() if any(move.is_saved for move in moves)} == {}
    # the preamp's is the one that stands, not one on top of it
    preamps = [
        [move.settings for move in look["moves"]["lead voice"] if move.where == "preamp"] for look in (first, second)
    ]
    assert preamps[0] == preamps[1] != []
    result = saved["asker"].hall.check_of(saved["asker"].hall.recordings()[0]).result
    kinds = {source.name: {finding.kind for finding in source.findings} for source in result.sources}
    assert not kinds["guitar b"] & {"polarity", "mono-loss"}
    assert "level-low" not in kinds["voice 3"]


def test_saving_twice_writes_the_same_bytes(saved):
    first, second = saved["rounds"]
    assert first["bytes"] == first["twice"] == second["bytes"] == second["twice"]


def test_the_command_reads_and_writes_the_same_file(saved, tmp_path):
    target = tmp_path / "week.toml"
    done = CliRunner().invoke(main, ["check", str(saved["root"] / SHOW), "--no-report", "--write-week", str(target)])
    assert f"note: with this week's settings, {WEEK}" in done.output
    assert target.read_bytes() == saved["rounds"][1]["bytes"]


def test_the_sheet_says_what_is_turned_at_the_desk(saved):
    voice = saved["sheet"]["lead voice"]
    assert voice["gain"] == "trim -5.3 dB"
    assert "turn the preamp -15 dB or more at the desk, until its peaks read about -10 dBFS" in voice["left_to_do"]
    assert "tell the stage first" in voice["caution"]
    assert saved["sheet"]["voice 3"]["gain"] == "trim +9.3 dB"
