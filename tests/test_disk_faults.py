"""Every writer on a disk that fails: the old file whole or the new one, one line, nothing left; after a power cut what was told as written is there.

In order: each step of each writer failing, in pieces, and the power going before each step; readers; a recording that grows; a clock
that is set back; that nothing else in the package writes; the disk itself.
"""

from __future__ import annotations

import ast
import errno
import os
from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

import deskhand
from deskhand.errors import DeskhandError, UsageError
from deskhand.files import write_atomically
from deskhand.recording import open_recording
from deskhand.recording.growing import GrowingFile
from deskhand.recording.show import write_show_note
from tests.support.faulty_disk import FaultyDisk, PowerCut, Step

OLD = "what stood here before\n"
ERRORS = (errno.EIO, errno.ENOSPC)


@dataclass(frozen=True)
class Writer:
    """One way to write a file."""

    name: str
    write: Callable[[Path], None]
    whole: Callable[[bytes], bool]
    is_new_only: bool = False
    """It does not write over what is there."""


def rendered(target: Path) -> None:
    from deskhand.tasks.render.files import GatheredSound, write_wave

    with ExitStack() as stack:
        sound = GatheredSound("piano", 1, 48000, target.parent.parent, stack)
        sound.take(0.1 * np.random.default_rng(1).standard_normal((1, 24000)))
        sound.finish()
        try:
            write_wave(target, [(sound, 1.0)], float_files=False, comment="x")
        except OSError as error:
            # as the task does that calls it
            raise UsageError(str(target), f"cannot be written ({error.strerror})", "choose another place") from None


def is_wave(data: bytes) -> bool:
    return len(data) > 72000 and data[:4] == b"RIFF" and int.from_bytes(data[4:8], "little") + 8 == len(data)


def noted(target: Path) -> None:
    write_show_note(target.parent, {"phase": "rehearsal"})


def uploaded(target: Path) -> None:
    from deskhand.web.app import make_app
    from deskhand.web.hall import Hall
    from tests.support.small_hall import OWN, raw

    app = make_app(Hall(target.parent.parent), by="Mara")
    headers = [*OWN.items(), ("content-length", "60000")]
    status, _, body = raw(
        app, "PUT", f"/upload/{target.parent.name}/{target.name}", headers=headers, pieces=[b"x" * 30000] * 2
    )
    if status != 201:
        assert status == 400, body
        raise UsageError("upload", body.decode(), "try again")


WRITERS = [
    Writer("any file", lambda target: write_atomically(target, "new\n" * 5000), lambda data: data == b"new\n" * 5000),
    Writer("a rendered sound", rendered, is_wave),
    Writer("a show's note", noted, lambda data: data == b'phase = "rehearsal"\n'),
    Writer("an upload", uploaded, lambda data: data == b"x" * 60000, is_new_only=True),
]
NAMES = {"a show's note": "show.toml"}
BY_NAME = pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name.replace(" ", "-"))


def folder_of(base: Path, writer: Writer, number: object) -> Path:
    folder = base / str(number) / "show"
    folder.mkdir(parents=True)
    target = folder / NAMES.get(writer.name, "take.wav")
    if not writer.is_new_only:
        target.write_text("" if writer.name in NAMES else OLD)
    return target


def old_of(target: Path) -> bytes | None:
    return target.read_bytes() if target.exists() else None


def steps_of(writer: Writer, base: Path) -> list[Step]:
    target = folder_of(base, writer, "whole")
    with FaultyDisk(target.parent.parent) as disk:
        writer.write(target)
    assert writer.whole(target.read_bytes())
    # what was told as written is there after a power cut, whatever else is not
    for left in disk.disks():
        assert writer.whole(left[target]), disk.steps
    return disk.steps


@BY_NAME
def test_each_step_fails_once(tmp_path: Path, writer: Writer) -> None:
    steps = steps_of(writer, tmp_path)
    assert {"open", "sync", "move"} <= {step.kind for step in steps}
    for number, step in enumerate(steps):
        for error in ERRORS:
            target = folder_of(tmp_path, writer, f"{number}-{error}")
            old = old_of(target)
            with FaultyDisk(target.parent.parent, fail_at=number, error=error), pytest.raises(DeskhandError) as caught:
                writer.write(target)
            assert os.strerror(error) in str(caught.value), step
            assert len(str(caught.value).splitlines()) == 1
            assert old_of(target) == old or writer.whole(target.read_bytes()), step
            left = {path.name for path in target.parent.parent.rglob("*") if path.is_file()} - {target.name}
            assert not left, step


