"""Moves ticked on the page: what the page, the command and the week's file say of them at one moment.

In order: ticked one by one; what the command then says; two browsers at once; declined; taken back; what is refused in one line.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.house import read_house
from deskhand.tasks.check import check
from deskhand.web.parse import SETUP_KEYS
from tests.support.once import drawn_once
from tests.support.signals import RATE_HZ, pink
from tests.support.small_hall import Asker
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# what is asked is made of the readings: a take is measured once, however often it is looked at
pytestmark = pytest.mark.usefixtures("measured_once")
HOUSE = """\
# Tern Street Hall, invented
[house]
name = "Tern Street Hall"
[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
[[source]]
name = "keys"
role = "keys"
tracks = ["keys l", "keys r"]
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
"""
WEEK = "week-2026-03-01.toml"
MOVES = ("bass/trim", "keys/polarity-right", "lead voice/preamp")


KILLED_PAGE = """
import os, signal, sys
from pathlib import Path
from deskhand.tasks import done
from tests.support.small_hall import Asker
write = done.write_atomically
def killed(path, text):
    if sys.argv[2] == "after the file":
        write(path, text)
    os.kill(os.getpid(), signal.SIGKILL)
done.write_atomically = killed
with Asker(Path(sys.argv[1])) as asker:
    asker.told("tick", id=asker.id, move="bass/trim")
"""
"""Page in a process of its own that is killed amid the first tick."""


@drawn_once
def tracks_of(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """A bass 6 dB low, keys with one side upside down, a voice 14 dB too hot and clipped."""
    shared = pink(rng, 12.0, -20.0)
    return {
        "bass": pink(rng, 12.0, -24.0),
        "keys l": shared + pink(rng, 12.0, -26.0),
        "keys r": -(shared + pink(rng, 12.0, -26.0)),
        "vox": pink(rng, 12.0, -4.0),
    }


@pytest.fixture
def asker(tmp_path: Path, rng: np.random.Generator) -> Iterator[Asker]:
    """A checked show."""
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    folder = tmp_path / "show"
    folder.mkdir()
    (folder / "show.toml").write_text('name = "Sunday evening"\ndate = "2026-03-01"\n', "utf-8")
    for name, wave in tracks_of(rng).items():
        write_wave(folder / f"{name}.wav", np.clip(wave, -1.0, 1.0), rate_hz=RATE_HZ)
    with Asker(tmp_path) as asker:
        done = asker.waited(asker.told("check", id=asker.id)["job"])
        assert done["state"] == "done", done
        yield asker


def page(asker: Asker) -> str:
    return asker.get(f"/show/{asker.id}").text


def moves_of(result) -> set[str]:
    return {move.id for source in result.sources for move in source.moves}


def test_ticked_one_by_one_the_page_and_the_command_say_the_same(asker, tmp_path):
    before = page(asker)
    for move in MOVES:
        assert f'data-tick="{move}"' in before
    for count, move in enumerate(MOVES, 1):
        asker.told("tick", id=asker.id, move=move)
        now = page(asker)
        assert f'data-tick="{move}"' not in now
        assert now.count("data-untick=") == count
        shelf = asker.hall.recordings()[0]
        shown = asker.pages.check(shelf).result
        checked = check(tmp_path / "show").result
        assert moves_of(shown) == moves_of(checked) == set(MOVES[count:])
        assert [(source.name, source.status) for source in shown.sources] == [
            (source.name, source.status) for source in checked.sources
        ]
        assert shown.first == checked.first
        assert shown.next == checked.next
        assert [source.earlier_moves for source in shown.sources] == [
            source.earlier_moves for source in checked.sources
        ]
    blocks = {source.name: [block.block for block in source.chain] for source in read_house(tmp_path / WEEK).source}
    assert blocks == {"bass": ["trim"], "keys": ["polarity"], "lead voice": []}


def test_two_browsers_at_once(asker, tmp_path):
    with Asker(tmp_path) as second:
        answers = []

        def tick(browser: Asker, move: str) -> None:
            answers.append(browser.tell("tick", id=browser.id, move=move).status_code)

        threads = [threading.Thread(target=tick, args=(browser, move)) for browser in (asker, second) for move in MOVES]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert answers == [200] * 6
        assert page(second).count("data-untick=") == page(asker).count("data-untick=") == 3
    blocks = {source.name: [block.block for block in source.chain] for source in read_house(tmp_path / WEEK).source}
    assert blocks == {"bass": ["trim"], "keys": ["polarity"], "lead voice": []}
    assert not moves_of(check(tmp_path / "show").result)


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is of POSIX systems")
@pytest.mark.parametrize("when", ["before the file", "after the file"])
def test_the_page_is_killed_at_a_tick(asker, tmp_path, when):
    """SIGKILL of the page's own process amid the transaction: after a new start nothing is half done, and the same tick comes to the same."""
    page = subprocess.run(
        [sys.executable, "-c", KILLED_PAGE, str(tmp_path), when],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert page.returncode == -signal.SIGKILL, page.stderr
    assert (tmp_path / WEEK).is_file() == (when == "after the file")
    assert check(tmp_path / "show").result.sources[0].earlier_moves == ()
    asker.told("tick", id=asker.id, move="bass/trim")
    [bass] = [source for source in read_house(tmp_path / WEEK).source if source.name == "bass"]
    assert [block.block for block in bass.chain] == ["trim"]
    assert [move.move for move in check(tmp_path / "show").result.sources[0].earlier_moves] == ["bass/trim"]
    assert not [path.name for path in tmp_path.iterdir() if path.name.startswith(".deskhand-")]


def test_declined_and_taken_back(asker, tmp_path):
    asker.told("tick", id=asker.id, move="bass/trim", declined=True)
    now = page(asker)
    assert 'data-tick="bass/trim"' not in now
    assert "declined at" in now
    assert not (tmp_path / WEEK).exists()
    [number] = [move.number for move in asker.pages.check(asker.hall.recordings()[0]).result.sources[0].earlier_moves]
    asker.told("untick", id=asker.id, number=number)
    assert 'data-tick="bass/trim"' in page(asker)
    assert "was taken back before; read the page again" in asker.refused("untick", id=asker.id, number=number)


def test_taken_back_the_file_is_as_it_was(asker, tmp_path):
    asker.told("tick", id=asker.id, move="keys/polarity-right")
    asker.told("tick", id=asker.id, move="bass/trim")
    [number] = [move.number for move in asker.pages.check(asker.hall.recordings()[0]).result.sources[1].earlier_moves]
    asker.told("untick", id=asker.id, number=number)
    blocks = {source.name: [block.block for block in source.chain] for source in read_house(tmp_path / WEEK).source}
    assert blocks == {"bass": ["trim"], "keys": [], "lead voice": []}
    assert 'data-tick="keys/polarity-right"' in page(asker)


def test_a_set_up_that_was_typed_meanwhile_is_kept(asker, tmp_path):
    """Who moved the stand, then ticks: no move turns what was typed, and both are in the file."""
    asker.told("tick", id=asker.id, move="bass/trim")
    base = dict.fromkeys(SETUP_KEYS, "") | {"send": []}
    asker.told("setup", id=asker.id, source="keys", setup=base | {"stand": "two tables"}, base=base, every_week=False)
    # a fader that was moved meanwhile is another state, and is not written over
    text = (tmp_path / WEEK).read_text("utf-8")
    (tmp_path / WEEK).write_text(text.replace('stand = "two tables"', 'stand = "two tables"\nfader = "-3 dB"'), "utf-8")
    assert "check it again" in asker.refused("tick", id=asker.id, move="keys/polarity-right")
    (tmp_path / WEEK).write_text(text, "utf-8")
    asker.told("tick", id=asker.id, move="keys/polarity-right")
    sources = {source.name: source for source in read_house(tmp_path / WEEK).source}
    assert sources["keys"].stand == "two tables"
    assert [block.block for block in sources["keys"].chain] == ["polarity"]
    assert [block.block for block in sources["bass"].chain] == ["trim"]


def test_what_is_refused_changes_nothing(asker, tmp_path):
    assert "is no move of this take" in asker.refused("tick", id=asker.id, move="bass/nothing")
    (tmp_path / WEEK).write_text(HOUSE + "\n# by hand\n", "utf-8")
    assert "was changed since this take was checked; check it again" in asker.refused(
        "tick", id=asker.id, move="bass/trim"
    )
    assert (tmp_path / WEEK).read_text("utf-8").endswith("# by hand\n")
    assert "data-untick=" not in page(asker)
