"""Moves that were done: ticked by the command, counted in for the same take, looked for in the next, and taken back.

In order: all at once and one by one; the same take is not asked again; a later take holds what was turned before its tap, and
contradicts what was not; half done asks the remainder; declined; taken back; two at once; what is refused in one line.
What is carried out is carried out by numpy on the audio (a gain is a factor, reversed polarity a sign).
"""

from __future__ import annotations

import os
import signal
import threading
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.errors import UsageError
from deskhand.house import read_house
from deskhand.recording import open_recording
from deskhand.recording.identity import take_digest
from deskhand.tasks.check import check
from deskhand.tasks.done import tick_recording
from tests.support.once import drawn_once
from tests.support.signals import RATE_HZ, amplitude, pink
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result
    from numpy.typing import NDArray

    from deskhand.tasks.check import ShowCheck

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
[[source.chain]]
block = "compressor"
threshold = "-10 dBFS"
ratio = 3
reduction = "2 to 4 dB"

[[source]]
name = "keys"
role = "keys"
tracks = ["keys l", "keys r"]

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
preamp = "46 dB"
"""
WEEK = "week-2026-03-01.toml"
NOTE = 'date = "2026-03-01"\nname = "Sunday evening"\n'


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def write_take(folder: Path, tracks: dict[str, NDArray[np.float64]]) -> None:
    folder.mkdir()
    (folder / "show.toml").write_text(NOTE, "utf-8")
    for name, wave in tracks.items():
        write_wave(folder / f"{name}.wav", np.clip(wave, -1.0, 1.0), rate_hz=RATE_HZ)


@drawn_once
def tracks_of(rng: np.random.Generator) -> dict[str, NDArray[np.float64]]:
    """A bass 6 dB low before a compressor, keys with one side upside down, a voice 14 dB too hot and clipped."""
    shared = pink(rng, 14.0, -20.0)
    return {
        "bass": pink(rng, 14.0, -24.0),
        "keys l": shared + pink(rng, 14.0, -26.0),
        "keys r": -(shared + pink(rng, 14.0, -26.0)),
        "vox": pink(rng, 14.0, -4.0),
    }


@pytest.fixture
def tracks(rng: np.random.Generator) -> dict[str, NDArray[np.float64]]:
    return tracks_of(rng)


@pytest.fixture
def hall(tmp_path: Path, tracks: dict[str, NDArray[np.float64]]) -> Path:
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    write_take(tmp_path / "first", tracks)
    return tmp_path


def moves_of(checked: ShowCheck) -> dict[str, object]:
    return {move.id: move for source in checked.result.sources for move in source.moves}


def fates_of(checked: ShowCheck) -> dict[str, str]:
    return {move.move: move.fate for source in checked.result.sources for move in source.earlier_moves}


def preamp_db(checked: ShowCheck) -> float:
    move = moves_of(checked)["lead voice/preamp"]
    return move.settings["gain"].after - (move.settings["gain"].before or 0.0)


ALL = {"bass/trim", "bass/compressor", "keys/polarity-right", "lead voice/preamp"}


def test_a_threshold_that_follows_a_trim_does_not_answer_the_level(hall):
    """Half of a card is done: the half that is left stays, with its finding."""
    assert run("done", hall / "first", "--move", "bass/compressor").exit_code == 0
    second = check(hall / "first")
    assert set(moves_of(second)) == ALL - {"bass/compressor"}
    [bass] = [source for source in second.result.sources if source.name == "bass"]
    assert [finding.severity for finding in bass.findings if finding.kind == "level-low"] != ["note"]


def test_what_was_done_is_not_asked_again_in_the_same_take(hall):
    first = check(hall / "first")
    assert set(moves_of(first)) == ALL
    done = run("done", hall / "first", "--by", "Ana")
    assert done.exit_code == 0, done.output
    assert done.output.count("Done: ") == 4
    second = check(hall / "first")
    assert not moves_of(second)
    assert fates_of(second) == dict.fromkeys(ALL, "done")
    # nothing is raised that was answered, and it is said by whom
    voice = next(source for source in second.result.sources if source.name == "lead voice")
    assert {finding.severity for finding in voice.findings} == {"note"}
    assert all("done by Ana since this was recorded" in finding.text for finding in voice.findings if finding.dismissed)
    # settings after the tap are in the week's file; a preamp's change never is a block, the gain it shows is a key
    blocks = {source.name: source for source in read_house(hall / WEEK).source}
    assert [block.block for block in blocks["bass"].chain] == ["trim", "compressor"]
    assert [block.block for block in blocks["keys"].chain] == ["polarity"]
    assert blocks["lead voice"].chain == []
    assert blocks["lead voice"].preamp_db == pytest.approx(46.0 + preamp_db(first))
    assert (hall / "house.toml").read_text("utf-8") == HOUSE
    # and a stretch of it is the same take
    assert not moves_of(check(hall / "first", start_s=2.0))


def test_one_by_one_comes_to_the_same(hall):
    whole = run("done", hall / "first")
    assert whole.exit_code == 0, whole.output
    at_once = (hall / WEEK).read_bytes()
    (hall / WEEK).unlink()
    (hall / "history.sqlite").unlink()
    for move in ("lead voice/preamp", "bass/trim", "keys", "bass/compressor"):
        one = run("done", hall / "first", "--move", move)
        assert one.exit_code == 0, one.output
        assert one.output.count("Done: ") == 1
    assert (hall / WEEK).read_bytes() == at_once
    assert not moves_of(check(hall / "first"))


def carried_out(tracks: dict[str, NDArray[np.float64]], gain_db: float) -> dict[str, NDArray[np.float64]]:
    """The next take at the preamp: nothing but the preamp's change is in it."""
    return tracks | {"vox": amplitude(gain_db) * tracks["vox"]}