@BY_NAME
def test_the_power_goes_before_each_step(tmp_path: Path, writer: Writer) -> None:
    for number, step in enumerate(steps_of(writer, tmp_path)):
        target = folder_of(tmp_path, writer, f"cut-{number}")
        old = old_of(target)
        with FaultyDisk(target.parent.parent, cut_at=number) as disk, pytest.raises(PowerCut):
            writer.write(target)
        for left in disk.disks():
            assert left.get(target) == old or writer.whole(left[target]), (step, number)
            # the next command clears these: they carry the number of a process that is gone
            assert all(path.name.lstrip(".").startswith("deskhand-") for path in left if path != target)


@BY_NAME
def test_a_disk_that_writes_in_pieces(tmp_path: Path, writer: Writer) -> None:
    target = folder_of(tmp_path, writer, "pieces")
    with FaultyDisk(target.parent.parent, is_short=True) as disk:
        writer.write(target)
    assert writer.whole(target.read_bytes())
    # the wave is written by its library
    assert len([step for step in disk.steps if step.kind == "write"]) > 1 or writer.name == "a rendered sound"


# readers


def sounds(folder: Path, kind: str) -> Path:
    samples = 0.1 * np.random.default_rng(3).standard_normal(30000)
    path = folder / f"take.{kind}"
    soundfile.write(path, samples, 48000, subtype="PCM_24")
    if kind == "flac":
        # cut short: read through our own view of the file
        path.write_bytes(path.read_bytes()[:-9000])
    return path


@pytest.mark.parametrize("kind", ["wav", "aiff", "caf", "w64", "flac"])
def test_reading_in_pieces_reads_the_same(tmp_path: Path, kind: str) -> None:
    path = sounds(tmp_path, kind)
    whole = open_recording(path).read()
    with FaultyDisk(tmp_path, is_short=True) as disk:
        assert np.array_equal(open_recording(path).read(), whole)
    assert len(disk.steps) > 4


@pytest.mark.parametrize("kind", ["wav", "aiff", "caf", "w64", "flac"])
def test_a_card_that_fails_is_told(tmp_path: Path, kind: str) -> None:
    path = sounds(tmp_path, kind)
    with FaultyDisk(tmp_path) as disk:
        open_recording(path).read()
    for number in range(len(disk.steps)):
        with FaultyDisk(tmp_path, fail_at=number), pytest.raises(DeskhandError) as caught:
            open_recording(path).read()
        assert path.name in str(caught.value)
        assert len(str(caught.value).splitlines()) == 1


# a recording that grows


