"""A second check of the same recording: to the last bit that of a fresh one, whatever changed in the house or in the files.

In this order: changes of the house, one after another in one folder of kept measurements; what is measured again and what is not; changes
of the recording; damaged, foreign and unwritable folders; the bound.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from deskhand.files import kept_beside
from deskhand.house import read_house
from deskhand.recording import open_recording
from deskhand.recording.identity import exact_identity, take_digest
from deskhand.result import plain
from deskhand.reuse import KeptMeasurements
from deskhand.tasks.check import CheckOptions, chained, check
from tests.support.small_hall import RATE_HZ, pink

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SECONDS = 2.0
HOUSE = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno l", "pno r"]
fader = "-6 dB"
[[source.chain]]
block = "high-pass"
frequency = "50 Hz"
[[source.chain]]
block = "compressor"
threshold = "-24 dBFS"
ratio = 2

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
fader = "0 dB"
[[source.chain]]
block = "bell"
frequency = "3 kHz"
gain = "2 dB"

[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
fader = "-3 dB"

[[source]]
name = "acoustic guitar"
role = "acoustic guitar"
tracks = ["gtr"]
fader = "-5 dB"

[[source]]
name = "backing voice"
role = "backing vocal"
tracks = ["bv"]
fader = "-8 dB"

[vocal]
source = "lead voice"
"""
CURVE = "100, -3\n1000, 0\n10000, {top}\n"


def settle(folder: Path) -> None:
    """Let the files lie as long as files of a real evening have, and no longer change."""
    for path in folder.iterdir():
        os.utime(path, (time.time() - 60, time.time() - 60))
    time.sleep(0.06)


