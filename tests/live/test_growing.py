"""A file that is being recorded can be read at every moment, by us and by others; what is written to it is what is read from it."""

from __future__ import annotations

import errno
import io
import signal
import struct
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from deskhand.live.disk import Recorder
from deskhand.live.ring import Ring
from deskhand.recording import open_recording
from deskhand.recording.growing import GrowingFile

RATE_HZ = 48000
STEP = 1 << 23


def samples(rng: np.random.Generator, channels: int, frames: int) -> np.ndarray:
    """On the grid of 24-bit words, so that nothing is rounded."""
    return (np.round(rng.uniform(-0.9, 0.9, (channels, frames)) * STEP) / STEP).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 3, 32])
def test_what_is_written_is_read_with_its_names(tmp_path, rng, channels):
    signal_ = samples(rng, channels, RATE_HZ + 7)
    names = [f"{chr(97 + place % 26)}{chr(97 + place // 26)} <&>" for place in range(channels)]
    file = GrowingFile(tmp_path / "take.wav", names, RATE_HZ)
    for first in range(0, signal_.shape[1], 1000):
        file.write(signal_[:, first : first + 1000])
    file.close()
    found = open_recording(tmp_path)
    assert [track.name for track in found.tracks] == names
    assert np.array_equal(found.read(), signal_)
    assert not found.notes
    # and by a library that knows nothing of us (libsndfile)
    other, rate = soundfile.read(tmp_path / "take.wav", dtype="float32", always_2d=True)
    assert rate == RATE_HZ
    assert np.array_equal(other.T, signal_)


def test_full_scale_is_cut_as_a_converter_does(tmp_path):
    file = GrowingFile(tmp_path / "take.wav", ["x"], RATE_HZ)
    file.write(np.array([[2.0, -2.0, 0.0] * RATE_HZ], np.float32))
    file.close()
    got, _ = soundfile.read(tmp_path / "take.wav")
    assert got[0] == pytest.approx(1 - 1 / STEP)
    assert got[1] == -1.0


def test_a_take_that_is_there_is_not_overwritten(tmp_path):
    GrowingFile(tmp_path / "take.wav", ["x"], RATE_HZ).close()
    with pytest.raises(FileExistsError):
        GrowingFile(tmp_path / "take.wav", ["x"], RATE_HZ)


KILLED = """
import sys
from pathlib import Path
import numpy as np
from deskhand.recording.growing import GrowingFile
file = GrowingFile(Path(sys.argv[1]), ["a", "b", "c"], 48000)
place = np.arange(480, dtype=np.float32)
for at in range(100000):
    block = (np.stack([place, place + 1, place + 2]) + 480 * (at % 1000)) / (1 << 23)
    file.write(block)
    if at == 500:
        print("go", flush=True)
"""