def test_a_later_take_holds_it_and_says_so(hall, tracks):
    first = check(hall / "first")
    run("done", hall / "first", "--by", "Ana")
    write_take(hall / "second", carried_out(tracks, preamp_db(first)))
    second = check(hall / "second")
    assert not moves_of(second)
    assert fates_of(second) == dict.fromkeys(ALL - {"lead voice/preamp"}, "done") | {"lead voice/preamp": "confirmed"}
    voice = next(source for source in second.result.sources if source.name == "lead voice")
    [remark] = [move.remark for move in voice.earlier_moves]
    assert "by Ana; this take shows it" in remark
    # the first take is still the first: it is looked at with what was turned since
    assert not moves_of(check(hall / "first"))


def test_what_was_ticked_and_not_turned_is_asked_about(hall, tracks, rng):
    run("done", hall / "first", "--by", "Ana")
    write_take(hall / "second", tracks | {"vox": pink(rng, 14.0, -4.0)})
    second = check(hall / "second")
    assert set(moves_of(second)) == {"lead voice/preamp"}
    assert fates_of(second)["lead voice/preamp"] == "contradicted"
    assert "not heard in this take: was it done?" in run("check", hall / "second", "--no-report").output
    # by a clock that was set back it cannot be told which came first, and nothing is claimed
    for file in (hall / "second").iterdir():
        os.utime(file, (1.0e9, 1.0e9))
    assert fates_of(check(hall / "second"))["lead voice/preamp"] == "unseen"


def test_half_done_asks_exactly_the_remainder(hall, tracks):
    first = check(hall / "first")
    asked_db = preamp_db(first)
    run("done", hall / "first")
    write_take(hall / "second", carried_out(tracks, asked_db / 2))
    second = check(hall / "second")
    voice = next(source for source in second.result.sources if source.name == "lead voice")
    assert set(moves_of(second)) == {"lead voice/preamp"} or not any(
        finding.kind == "clipped" for finding in voice.findings
    )
    # what is still too hot, in steps of the preamp
    change_db = sum(
        (move.settings["gain"].after - (move.settings["gain"].before or 0.0)) for move in moves_of(second).values()
    )
    # a preamp's step is 1 dB, and one that clips goes down by whole steps
    assert change_db == pytest.approx(-18.0 - voice.before.level_dbfs, abs=1.0)
    assert fates_of(second)["lead voice/preamp"] == "unseen"


def test_what_was_declined_stays_declined_at_this_show(hall, tracks, rng):
    done = run("done", hall / "first", "--declined", "--move", "lead voice/preamp", "--by", "Ben")
    assert "Declined: lead voice" in done.output
    assert not (hall / WEEK).exists()
    assert set(moves_of(check(hall / "first"))) == ALL - {"lead voice/preamp"}
    write_take(hall / "second", tracks | {"vox": pink(rng, 14.0, -4.0)})
    second = check(hall / "second")
    assert set(moves_of(second)) == ALL - {"lead voice/preamp"}
    assert fates_of(second) == {"lead voice/preamp": "declined"}


def test_taken_back_it_is_as_it_was(hall):
    before = set(moves_of(check(hall / "first")))
    run("done", hall / "first")
    back = run("done", hall / "first", "--take-back")
    assert back.output.count("Taken back: ") == 4
    week = {source.name: source for source in read_house(hall / WEEK).source}
    standing = {source.name: source for source in read_house(hall / "house.toml").source}
    assert {name: source.chain for name, source in week.items()} == {
        name: source.chain for name, source in standing.items()
    }
    assert set(moves_of(check(hall / "first"))) == before