def write_recording(folder: Path, *, seed: int = 0) -> Path:
    folder.mkdir(exist_ok=True)
    for number, name in enumerate(("pno l", "pno r", "vox", "bass", "gtr", "bv")):
        soundfile.write(folder / f"{name}.wav", pink(SECONDS, seed + number), RATE_HZ, subtype="PCM_24")
    settle(folder)
    return folder


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with a recording; measurements are kept from one test of this file to the next."""
    folder = tmp_path_factory.mktemp("evening")
    write_recording(folder / "show")
    (folder / "house.toml").write_text(HOUSE)
    check(folder / "show", kept_in=folder / "kept")
    return folder


def told(show: Path, *, kept_in: Path | None, **options: Any) -> tuple[Any, ...]:
    """All that a check tells, as it would be written down."""
    checked = check(show, kept_in=kept_in, options=CheckOptions(**options))
    pictures = {
        name: (picture.level_dbfs.tolist(), picture.taken_db.keys()) for name, picture in checked.pictures.items()
    }
    prints = None if checked.fingerprint is None else checked.fingerprint.chroma.tolist()
    return plain(checked.result), repr(pictures), prints, [repr(part) for part in checked.parts]


CHANGES: dict[str, Callable[[str], str]] = {
    "threshold": lambda text: text.replace('"-24 dBFS"', '"-30 dBFS"'),
    "new block": lambda text: text.replace('[[source]]\nname = "bass"', '[[source.chain]]\nblock = "gate"\nthreshold = "-50 dBFS"\n\n[[source]]\nname = "bass"'),
    "first block of a source": lambda text: text.replace("[vocal]", '[[source.chain]]\nblock = "limiter"\n\n[vocal]'),
    "chain taken away": lambda text: text.replace('[[source.chain]]\nblock = "bell"\nfrequency = "3 kHz"\ngain = "2 dB"\n', ""),
    "pan of a single channel": lambda text: text.replace("[vocal]", '[[source.chain]]\nblock = "pan"\nposition = 40\n\n[vocal]'),
    "fader": lambda text: text.replace('"-3 dB"', '"-9 dB"'),
    "fader taken away": lambda text: text.replace('fader = "-6 dB"\n', ""),
    "no mix": lambda text: re.sub(r"fader = .*\n", "", text),
    "muted": lambda text: text.replace('role = "bass"\n', 'role = "bass"\nmute = true\n'),
    "unused": lambda text: text.replace('role = "bass"\n', 'role = "bass"\nused = false\n'),
    "role": lambda text: text.replace('role = "bass"', 'role = "click"'),
    "name": lambda text: text.replace('name = "bass"', 'name = "contrabass"'),
    "preamp": lambda text: text.replace('block = "bell"', 'block = "gain"\ngain = "-4 dB"\n[[source.chain]]\nblock = "bell"'),
    "tap": lambda text: text.replace('name = "Tern Street Hall"\n', 'name = "Tern Street Hall"\ntap = "after-chain"\n'),
    "mains": lambda text: text.replace('name = "Tern Street Hall"\n', 'name = "Tern Street Hall"\nmains = "60 Hz"\n'),
    "nominal": lambda text: text.replace('name = "Tern Street Hall"\n', 'name = "Tern Street Hall"\nnominal = "-30 dBFS"\n'),
    "one of two tracks": lambda text: text.replace('["pno l", "pno r"]', '["pno l"]'),
    "two sources on one track": lambda text: text.replace("[vocal]", '[[source]]\nname = "bass again"\nrole = "bass"\ntracks = [1]\nfader = "-3 dB"\n\n[vocal]'),
    "a seat": lambda text: text.replace('name = "backing voice"\nrole = "backing vocal"\ntracks = ["bv"]\nfader = "-8 dB"\n', 'name = "mix position"\nrole = "seat"\ntracks = ["bv"]\n'),
    "curve": lambda text: text.replace("[vocal]", '[[source.chain]]\nblock = "curve"\nfile = "room.csv"\n\n[vocal]'),
}  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_house_is_told_as_if_it_were_the_first(evening: Path, change: str) -> None:
    text = CHANGES[change](HOUSE)
    assert text != HOUSE
    (evening / "room.csv").write_text(CURVE.format(top=3))
    (evening / "house.toml").write_text(text)
    read_house(evening / "house.toml")
    fresh = told(evening / "show", kept_in=None)
    assert told(evening / "show", kept_in=evening / "kept") == fresh
    if change == "curve":
        (evening / "room.csv").write_text(CURVE.format(top=-8))
        other = told(evening / "show", kept_in=None)
        assert other != fresh
        assert told(evening / "show", kept_in=evening / "kept") == other


@pytest.mark.parametrize(
    "options", [{"phase": "line-check"}, {"tap": "after-gain"}], ids=["phase", "tap of the command"]
)
def test_other_options_are_told_as_if_they_were_the_first(evening: Path, options: dict[str, Any]) -> None:
    (evening / "house.toml").write_text(HOUSE)
    fresh = told(evening / "show", kept_in=None, **options)
    assert told(evening / "show", kept_in=evening / "kept", **options) == fresh


def test_another_stretch_is_another_recording(evening: Path) -> None:
    (evening / "house.toml").write_text(HOUSE)
    for start_s, end_s in ((0.5, None), (None, 1.5)):
        fresh, again = (
            plain(check(evening / "show", start_s=start_s, end_s=end_s, kept_in=kept_in).result)
            for kept_in in (None, evening / "kept")
        )
        assert again == fresh


class Counted:
    """Measuring of figures that notes how many tracks it was given, and what they were read from."""

    def __init__(self) -> None:
        self.tracks: list[int] = []
        self.measure = chained.measure_figures

    def __call__(self, source: Any, tracks: int, **options: Any) -> Any:
        self.tracks.append(tracks)
        return self.measure(source, tracks, **options)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Tracks that each pass measures."""
    counting = Counted()
    monkeypatch.setattr(chained, "measure_figures", counting)
    return counting.tracks


def test_only_what_changed_is_measured(tmp_path: Path, counted: list[int]) -> None:
    show = write_recording(tmp_path / "show")
    (tmp_path / "house.toml").write_text(HOUSE)
    check(show, kept_in=tmp_path / "kept")
    assert counted == [6 + 3 + 2]  # tracks, what comes out of two chains, the mix
    check(show, kept_in=tmp_path / "kept")
    assert counted == [11]
    (tmp_path / "house.toml").write_text(CHANGES["threshold"](HOUSE))
    check(show, kept_in=tmp_path / "kept")
    assert counted == [11, 2 + 2]  # the piano after its chain, the mix
    (tmp_path / "house.toml").write_text(CHANGES["fader"](HOUSE))
    check(show, kept_in=tmp_path / "kept")
    assert counted == [11, 4, 2]
    (tmp_path / "house.toml").write_text(CHANGES["name"](HOUSE))
    check(show, kept_in=tmp_path / "kept")
    assert counted == [11, 4, 2]