@pytest.mark.parametrize("after_s", [0.0, 0.013, 0.04, 0.11])
def test_a_crash_leaves_a_readable_file(tmp_path, after_s):
    """Killed at any moment: all whole frames up to then are there, and right."""
    path = tmp_path / "take.wav"
    with subprocess.Popen([sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
    found = open_recording(path)
    assert found.frames >= 500 * 480
    got = found.read()
    place = np.arange(got.shape[1]) % (480 * 1000)
    for row in range(3):
        assert np.array_equal(np.rint(got[row] * STEP), place + row)
    # others believe the header, which is at most two seconds behind
    other, _ = soundfile.read(path, always_2d=True)
    assert len(other) >= got.shape[1] - 2 * RATE_HZ - 480


def test_a_full_disk_loses_nothing_that_was_written(tmp_path, rng, monkeypatch):
    signal_ = samples(rng, 2, 4 * RATE_HZ)
    ring = Ring.of(2, 8 * RATE_HZ)
    real = GrowingFile.write

    class Full:
        """A file that can grow by four bytes, which is no whole frame; what is there already can be written over."""

        def __init__(self, file: io.FileIO) -> None:
            self.file, self.end, self.left = file, file.tell(), 4

        def write(self, data: memoryview) -> int:
            if self.file.tell() < self.end:
                return self.file.write(data) or 0
            if not self.left:
                raise OSError(errno.ENOSPC, "No space left on device")
            taken = self.file.write(data[: self.left]) or 0
            self.left -= taken
            return taken

        def __getattr__(self, name: str) -> object:
            return getattr(self.file, name)

    def full(self: GrowingFile, block: np.ndarray) -> None:
        if self.frames >= RATE_HZ and not isinstance(self._file, Full):
            self._file = Full(self._file)  # type: ignore[assignment]
        real(self, block)

    monkeypatch.setattr(GrowingFile, "write", full)
    recorder = Recorder(tmp_path / "rec", ["a", "b"], ring, RATE_HZ)
    ring.write(signal_)
    deadline = time.monotonic() + 20
    while recorder.problem is None and time.monotonic() < deadline:
        time.sleep(0.05)
    recorder.close()
    assert recorder.problem is not None
    assert "No space left" in recorder.problem
    assert "take.wav" in recorder.problem
    found = open_recording(tmp_path / "rec")
    assert np.array_equal(found.read(), signal_[:, : found.frames])
    assert found.frames == RATE_HZ
    # EBU Tech 3306: the size in the ds64 chunk is that of all that comes behind the first eight bytes
    [file] = (tmp_path / "rec").rglob("*.wav")
    assert struct.unpack_from("<Q", file.read_bytes(), 20)[0] + 8 == file.stat().st_size


def test_a_disk_that_is_too_slow_leaves_silence_of_the_same_length(tmp_path, rng):
    ring = Ring.of(1, RATE_HZ)
    first, rest = samples(rng, 1, RATE_HZ // 2), samples(rng, 1, 3 * RATE_HZ)
    recorder = Recorder(tmp_path / "rec", ["a"], ring, RATE_HZ)
    ring.write(first)
    while recorder.frames < first.shape[1]:
        time.sleep(0.02)
    # more than the ring holds comes at once
    for at in range(0, rest.shape[1], 4800):
        ring.write(rest[:, at : at + 4800])
    recorder.close()
    got = open_recording(tmp_path / "rec").read()
    assert got.shape[1] == first.shape[1] + rest.shape[1]
    assert recorder.lost > 0
    assert np.array_equal(got[:, : first.shape[1]], first)
    silent = got[:, first.shape[1] : first.shape[1] + recorder.lost]
    assert not silent.any()
    assert np.array_equal(got[:, first.shape[1] + recorder.lost :], rest[:, recorder.lost :])


def test_the_folder_of_a_take_that_is_there_is_refused(tmp_path):
    from deskhand.errors import UsageError

    ring = Ring.of(1, 100)
    Recorder(tmp_path / "rec", ["a"], ring, RATE_HZ).close()
    with pytest.raises(UsageError, match="holds a take already"):
        Recorder(tmp_path / "rec", ["a"], ring, RATE_HZ)
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match=r"cannot be written|holds a take"):
        Recorder(tmp_path / "file", ["a"], ring, RATE_HZ)


def test_ring_gives_back_what_went_in(rng):
    from deskhand.errors import LiveError

    ring = Ring.of(2, 1000)
    signal_ = samples(rng, 2, 5000)
    at = 0
    for size in rng.integers(1, 333, 40):
        ring.write(signal_[:, at : at + int(size)])
        at = min(at + int(size), 5000)
        first = max(ring.oldest, 0)
        assert np.array_equal(ring.read(first, at - first), signal_[:, first:at])
        if at == 5000:
            break
    with pytest.raises(LiveError, match="too late"):
        ring.read(ring.oldest - 1, 2)
    with pytest.raises(LiveError):
        ring.read(ring.written, 1)
