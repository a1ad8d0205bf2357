"""A recording that becomes longer while it is checked: what came later is not silently left out."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from deskhand.tasks import check as checking
from tests.support.small_hall import HOUSE, RATE_HZ, pink

SECONDS = 3.0


@pytest.fixture
def show(tmp_path):
    (tmp_path / "house.toml").write_text(HOUSE)
    folder = tmp_path / "show"
    folder.mkdir()
    for seed, name in enumerate(("pno l", "pno r", "vox")):
        soundfile.write(folder / f"{name}.wav", pink(SECONDS, seed), RATE_HZ, subtype="PCM_24")
    return folder


@pytest.mark.parametrize(
    ("names", "told"),
    [
        pytest.param(["vox"], ["vox.wav is still being recorded; checked up to 0:03."], id="one"),
        pytest.param(
            ["pno l", "vox"], ["pno l.wav and 1 more are still being recorded; checked up to 0:03."], id="two"
        ),
        pytest.param([], [], id="none"),
    ],
)
def test_a_recorder_that_goes_on_is_told(show, monkeypatch, names, told):
    measured = checking._measured

    def meanwhile(*arguments, **options):
        readings = measured(*arguments, **options)
        for name in names:
            with (show / f"{name}.wav").open("ab") as file:
                file.write(np.zeros(4800, np.int16).tobytes())
        return readings

    monkeypatch.setattr(checking, "_measured", meanwhile)
    notes = checking.check(show).result.show.notes
    assert [note.split(" Check again")[0] for note in notes if "still being recorded" in note] == told
