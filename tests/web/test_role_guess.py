"""Guess of a role by sound on the page's set-up: beside the role, taken over by one choice, or not at all."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
import soundfile

from deskhand.house import read_house
from deskhand.tasks.role_by_sound import SoundGuess, SoundModel
from tests.support.small_hall import Asker, small_hall

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DRUM = SoundGuess(roles=("snare", "toms"), words="a snare or a tom", surety=0.85)


@pytest.fixture
def asker(tmp_path: Path) -> Iterator[Asker]:
    root = small_hall(tmp_path / "hall", checked=False)
    (root / "house.toml").unlink()
    show = root / "show-2026-03-01"
    samples, rate_hz = soundfile.read(show / "vox.wav", always_2d=True)
    soundfile.write(show / "Ana.wav", samples, rate_hz)
    with Asker(root) as made:
        yield made


def test_a_guess_stands_first_in_the_list_and_is_not_chosen(asker: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SoundModel, "guess", lambda *_: DRUM)
    assert asker.waited(asker.told("listen", id=asker.id)["job"])["state"] == "done"
    rows = asker.get(f"/first?of={asker.id}").text.split("<fieldset")[1:]
    row = next(row for row in rows if 'name="name" value="Ana"' in row)
    assert "not clear from its name: choose one; it sounds like a snare or a tom (about 8 in 10): is it?" in row
    group = re.search(r'<optgroup label="by its sound">(.*?)</optgroup>', row)
    assert group
    assert re.findall(r'value="(\w+)"', group[1]) == ["snare", "toms"]
    # each role once, and the open one chosen until somebody says yes
    assert row.count('<option value="snare"') == 1
    assert re.findall(r'<option value="([^"]*)" selected', row) == ["other"]
    assert not any("sounds like" in row for row in rows if 'value="Ana"' not in row)
    sources = [{"name": "Ana", "left": "Ana"}, {"name": "vox", "role": "lead vocal", "left": "vox"}]
    asker.told("house", id=asker.id, name="Tern Street Hall", sources=[sources[0] | {"role": "other"}, sources[1]])
    assert "# question: sounds like a snare or a tom" in asker.hall.house_file.read_text("utf-8")
    asker.hall.house_file.unlink()
    asker.told("house", id=asker.id, name="Tern Street Hall", sources=[sources[0] | {"role": "toms"}, sources[1]])
    assert "sounds like" not in asker.hall.house_file.read_text("utf-8")
    assert read_house(asker.hall.house_file).source[0].role == "toms"
