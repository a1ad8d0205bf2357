"""Songs from end to end: kept with their names, known again by `check` in another key, told in the line, the data and the page.

The band is drawn with sines: chords of a loop and a line above them that is the song's own.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from deskhand.cli import main
from tests.support.signals import RATE_HZ
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

HOUSE = """\
[house]
name = "Tern Street Hall"
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["voice"]
[[source]]
name = "guitar"
role = "guitar"
tracks = ["guitar"]
"""
LOOP = ((48, 52, 55), (43, 47, 50), (45, 48, 52), (41, 45, 48))
"""Notes of four chords."""
BEAT_S = 0.5
BEATS = 76
PAUSE_S = 4


def tones(notes: list[tuple[int, ...]], transpose: int) -> NDArray[np.float64]:
    """(frames,) a chord or a note a beat, with some overtones, faded at its ends."""
    time_s = np.arange(round(BEAT_S * RATE_HZ)) / RATE_HZ
    fade = np.minimum(1.0, np.minimum(time_s, BEAT_S - time_s) / 0.02)
    beats = []
    for chord in notes:
        hz = [440.0 * 2.0 ** ((note + transpose - 69) / 12) for note in chord]
        beats.append(
            fade * sum(np.sin(2 * np.pi * order * tone * time_s) / order for tone in hz for order in (1, 2, 3))
        )
    return 0.05 * np.concatenate(beats)


def evening(folder: Path, songs: list[tuple[int, int]], note: str) -> Path:
    """Recording of some songs, each by its seed and how much higher it is, with some seconds of faint noise between."""
    rng = np.random.default_rng(len(songs))
    tracks: dict[str, list[NDArray[np.float64]]] = {"voice": [], "guitar": []}
    for seed, transpose in songs:
        line = np.random.default_rng(seed).choice([60, 62, 64, 65, 67, 69, 71, 72], BEATS)
        for pieces, notes in (
            (tracks["voice"], [(int(tone),) for tone in line]),
            (tracks["guitar"], [LOOP[beat // 4 % 4] for beat in range(BEATS)]),
        ):
            pieces += [1e-4 * rng.standard_normal(PAUSE_S * RATE_HZ), tones(notes, transpose)]
    folder.mkdir()
    for name, pieces in tracks.items():
        write_wave(folder / f"{name}.wav", np.concatenate(pieces))
    (folder / "show.toml").write_text(note, "utf-8")
    return folder


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """House with a kept evening of two songs, and one to be checked: the second of them 3 semitones higher, and a new one."""
    root = tmp_path_factory.mktemp("hall")
    (root / "house.toml").write_text(HOUSE, "utf-8")
    kept = evening(root / "2026-05-03", [(1, 0), (2, 0)], '[songs]\n"Harbour lights" = "0:04"\n"Slow train" = "0:45"\n')
    evening(root / "2026-05-10", [(2, 3), (3, 0)], "")
    run = CliRunner().invoke(main, ["keep", str(kept), "--with-faults"])
    assert run.exit_code == 0, run.output
    return root


def test_a_song_of_a_kept_week_is_told(hall: Path) -> None:
    data, page = hall / "result.json", hall / "page.html"
    run = CliRunner().invoke(main, ["check", str(hall / "2026-05-10"), "--json", str(data), "--report", str(page)])
    assert run.exit_code in (0, 1), run.output
    told = "1 song was played in kept weeks: Slow train 0:"
    assert told in run.output.replace("\n", " ")
    assert "as on 2026-05-03 (3 semitones higher)." in run.output.replace("\n", " ")
    assert told in page.read_text("utf-8")
    songs = json.loads(data.read_text("utf-8"))["songs"]
    assert (songs["kept"], songs["named"], len(songs["recognised"])) == (1, [], 1)
    song = songs["recognised"][0]
    (kept,) = song["kept"]
    # it lasts from 4 s to 42 s here, and begins 42 s later there
    assert song["from_s"] == pytest.approx(4.0, abs=4.0)
    assert song["to_s"] == pytest.approx(42.0, abs=4.0)
    assert kept["kept_from_s"] - song["from_s"] == pytest.approx(42.0, abs=1.0)
    assert (kept["take"], kept["date"], kept["transpose_semitones"]) == (1, "2026-05-03", 3)
    assert kept["tempo_ratio"] == pytest.approx(1.0, abs=0.02)


def test_a_song_in_its_key_is_compared_with_itself(hall: Path) -> None:
    data, page = hall / "again.json", hall / "again.html"
    folder = evening(hall / "2026-05-17", [(2, 0)], "")
    run = CliRunner().invoke(main, ["check", str(folder), "--json", str(data), "--report", str(page)])
    assert run.exit_code in (0, 1), run.output
    for source in json.loads(data.read_text("utf-8"))["sources"]:
        tone = next(normal for normal in source["normal"] if normal["name"] == "tone")
        # three of its four cells of 10 s, at the least
        assert 0.7 <= tone["again_share"] <= 1.0


def test_a_mistake_in_the_songs_is_one_line(hall: Path) -> None:
    (hall / "2026-05-10" / "show.toml").write_text('[songs]\n"Slow train" = "5:70"\n', "utf-8")
    try:
        run = CliRunner().invoke(main, ["check", str(hall / "2026-05-10")])
    finally:
        (hall / "2026-05-10" / "show.toml").write_text("", "utf-8")
    assert run.exit_code == 2
    assert "show.toml, songs, \"Slow train\": '5:70' is not a time" in run.output
