"""The demo as a story, and the tutorial: what `deskhand demo` prints, line by line, and every command of docs/first-show.md in an empty folder.

Covers, in this order: the story; the tutorial's commands and what it shows of their output; a folder that holds somebody's own house.
"""

from __future__ import annotations

import itertools
import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from tests.support.command import run

ROOT: Final = Path(__file__).parents[2]
TUTORIAL: Final = ROOT / "docs" / "first-show.md"

STORY: Final = (
    "Tern Street Hall (invented, synthesised) is in demo-season: six good weeks, kept, and this week's soundcheck.",
    "Set against 6 kept rehearsals (2026-01-18 to 2026-02-22).",
    "Two things before doors:",
    "1. piano (channel 11/12, stage box B 2/3): pno r is silent from 0:19",
    "2. lead voice (channel 13, radio 1): 10 dB below nominal; raise its trim by",
    "What to turn, in this order",
    "its send to wedge 1 from",
    "in steps of 3 dB, listening for feedback after each",
    "Tell Marit (wedge 1) first",
    "listen  acoustic    duller than usual",
    "lead voice: covered for",
    "With this week's moves: from",
    "Report: demo-season/show-2026-03-01-check.html",
    "All of it is done now, and ticked:",
    "Done: piano:",
    "Done: lead voice:",
    "The same evening, recorded again:",
    "Nothing urgent.",
    "Done or declined before, at this show:",
    "lead voice: clear",
    "To look at everything in a browser: deskhand serve demo-season",
    "To practise a line check: deskhand live --replay demo-season/line-check",
)
"""What is read on the way, in order; the report comes last of all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownCommand:
    """Command of the tutorial, and the lines that it shows of what it prints."""

    words: tuple[str, ...]
    lines: tuple[str, ...]


def shown_commands(text: str) -> list[ShownCommand]:
    """Commands of a page in order: the lines below one are of its output, with `...` for what is left out."""
    commands = []
    for block in re.findall(r"(?:^    .*\n|^\n(?=    ))+", text, re.MULTILINE):
        lines = [line.strip() for line in block.splitlines() if line.strip() not in ("", "...")]
        begins = [number for number, line in enumerate(lines) if line.startswith("deskhand ")]
        for begin, end in itertools.pairwise([*begins, len(lines)]):
            words = tuple(shlex.split(lines[begin], comments=True)[1:])
            commands.append(ShownCommand(words=words, lines=tuple(lines[begin + 1 : end])))
    return commands


def loosely(text: str) -> str:
    """Text on one line, with every number as the same sign: they differ by machine."""
    return " ".join(re.sub(r"[−+-]?\d+(?:[.,:]\d+)*", "#", text).split())


def missing_in_order(lines: list[str] | tuple[str, ...], printed: str) -> list[str]:
    """Lines that are not printed behind those before them; one that ends with `...` goes on in what is printed."""
    rest, missing = loosely(printed), []
    for line in lines:
        wanted = loosely(line.removesuffix("..."))
        at = rest.find(wanted)
        if at < 0:
            missing.append(line)
        else:
            rest = rest[at + len(wanted) :]
    return missing


def audible_pct(printed: str) -> tuple[float, float]:
    """Audible shares before and with the moves, as the first check tells them."""
    found = re.search(r"With this week's moves: from (\d+) to (\d+) % audible", printed)
    assert found is not None
    return float(found[1]), float(found[2])


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Empty folder in which `deskhand demo` ran, and what it printed."""
    folder = tmp_path_factory.mktemp("evening")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = run("demo")
    assert done.exit_code == 0, done.output
    return folder, done.stdout


def test_the_story_line_by_line(evening: tuple[Path, str]) -> None:
    folder, printed = evening
    assert missing_in_order(STORY, printed) == []
    last = printed.strip().splitlines()[-1]
    assert last == "Report: demo-season/show-2026-03-01-second-check.html"
    assert (folder / last.removeprefix("Report: ")).is_file()
    # the words: a clear gain, and the second recording is as clear as was promised
    before_pct, promised_pct = audible_pct(printed)
    assert promised_pct >= before_pct + 15
    told = re.findall(r"lead voice: .*\((\d+) % audible in the feed\)", printed)
    assert float(told[0]) == before_pct
    assert float(told[-1]) >= promised_pct - 5
    # quiet at the end: nothing is marked after the second check began
    assert not re.search(r"^(FIX|SILENT|MISSING|listen) ", printed.split("recorded again:")[1], re.MULTILINE)


def test_the_tutorial_command_by_command(evening: tuple[Path, str], monkeypatch: pytest.MonkeyPatch) -> None:
    folder, printed = evening
    monkeypatch.chdir(folder)
    commands = shown_commands(TUTORIAL.read_text("utf-8"))
    assert commands[0].words == ("demo",)
    assert len(commands) >= 8
    wrong = [f"demo: {line}" for line in missing_in_order(commands[0].lines, printed)]
    for command in commands[1:]:
        done = run(*command.words)
        assert done.exit_code in (0, 1), (command.words, done.output)
        assert command.lines, command.words
        wrong += [f"{' '.join(command.words)}: {line}" for line in missing_in_order(command.lines, done.output)]
    assert wrong == []


def test_what_a_page_shows_is_found_in_order() -> None:
    page = "# Page\n\n    deskhand check show    # a comment\n    first 3.5 dB...\n    ...\n    last\n\nText.\n\n    house.toml\n"
    [command] = shown_commands(page)
    assert command.words == ("check", "show")
    assert command.lines == ("first 3.5 dB...", "last")
    assert missing_in_order(command.lines, "begin\nfirst 4 dB louder\nlast\n") == []
    assert missing_in_order(command.lines, "last\nfirst 4 dB louder\n") == ["last"]


def test_somebodys_own_house_is_left_alone(tmp_path: Path) -> None:
    own = tmp_path / "house.toml"
    own.write_text('[house]\nname = "Ours"\n', "utf-8")
    done = run("demo", "--output", tmp_path)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert "is a house of your own; name another folder with --output" in done.stderr
    assert own.read_text("utf-8") == '[house]\nname = "Ours"\n'
