"""Songs put together from passages of many takes, their names, and the line that tells them."""

from __future__ import annotations

from typing import Any

import pytest

from deskhand.baseline.passages import Passage
from deskhand.baseline.songs import SongsResult, name_between, passages_in, songs_result
from deskhand.measure.fingerprint import Fingerprint
from deskhand.report.songs import songs_line
from deskhand.store import TakeRow
from deskhand.store.fingerprints import KeptFingerprint


def row(number: int, date: str | None, **other: Any) -> TakeRow:
    return TakeRow(
        id=number, house="Tern Street Hall", show=f"week {number}", date=date, phase="rehearsal", duration_s=3600.0,
        recording="", house_hash="", note="", kept_by="", kept_at="", forgotten_by=None, forgotten_at=None, **other,
    )  # fmt: skip


def passage(take: int, from_s: float, to_s: float, kept_from_s: float, **other: Any) -> Passage:
    values: dict[str, Any] = {
        "transpose_semitones": 0,
        "tempo_ratio": 1.0,
        "score": 0.8,
        "kept_to_s": kept_from_s + to_s - from_s,
    }
    return Passage(from_s=from_s, to_s=to_s, take_id=take, kept_from_s=kept_from_s, **(values | other))


ROWS = [row(1, "2026-04-26"), row(2, "2026-05-03", start_s=60.0), row(3, None)]
KEPT = {
    1: KeptFingerprint(packed=b"", songs=(("Harbour lights", 100.0), ("Slow train", 400.0))),
    2: KeptFingerprint(packed=b"", songs=()),
    3: KeptFingerprint(packed=b"", songs=()),
}
SURE = [
    passage(1, 40.0, 250.0, 110.0),
    passage(2, 45.0, 240.0, 500.0, transpose_semitones=-2, tempo_ratio=1.05),
    passage(3, 300.0, 420.0, 20.0),
    passage(3, 430.0, 500.0, 200.0),
]


def result(names: tuple[tuple[str, float], ...] = (), start_s: float = 0.0) -> SongsResult:
    return songs_result(SURE, ROWS, KEPT, start_s=start_s, names=names)


def line(songs: SongsResult | None) -> str:
    class Result:
        pass

    checked = Result()
    checked.songs = songs  # type: ignore[attr-defined]
    return songs_line(checked)  # type: ignore[arg-type]


def test_passages_of_one_song_are_one() -> None:
    songs = result().recognised
    assert [(song.name, song.from_s, song.to_s, [kept.take for kept in song.kept]) for song in songs] == [
        ("Harbour lights", 40.0, 250.0, [2, 1]),
        (None, 300.0, 420.0, [3]),
        (None, 430.0, 500.0, [3]),
    ]


def test_times_are_of_the_recordings() -> None:
    """Known truth: this stretch begins 10 s into its recording, the second kept one 60 s into its own."""
    song = result(start_s=10.0).recognised[0]
    assert (song.from_s, song.to_s) == (50.0, 260.0)
    assert [(kept.from_s, kept.kept_from_s) for kept in song.kept] == [(55.0, 560.0), (50.0, 110.0)]


def test_tonight_s_note_names_before_a_kept_one() -> None:
    songs = result((("Harbor lights", 30.0), ("Night ferry", 290.0), ("Encore", 425.0)))
    assert [song.name for song in songs.recognised] == ["Harbor lights", "Night ferry", "Encore"]
    assert songs.named == ("Harbor lights", "Night ferry", "Encore")


def test_most_of_a_stretch_gives_the_name() -> None:
    names = (("a", 10.0), ("b", 100.0))
    assert [name_between(names, *span) for span in ((60.0, 130.0), (80.0, 130.0), (-50.0, 40.0), (200.0, 300.0))] == [
        "a", "b", None, "b",
    ]  # fmt: skip
    assert name_between((), 0.0, 10.0) is None


def test_the_line() -> None:
    assert line(result()) == (
        "3 songs were played in kept weeks: Harbour lights 0:40–4:10 as on 2026-05-03 (2 semitones lower, 5 % faster, in 2 kept "
        "weeks); 5:00–7:00 as on week 3; 7:10–8:20 as on week 3."
    )
    names = (("a", 10.0), ("b", 290.0), ("c", 425.0), ("d", 600.0))
    assert line(result(names)).startswith("3 of 4 songs were played in kept weeks: a 0:40–4:10 as on 2026-05-03")


@pytest.mark.parametrize(
    ("count", "named", "told"),
    [
        pytest.param(1, 0, "1 song was played in kept weeks: 0:40", id="one"),
        pytest.param(1, 3, "1 of 3 songs were played in kept weeks: ", id="one-of-three"),
        pytest.param(8, 0, "8 songs were played in kept weeks: ", id="many"),
    ],
)
def test_the_line_counts(count: int, named: int, told: str) -> None:
    sure = [passage(2, 40.0 + 300 * index, 250.0 + 300 * index, 10.0) for index in range(count)]
    names = tuple((f"song {index}", 1.0 + index) for index in range(named))
    text = line(songs_result(sure, ROWS, KEPT, start_s=0.0, names=names))
    assert text.startswith(told)
    assert ("and 2 more" in text) == (count == 8)
    assert "\n" not in text


def test_nothing_known_is_no_line() -> None:
    assert line(None) == line(songs_result([], ROWS, KEPT, start_s=0.0, names=())) == ""


def test_fingerprints_that_cannot_be_read_are_passed_over() -> None:
    import numpy as np

    tonight = Fingerprint(chroma=np.ones((2, 200, 12), np.uint8), level_db=np.zeros((2, 200), np.float32))
    assert passages_in(tonight, {1: KeptFingerprint(packed=b"\x07old", songs=()), 2: KEPT[2]}) == []
