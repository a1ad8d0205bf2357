"""The same audio, however it is laid out on disk and read, gives exactly the same result.

One polyphonic file; one file for each track; files that follow one another, cut anywhere; blocks of any size; any number of
threads. What is compared is all that `deskhand check --json` says of the sources, the voices, the mix and what to do first.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.recording import Recording
from deskhand.result import plain
from deskhand.tasks.check import check
from tests.support.hypotheses import examples
from tests.support.signals import RATE_HZ, hits, pink, plucks, sine, speech_like, white
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

LENGTH_S: Final = 8.37
"""Neither whole seconds nor whole blocks."""
FRAMES: Final = round(LENGTH_S * RATE_HZ)
NAMES: Final = ("kick", "piano l", "piano r", "voice", "guitar")
STAMP: Final = 18 * 3600 * RATE_HZ
HOUSE: Final = """\
[house]
name = "Tern Street Hall"

[room]
level = "88 dBA"
mix_loudness = "-23 LUFS"

[vocal]
source = "voice"
clearance = "70 %"

[[source]]
name = "kick"
role = "kick"
tracks = [1]
fader = "-6 dB"

[[source]]
name = "piano"
role = "keys"
tracks = [2, 3]
fader = "-8 dB"

[[source.chain]]
block = "high-pass"
frequency = "80 Hz"

[[source]]
name = "voice"
role = "lead vocal"
tracks = [4]
fader = "0 dB"

[[source.chain]]
block = "compressor"
threshold = "-28 dBFS"
ratio = 3

[[source]]
name = "guitar"
role = "guitar"
tracks = [5]
"""

# one run measures eight seconds of five tracks: few, and always the same ones
few = settings(max_examples=examples(3), deadline=None, derandomize=True, database=None)


def show() -> np.ndarray:
    """(5, frames): something of everything that is looked for, faults near the seconds' ends included."""
    rng = np.random.default_rng(77)
    piano = plucks(rng, LENGTH_S)
    samples = np.stack(
        [
            hits(rng, LENGTH_S),
            piano + pink(rng, LENGTH_S, -60.0),
            0.7 * np.roll(piano, 24) + pink(rng, LENGTH_S, -60.0),
            speech_like(rng, LENGTH_S, -22.0),
            plucks(rng, LENGTH_S, every_s=0.7) + sine(50.0, LENGTH_S, level_dbfs=-45.0),
        ]
    )
    samples[3, 5 * RATE_HZ : 7 * RATE_HZ] *= 1e-3
    samples[1, 2 * RATE_HZ - 300 : 2 * RATE_HZ + 500] = 0.0
    samples[3, 4 * RATE_HZ - 300 : 4 * RATE_HZ + 500] = 0.0
    samples[4, 3 * RATE_HZ + 17] += 0.5
    samples[4, 6 * RATE_HZ - 2000 : 6 * RATE_HZ + 2000] += white(rng, 4000 / RATE_HZ, -10.0)
    samples[0] = np.clip(1.6 * samples[0], -0.7, 0.7)
    return samples.clip(-0.99, 0.99)


def said(recording: Path, house: Path, *, threads: int = 2) -> dict[str, Any]:
    """What the check says, but for where it read it."""
    result: dict[str, Any] = plain(check(recording, house_path=house, threads=threads).result)
    assert result["show"]["duration_s"] == pytest.approx(LENGTH_S, abs=1e-3)
    return {name: result[name] for name in ("sources", "vocal", "voices", "mix", "first")}


@pytest.fixture(scope="module")
def samples() -> np.ndarray:
    return show()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("house") / "house.toml"
    path.write_text(HOUSE, "utf-8")
    return path


def write_poly(folder: Path, samples: np.ndarray, stem: str = "take", *, stamp: int | None = None) -> Path:
    """One file for all tracks, which are named in it."""
    names = dict(enumerate(NAMES, start=1))
    return write_wave(folder / f"{stem}.wav", samples, names=names, time_reference=stamp)