def test_what_is_set_before_the_tap_is_turned_in_its_own_block(hall, tracks):
    """Common practice, no source: tracks taken after the gain hold the trim, which the sheet has once."""
    text = HOUSE.replace('name = "Tern Street Hall"', 'name = "Tern Street Hall"\ntap = "after-gain"')
    text = text.replace("[[source.chain]]", '[[source.chain]]\nblock = "trim"\ngain = "2 dB"\n[[source.chain]]', 1)
    (hall / "house.toml").write_text(text, "utf-8")
    first = check(hall / "first")
    trim = moves_of(first)["bass/trim"]
    assert trim.settings["gain"].before == 2.0
    run("done", hall / "first")
    assert not moves_of(check(hall / "first"))
    [bass] = [source for source in read_house(hall / WEEK).source if source.name == "bass"]
    assert [block.block for block in bass.chain] == ["trim", "compressor"]
    change_db = bass.chain[0].gain_db - 2.0
    # the next take is recorded after the turned trim and the turned preamp
    second = carried_out(tracks, preamp_db(first)) | {"bass": amplitude(change_db) * tracks["bass"]}
    write_take(hall / "second", second)
    checked = check(hall / "second")
    assert not moves_of(checked)
    assert fates_of(checked)["bass/trim"] == "confirmed"


def test_two_who_tick_at_once_write_it_once(hall):
    checks = [check(hall / "first") for _ in range(2)]
    ticked = [None, None]

    def write(number: int) -> None:
        ticked[number] = tick_recording(
            checks[number], hall / "first", (), history=None, done=True, by=("Ana", "Ben")[number]
        )

    threads = [threading.Thread(target=write, args=(number,)) for number in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(len(one.new) for one in ticked) == [0, 4]
    assert sorted(len(one.earlier) for one in ticked) == [0, 4]
    [bass] = [source for source in read_house(hall / WEEK).source if source.name == "bass"]
    assert [block.block for block in bass.chain] == ["trim", "compressor"]


def test_a_file_that_was_changed_since_is_not_written_over(hall):
    checked = check(hall / "first")
    (hall / WEEK).write_text(HOUSE.replace("-10 dBFS", "-12 dBFS"), "utf-8")
    with pytest.raises(UsageError, match="was changed since this take was checked; check it again"):
        tick_recording(checked, hall / "first", (), history=None, done=True, by="Ana")
    assert "-12 dBFS" in (hall / WEEK).read_text("utf-8")
    # and nothing was written to the history either
    assert not fates_of(check(hall / "first"))


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (("--move", "bass/trimm"), "did you mean bass/trim"),
        (("--take-back",), "no show was kept yet"),
        (("--take-back", "--declined"), "leave one of them out"),
    ],
)
def test_wrong_use_is_one_line(hall, arguments, line):
    done = run("done", hall / "first", *arguments)
    assert done.exit_code == 2
    assert line in done.output
    assert done.output.count("\n") == 1


def test_a_take_is_known_by_its_content(hall, tracks, tmp_path):
    first = take_digest(open_recording(hall / "first"))
    (hall / "first").rename(hall / "moved")
    assert take_digest(open_recording(hall / "moved")) == first
    assert take_digest(open_recording(hall / "moved", start_s=3.0)) == first
    write_take(hall / "second", carried_out(tracks, -0.1))
    assert take_digest(open_recording(hall / "second")) != first


@pytest.mark.parametrize("when", ["before the file", "after the file"])
def test_killed_at_the_tick(hall, when):
    """SIGKILL amid the transaction: the file is the old or the new one, and ticked again it comes to the same."""
    checked = check(hall / "first")
    child = os.fork()
    if not child:
        try:
            from deskhand.tasks import done as module

            write = module.write_atomically

            def killed(path, text):
                if when == "after the file":
                    write(path, text)
                os.kill(os.getpid(), signal.SIGKILL)

            module.write_atomically = killed
            tick_recording(checked, hall / "first", (), history=None, done=True, by="Ana")
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    again = check(hall / "first")
    assert not fates_of(again)
    assert set(moves_of(again)) == (ALL if when == "before the file" else {"lead voice/preamp"})
    done = run("done", hall / "first", "--by", "Ana")
    assert done.exit_code == 0, done.output
    assert not moves_of(check(hall / "first"))
    [bass] = [source for source in read_house(hall / WEEK).source if source.name == "bass"]
    assert [block.block for block in bass.chain] == ["trim", "compressor"]
    assert [path.name for path in hall.iterdir() if path.name.startswith(".deskhand-")] == []


def test_a_history_without_the_table_is_brought_up(hall):
    from alembic import command
    from alembic.config import Config

    from deskhand.store.engine import MIGRATIONS, engine_of
    from deskhand.store.history import open_history

    url, file = f"sqlite:///{hall / 'history.sqlite'}", hall / "history.sqlite"
    open_history(url, create=True).close()
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine_of(url, file).connect().execution_options(writes=True) as connection, connection.begin():
        config.attributes["connection"] = connection
        command.downgrade(config, "0002")
    before = file.read_bytes()
    assert set(moves_of(check(hall / "first"))) == ALL
    # as it was, beside it: the way back to the earlier version of the program
    assert [path.name for path in hall.glob("history.sqlite*") if path != file] == [
        "history.sqlite.before-upgrade-from-0002"
    ]
    assert (hall / "history.sqlite.before-upgrade-from-0002").read_bytes() == before
    assert run("done", hall / "first").exit_code == 0
    assert not moves_of(check(hall / "first"))
