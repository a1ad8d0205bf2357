"""A recording that cannot even begin: the disk's own reason is told, and nothing of it stays in the way."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING

import pytest

from deskhand.recording.growing import GrowingFile

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("is_taken_out", [False, True])
def test_a_disk_that_is_full_or_taken_out_at_the_first_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_taken_out: bool
) -> None:
    def full(self: GrowingFile, data: bytes) -> None:
        if is_taken_out:
            self.path.unlink()
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(GrowingFile, "_append", full)
    with pytest.raises(OSError, match="No space left on device"):
        GrowingFile(tmp_path / "take.wav", ["vox"], 48000)
    assert not list(tmp_path.iterdir())