@pytest.fixture(scope="module")
def poly(samples: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_poly(tmp_path_factory.mktemp("poly"), samples)


@pytest.fixture(scope="module")
def whole(poly: Path, house: Path) -> dict[str, Any]:
    return said(poly, house)


def pieces(samples: np.ndarray, cuts: Sequence[int]) -> Iterator[tuple[int, np.ndarray]]:
    """(first frame, samples) between the cuts."""
    for first, last in itertools.pairwise((0, *cuts, samples.shape[1])):
        yield first, samples[:, first:last]


def test_there_is_something_to_compare(whole: dict[str, Any]) -> None:
    # a result of nulls would be equal however it came about
    assert [source["name"] for source in whole["sources"]] == ["kick", "piano", "voice", "guitar"]
    readings = [source["before"] for source in whole["sources"]]
    assert all(isinstance(reading["level_dbfs"], float) for reading in readings)
    assert [bool(source["after"]) for source in whole["sources"]] == [False, True, True, False]
    kinds = {finding["kind"] for source in whole["sources"] for finding in source["findings"]}
    assert len(kinds) >= 4, kinds
    assert whole["mix"]["loudness_lufs"] is not None
    assert whole["first"]


def test_one_file_for_each_track(samples: np.ndarray, whole: dict[str, Any], house: Path, tmp_path: Path) -> None:
    for number, (name, sound) in enumerate(zip(NAMES, samples, strict=True), start=1):
        write_wave(tmp_path / f"{number:02d} {name}.wav", sound)
    assert said(tmp_path, house) == whole


def test_stereo_files_among_mono_ones(samples: np.ndarray, whole: dict[str, Any], house: Path, tmp_path: Path) -> None:
    for number, (name, tracks) in enumerate(
        {"kick": [0], "piano": [1, 2], "voice": [3], "guitar": [4]}.items(), start=1
    ):
        write_wave(tmp_path / f"{number:02d} {name}.wav", samples[tracks])
    found = said(tmp_path, house)
    # a stereo file's tracks are called by its sides
    assert found["sources"][1]["tracks"] == ["piano L", "piano R"]
    assert same_but_for_names(found) == same_but_for_names(whole)


def same_but_for_names(result: Any) -> Any:
    """Without what tracks are called."""
    if isinstance(result, dict):
        return {name: same_but_for_names(item) for name, item in result.items() if name not in ("track", "tracks")}
    if isinstance(result, list):
        return [same_but_for_names(item) for item in result]
    return result.replace("piano L", "piano l").replace("piano R", "piano r") if isinstance(result, str) else result


@few
@given(
    cuts=st.lists(st.integers(1, FRAMES - 1), min_size=1, max_size=4, unique=True).map(sorted), stamped=st.booleans()
)
def test_polyphonic_files_that_follow_one_another(
    samples: np.ndarray,
    whole: dict[str, Any],
    house: Path,
    tmp_path_factory: pytest.TempPathFactory,
    cuts: list[int],
    stamped: bool,
) -> None:
    folder = tmp_path_factory.mktemp("parts")
    for number, (first, part) in enumerate(pieces(samples, cuts), start=1):
        # by the word in the name, or by the time references
        stem, stamp = (f"take {number}", STAMP + first) if stamped else (f"take_part {number}", None)
        write_poly(folder, part, stem, stamp=stamp)
    assert said(folder, house) == whole


@few
@given(data=st.data())
def test_each_track_cut_elsewhere(
    samples: np.ndarray,
    whole: dict[str, Any],
    house: Path,
    tmp_path_factory: pytest.TempPathFactory,
    data: st.DataObject,
) -> None:
    folder = tmp_path_factory.mktemp("tracks")
    for number, name in enumerate(NAMES):
        cuts = data.draw(st.lists(st.integers(1, FRAMES - 1), max_size=3, unique=True).map(sorted), label=name)
        parts = list(pieces(samples[[number]], cuts))
        for place, (first, part) in enumerate(parts, start=1):
            # names end with a part's number only where there are parts
            stem = f"{number + 1:02d} {name}" + (f"_{place:03d}" if cuts else "")
            write_wave(folder / f"{stem}.wav", part, time_reference=STAMP + first)
    assert said(folder, house) == whole


CUTS: Final = {
    "on-a-second": [RATE_HZ, 4 * RATE_HZ],
    "one-before-a-second": [RATE_HZ - 1, 4 * RATE_HZ - 1],
    "first-and-last-sample": [1, FRAMES - 1],
    "in-a-dropout": [2 * RATE_HZ],
    "on-a-click": [3 * RATE_HZ + 17],
}
HAPPENS: Final = ("in-a-dropout", "on-a-click")


@pytest.mark.parametrize("cuts", [pytest.param(cuts, id=name) for name, cuts in CUTS.items()])
def test_cuts_where_something_happens(
    samples: np.ndarray, whole: dict[str, Any], house: Path, tmp_path: Path, cuts: list[int]
) -> None:
    for number, (first, part) in enumerate(pieces(samples, cuts), start=1):
        write_poly(tmp_path, part, f"take_{number:03d}", stamp=STAMP + first)
    assert said(tmp_path, house) == whole


@few
@given(frames=st.integers(2000, FRAMES + 10), threads=st.integers(1, 6))
def test_blocks_of_any_size_and_any_number_of_threads(
    poly: Path, whole: dict[str, Any], house: Path, frames: int, threads: int
) -> None:
    plainly = Recording.blocks

    def blocks(recording: Recording, _asked: int, *, pool: Executor | None = None) -> Iterator[Any]:
        return plainly(recording, frames, pool=pool)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Recording, "blocks", blocks)
        assert said(poly, house, threads=threads) == whole
