"""deskhand's levels and loudness against ffmpeg's, on every piece of real audio there is.

In order: sample peak, ungated RMS level, loudness, true peak of every piece; a stretch of a recording; one
polyphonic file against a folder. Run with `-s` to see the table of differences and the worst of each.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pytest

from tests.support import material, peers

from .command import Checked, Source, check, house_toml, once

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.real

FILES: Final[dict[str, tuple[str, ...]]] = {
    "song stems": material.STEMS,
    **{f"song {title}": ("guitar", "song") for title in material.TITLES},
    **{f"voice {name}": ("voice",) for name in material.VOICES},
    "guitar notes": material.NOTES,
}
MONO: Final = frozenset({"voice", *material.NOTES})
PIECES: Final = [(folder, stem) for folder, stems in FILES.items() for stem in stems]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading, the peer's word for it, and how far apart they may be."""

    ours: str
    theirs: str
    tolerance: float


READINGS: Final = (
    # The same integers on both sides: only printing and 16-bit files, which ffmpeg scales by 32767 (0.0003 dB), may
    # differ. A lost block, a wrong channel or a wrong scale is more than 0.01.
    Reading(ours="peak_dbfs", theirs="peak_dbfs", tolerance=0.01),
    # A second program for the same; it prints one decimal, and rounds samples to 16 bits: 0.05 and 0.01.
    Reading(ours="peak_dbfs", theirs="volumedetect_peak_dbfs", tolerance=0.06),
    # As for the peak. AES17 against RMS of 1.0 is the peer's 3.01 dB, added in `peers`.
    Reading(ours="rms_dbfs", theirs="rms_dbfs", tolerance=0.01),
    Reading(ours="rms_dbfs", theirs="volumedetect_rms_dbfs", tolerance=0.06),
    # EBU Tech 3341 (2016), minimum requirements test signals: +-0.1 LU.
    Reading(ours="loudness_lufs", theirs="loudness_lufs", tolerance=0.1),
    # EBU Tech 3341 (2016) allows a true-peak meter +0.2 / -0.4 dB; the stricter side, both ways.
    Reading(ours="true_peak_dbtp", theirs="true_peak_dbtp", tolerance=0.2),
)


def _sources(stems: tuple[str, ...]) -> list[Source]:
    return [
        Source(name=stem, role="other", tracks=(stem,) if stem in MONO else (f"{stem} L", f"{stem} R"))
        for stem in stems
    ]


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Checked]:
    """Give the result of the command for a folder; it runs once for each."""

    def run(folder: str) -> Checked:
        house = house_toml(_sources(FILES[folder]))
        return check(material.folders()[folder](), house, tmp_path_factory.mktemp("check"))

    return once(run)


@functools.cache
def _peer(folder: str, stem: str) -> peers.PeerReadings:
    return peers.measure(material.folders()[folder]() / f"{stem}.wav")


@pytest.fixture(scope="module")
def table() -> Iterator[dict[tuple[str, str, str], float]]:
    """Collect ours - theirs, by (folder, stem, the peer's reading); print it when all is done."""
    rows: dict[tuple[str, str, str], float] = {}
    yield rows
    names = list(dict.fromkeys(reading.theirs for reading in READINGS))
    print(f"\n\nours - ffmpeg's, dB or LU\n{'':44s}" + "".join(f"{name:>24s}" for name in names))
    for folder, stem in PIECES:
        cells = [rows.get((folder, stem, name)) for name in names]
        if any(cell is not None for cell in cells):
            line = "".join(f"{'' if cell is None else format(cell, '+.4f'):>24s}" for cell in cells)
            print(f"{folder + '/' + stem:44s}{line}")
    for name in names:
        apart = {key: value for key, value in rows.items() if key[2] == name}
        if apart:
            worst = max(apart, key=lambda key: abs(apart[key]))
            print(f"worst {name}: {apart[worst]:+.4f} ({worst[0]}/{worst[1]})")


@pytest.mark.parametrize("reading", READINGS, ids=lambda reading: reading.theirs)
@pytest.mark.parametrize(("folder", "stem"), PIECES, ids=[f"{folder}/{stem}" for folder, stem in PIECES])
def test_reading_agrees_with_ffmpeg(
    folder: str,
    stem: str,
    reading: Reading,
    checked: Callable[[str], Checked],
    table: dict[tuple[str, str, str], float],
) -> None:
    """Each level of each piece agrees with the peer's."""
    peer = _peer(folder, stem)
    ours = checked(folder).before(stem)[reading.ours]
    assert ours is not None, f"{reading.ours} was not measured"
    apart = ours - getattr(peer, reading.theirs)
    table[folder, stem, reading.theirs] = apart
    tolerance = reading.tolerance
    if reading.theirs == "true_peak_dbtp":
        tolerance += peer.true_peak_step_db  # the peer prints a linear value with three decimals
    assert apart == pytest.approx(0.0, abs=tolerance)


@pytest.mark.parametrize("stem", ["guitar", "song"])
def test_a_stretch_agrees_with_ffmpeg(stem: str, tmp_path: Path) -> None:
    """`--from` and `--to` measure that stretch and nothing else."""
    recording = material.guitar_song("Metal madness")
    house = house_toml(_sources(("guitar", "song")))
    ours = check(recording, house, tmp_path, "--from", "1:00", "--to", "1:25.5").before(stem)
    peer = peers.measure(recording / f"{stem}.wav", from_s=60.0, to_s=85.5)
    whole = _peer("song Metal madness", stem)
    # the stretch holds a pause and a loud part: if this fails, it no longer tells the stretch from the whole
    assert abs(peer.rms_dbfs - whole.rms_dbfs) > 0.4
    for reading in READINGS:
        apart = ours[reading.ours] - getattr(peer, reading.theirs)
        assert apart == pytest.approx(0.0, abs=reading.tolerance + peer.true_peak_step_db), reading.theirs


def test_one_polyphonic_file_reads_as_ffmpeg_reads_its_parts(tmp_path: Path) -> None:
    """Four channels in one file, named by their numbers, give the levels of the two stereo files."""
    folder = material.guitar_song("Metal madness")
    (tmp_path / "take").mkdir()
    poly = tmp_path / "take" / "poly.wav"
    material.run_tool(
        *("ffmpeg", "-v", "error", "-nostdin", "-i", folder / "guitar.wav", "-i", folder / "song.wav"),
        *("-filter_complex", "[0:a][1:a]amerge=inputs=2", "-c:a", "pcm_s24le", poly),
    )
    sources = [
        Source(name="guitar", role="other", tracks=(1, 2)),
        Source(name="song", role="other", tracks=(3, 4)),
    ]
    result = check(poly, house_toml(sources), tmp_path)
    for stem in ("guitar", "song"):
        peer = _peer("song Metal madness", stem)
        for reading in READINGS:
            apart = result.before(stem)[reading.ours] - getattr(peer, reading.theirs)
            tolerance = reading.tolerance + peer.true_peak_step_db
            assert apart == pytest.approx(0.0, abs=tolerance), (stem, reading.theirs)
