"""Memory does not grow with length: two hours of 64 tracks, of which only the ends are read.

The file is a hole: headers are written, the 66 GB of samples are not, and the file system gives noughts for them. What
counts is the reader's memory, so each reading has a process of its own.
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import textwrap
from typing import TYPE_CHECKING, Final

import pytest

from tests.support.writers import LONG, chunk, fmt_chunk

if TYPE_CHECKING:
    from pathlib import Path

CHANNELS: Final = 64
RATE_HZ: Final = 48000
DURATION_S: Final = 7200
FRAME_BYTES: Final = CHANNELS * 3
MIB: Final = 2**20

READ: Final = textwrap.dedent(
    """
    import json, resource, sys
    from pathlib import Path

    def peak_bytes():
        # Linux counts in KiB, macOS in bytes
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)

    from deskhand.recording import open_recording
    import deskhand.dsp.unpack

    path, start_s, end_s, frames = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    for block in open_recording(path, start_s=0.0, end_s=0.5).blocks(4800):
        pass
    before = peak_bytes()
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    read = 0
    last = 0.0
    for block in recording.blocks(frames):
        read += block.samples.shape[1]
        last = float(block.samples[-1, -1])
    print(json.dumps({"grown": peak_bytes() - before, "read": read, "tracks": len(recording.tracks), "last": last}))
    """
)


@pytest.fixture(scope="module")
def long_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """RF64 (EBU Tech 3306): 66 GB of samples, a marker in the last word of the last frame, nearly none of it on disk."""
    path = tmp_path_factory.mktemp("long") / "20260301.wav"
    data_bytes = DURATION_S * RATE_HZ * FRAME_BYTES
    head = b"RF64" + struct.pack("<I", LONG) + b"WAVE"
    head += chunk(b"ds64", struct.pack("<QQQI", data_bytes + 80, data_bytes, DURATION_S * RATE_HZ, 0))
    head += fmt_chunk(channels=CHANNELS, rate_hz=RATE_HZ, bits=24) + struct.pack("<4sI", b"data", LONG)
    try:
        with path.open("wb") as file:
            file.write(head)
            file.truncate(len(head) + data_bytes)
            file.seek(len(head) + data_bytes - 3)
            file.write(b"\0\0\x40")
    except OSError as error:
        pytest.skip(f"this file system holds no file of 66 GB ({error.strerror})")
    if path.stat().st_blocks * 512 > MIB:
        path.unlink()
        pytest.skip("this file system holds no holes")
    return path


@pytest.mark.skipif(sys.platform == "win32", reason="counts memory with getrusage")
@pytest.mark.parametrize(
    ("start_s", "end_s", "last"),
    [pytest.param(0.0, 20.0, 0.0, id="beginning"), pytest.param(7180.0, 7200.0, 0.5, id="far-end")],
)
def test_memory_does_not_grow_with_length(long_file: Path, start_s: float, end_s: float, last: float) -> None:
    frames = RATE_HZ // 4
    done = subprocess.run(
        [sys.executable, "-c", READ, str(long_file), str(start_s), str(end_s), str(frames)],
        capture_output=True,
        text=True,
        check=True,
    )
    found = json.loads(done.stdout)
    assert found["tracks"] == CHANNELS
    assert found["read"] == 20 * RATE_HZ
    # 0x400000 of 24 bits is half of full scale: the last word of the file was reached
    assert found["last"] == last
    # two blocks of float32 and one of raw words, 8.1 MiB, and as much again for what the process asks on top; what was
    # read is 176 MiB in the file and 234 MiB in floats
    block_bytes = CHANNELS * frames * (4 + 4 + 3)
    assert found["grown"] < 2 * block_bytes + 8 * MIB