def test_a_growing_recording_keeps_what_was_synced_through_a_power_cut(tmp_path: Path) -> None:
    samples = 0.1 * np.random.default_rng(4).standard_normal((2, 480)).astype(np.float32)

    def record(seconds: int) -> None:
        file = GrowingFile(tmp_path / "take.wav", ["a", "b"], 48000)
        with closing(file._file):
            for _ in range(100 * seconds):
                file.write(samples)
            file.close()

    with FaultyDisk(tmp_path) as disk:
        record(5)
    cuts = range(0, len(disk.steps), max(1, len(disk.steps) // 25))
    kept_s = []
    for cut in cuts:
        (tmp_path / "take.wav").unlink(missing_ok=True)
        with FaultyDisk(tmp_path, cut_at=cut) as disk, pytest.raises(PowerCut):
            record(5)
        *_, newest = disk.disks()
        data = newest.get(tmp_path / "take.wav", b"")
        if len(data) < 48000 * 6 * 0.5:
            kept_s.append(0.0)
            continue
        (tmp_path / "left").mkdir(exist_ok=True)
        (tmp_path / "left" / "take.wav").write_bytes(data)
        read = open_recording(tmp_path / "left" / "take.wav").read()
        expected = np.round(np.tile(samples, 500) * 2**23)[:, : read.shape[1]]
        assert np.array_equal(np.rint(read * 2**23), expected)
        written_s = sum(step.kind == "write" for step in disk.steps) * 0.01
        kept_s.append(read.shape[1] / 48000)
        # two seconds at the most are lost, and the block in hand
        assert kept_s[-1] > written_s - 2.1
    assert max(kept_s) >= 4.0


@pytest.mark.parametrize("error", ERRORS)
def test_a_recording_that_cannot_begin_leaves_nothing(tmp_path: Path, error: int) -> None:
    from deskhand.live.disk import Recorder
    from deskhand.live.ring import Ring

    for number in (0, 1):
        with (
            FaultyDisk(tmp_path, fail_at=number, error=error) as disk,
            pytest.raises(UsageError, match="cannot be written"),
        ):
            Recorder(tmp_path / "rec", ["a"], Ring.of(1, 4800), 48000)
        assert len(disk.steps) == number + 1
        assert not [path for path in tmp_path.rglob("*") if path.is_file()]


# a clock that is set


@pytest.mark.parametrize("steps_s", [(0.0, -3600.0), (0.0, 86400.0 * 400), (0.0, -86400.0 * 30)])
def test_a_clock_that_is_set_between_two_takes_changes_no_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, steps_s: tuple[float, float]
) -> None:
    from datetime import UTC, datetime, timedelta

    from deskhand.store.history import open_history
    from tests.support.histories import HOUSE, kept_take

    history = open_history(f"sqlite:///{tmp_path / 'history.sqlite'}", create=True)
    assert history is not None
    begin = datetime(2026, 3, 1, 18, tzinfo=UTC)
    for week, step_s in enumerate(steps_s):
        moment = (begin + timedelta(seconds=step_s)).isoformat(timespec="seconds")
        monkeypatch.setattr("deskhand.store.history.now_utc", lambda moment=moment: moment)
        history.keep(kept_take(week))
    assert [take.show for take in history.takes(house=HOUSE)] == ["week 0", "week 1"]
    history.close()


# nothing else writes

WRITES_ITSELF = {
    "files": "the one writer", "recording.growing": "grows: see above", "recording.files": "temporary, without a name",
    "tasks.render.files": "see above", "web.setup": "see above", "leftovers": "removes",
    "demo.season": "invented shows, made anew", "demo.line_check": "invented shows, made anew",
    "demo.seat": "invented shows, made anew", "web.invented": "moves invented shows that were made whole",
    "chain.growing": "temporary, without a name", "mix.reused_feeds": "temporary, without a name",
    "tasks.demo": "invented shows, made anew", "archive.remote": "a copy in a temporary folder, copied again",
    "store.exchange": "synced, then renamed, as files does: tests/store/test_exchange.py", "tasks.store_repair": "the same; the history stays until then",
    "web.link": "a secret of six hours in the temporary folder: without it phones scan again",
    "reuse.kept": "its digest tells what a power cut left, and it is measured again: test_checked_again.py",
}  # fmt: skip


def test_whoever_writes_is_known() -> None:
    """A module that opens a file for writing, or moves one, is tested above or has its reason."""
    writers = set()
    package = Path(deskhand.__file__).parent
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute | ast.Name):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
            modes = [
                argument.value
                for argument in node.args
                if isinstance(argument, ast.Constant) and isinstance(argument.value, str)
            ]
            opens = name in ("open", "fdopen", "SoundFile") and any(
                set(mode) & set("wax+") and len(mode) < 4 for mode in modes
            )
            if opens or name in ("write_text", "write_bytes", "rename", "replace_file", "mkstemp", "TemporaryFile"):
                writers.add(".".join(path.relative_to(package).with_suffix("").parts))
    assert writers == set(WRITES_ITSELF) - {"leftovers"}


# the disk itself


def test_the_disk_sees_what_is_not_synced(tmp_path: Path) -> None:
    """Known truth: renaming without a sync leaves an empty file; with one of the file alone, the old or the new."""
    target = tmp_path / "x"

    def write(*, file: bool, folder: bool) -> list[bytes | None]:
        target.write_text("old")
        with FaultyDisk(tmp_path) as disk:
            with (tmp_path / "part").open("wb") as handle:
                handle.write(b"new")
                handle.flush()
                if file:
                    os.fsync(handle.fileno())
            (tmp_path / "part").replace(target)
            if folder:
                descriptor = os.open(tmp_path, os.O_RDONLY)
                os.fsync(descriptor)
                os.close(descriptor)
        return [left.get(target) for left in disk.disks()]

    assert set(write(file=False, folder=False)) == {b"old", b""}
    assert set(write(file=True, folder=False)) == {b"old", b"new"}
    assert set(write(file=True, folder=True)) == {b"new"}