def overwrite(show: Path) -> None:
    """Write other sound into a file of the same size, with the times it had."""
    path = show / "vox.wav"
    status = path.stat()
    soundfile.write(path, pink(SECONDS, 77), RATE_HZ, subtype="PCM_24")
    assert path.stat().st_size == status.st_size
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def one_sample(show: Path) -> None:
    """Change one sample in the middle of a file, where nobody looks, and give it the times it had."""
    path = show / "vox.wav"
    status = path.stat()
    with path.open("r+b") as file:
        file.seek(status.st_size // 2 + 7)
        byte = file.read(1)
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte[0] ^ 0x40]))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def exchange(show: Path) -> None:
    """Two files change their names, neither is written."""
    (show / "vox.wav").rename(show / "x")
    (show / "bass.wav").rename(show / "vox.wav")
    (show / "x").rename(show / "bass.wav")


def another_copy(show: Path) -> None:
    """A file of the same size, times and name in the place of another."""
    fresh = show.parent / "other.wav"
    soundfile.write(fresh, pink(SECONDS, 78), RATE_HZ, subtype="PCM_24")
    shutil.copystat(show / "vox.wav", fresh)
    fresh.replace(show / "vox.wav")


@pytest.mark.parametrize("change", [overwrite, one_sample, exchange, another_copy])
def test_another_recording_of_the_same_size_is_measured(tmp_path: Path, change: Callable[[Path], None]) -> None:
    show = write_recording(tmp_path / "show")
    (tmp_path / "house.toml").write_text(HOUSE)
    before = told(show, kept_in=tmp_path / "kept")
    change(show)
    time.sleep(0.06)
    fresh = told(show, kept_in=None)
    assert fresh != before
    assert told(show, kept_in=tmp_path / "kept") == fresh


def test_what_was_written_just_now_is_not_kept(tmp_path: Path) -> None:
    show = write_recording(tmp_path / "show")
    os.utime(show / "vox.wav")
    recording = open_recording(show)
    assert exact_identity(recording, take_digest(recording)) is None
    check(show, kept_in=tmp_path / "kept")
    assert not (tmp_path / "kept").exists()


def damage(kept: Path) -> None:
    for path in kept.glob("*.kept"):
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 0xFF
        path.write_bytes(bytes(data))


def cut(kept: Path) -> None:
    for path in kept.glob("*.kept"):
        path.write_bytes(path.read_bytes()[:-40])


def empty(kept: Path) -> None:
    for path in kept.glob("*.kept"):
        path.write_bytes(b"")


def folders(kept: Path) -> None:
    for path in list(kept.glob("*.kept")):
        path.unlink()
        path.mkdir()


def a_file(kept: Path) -> None:
    shutil.rmtree(kept)
    kept.write_text("in the way")


@pytest.mark.parametrize("harm", [damage, cut, empty, folders, a_file, shutil.rmtree])
def test_a_folder_that_cannot_be_used_changes_nothing(tmp_path: Path, harm: Callable[[Path], None]) -> None:
    show = write_recording(tmp_path / "show")
    (tmp_path / "house.toml").write_text(HOUSE)
    fresh = told(show, kept_in=tmp_path / "kept")
    harm(tmp_path / "kept")
    (tmp_path / "house.toml").write_text(CHANGES["threshold"](HOUSE))
    other = told(show, kept_in=None)
    assert told(show, kept_in=tmp_path / "kept") == other
    (tmp_path / "house.toml").write_text(HOUSE)
    assert told(show, kept_in=tmp_path / "kept") == fresh


def kept_of(show: Path, folder: Path) -> KeptMeasurements:
    recording = open_recording(show)
    return KeptMeasurements(folder, recording, take=take_digest(recording))


def test_the_bound_is_kept_and_what_was_used_last_stays(tmp_path: Path) -> None:
    show = write_recording(tmp_path / "show")
    first = kept_of(show, tmp_path / "kept")
    values = np.random.default_rng(1).standard_normal(1 << 15)
    for number in range(6):
        first.put("figures", number, values + number)
    second = kept_of(show, tmp_path / "kept")
    second.most_bytes = 3 * len(values) * 8 + 3000
    np.testing.assert_array_equal(second.get("figures", 0), values)
    second.prune()
    assert sum(path.stat().st_size for path in (tmp_path / "kept").iterdir()) <= second.most_bytes
    assert second.get("figures", 0) is not None
    assert sum(second.get("figures", number) is not None for number in range(6)) == 3


def test_it_lies_beside_the_recording(tmp_path: Path) -> None:
    assert kept_beside(tmp_path / "2026-03-01") == tmp_path / ".deskhand" / "measured-2026-03-01"
