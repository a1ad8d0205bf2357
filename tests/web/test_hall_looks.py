"""How often a hall looks for recordings: at most once a second, however often its page is asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.web import hall as module
from deskhand.web.hall import Hall
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_a_recording_is_seen_a_second_later_or_when_something_was_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = 100.0
    monkeypatch.setattr(module.time, "monotonic", lambda: now_s)
    hall = Hall(tmp_path)
    assert hall.recordings() == []
    (tmp_path / "show").mkdir()
    write_wave(tmp_path / "show" / "vox.wav", np.zeros(480, np.float32), rate_hz=48000)
    now_s = 100.9
    assert hall.recordings() == []
    now_s = 101.1
    assert len(hall.recordings()) == 1
    (tmp_path / "show" / "vox.wav").unlink()
    now_s = 101.2
    assert len(hall.recordings()) == 1
    hall.look_again()
    assert hall.recordings() == []
