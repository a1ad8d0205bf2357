"""`show.toml` beside a recording: what it may say, and the one line for each mistake."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from deskhand.errors import HouseError
from deskhand.recording import ShowNote, read_show_note, show_note_of
from deskhand.recording.show import write_show_note

if TYPE_CHECKING:
    from pathlib import Path


def note_of(folder: Path, text: str, *, encoding: str = "utf-8") -> ShowNote:
    (folder / "show.toml").write_bytes(text.encode(encoding))
    return read_show_note(folder)


def test_no_file_says_nothing(tmp_path: Path) -> None:
    assert read_show_note(tmp_path) == ShowNote()


def test_all_of_it(tmp_path: Path) -> None:
    note = note_of(
        tmp_path,
        """
        name = "First Sunday"
        date = 2026-03-01
        phase = "line-check"
        tap = "after-gain"
        [taps]
        piano = "preamp"
        [players]
        piano = "Ana"
        "lead voice" = "Bo"
        [songs]
        "Slow train" = "5:10"
        "Harbour lights" = ["0:40", "1:02:00"]
        """,
    )
    assert note == ShowNote(
        name="First Sunday",
        date="2026-03-01",
        phase="line-check",
        tap="after-gain",
        taps={"piano": "preamp"},
        players={"piano": "Ana", "lead voice": "Bo"},
        songs=(("Harbour lights", 40.0), ("Slow train", 310.0), ("Harbour lights", 3720.0)),
    )


@pytest.mark.parametrize("date", ['"2026-03-01"', "2026-03-01", "2026-03-01T19:30:00", "2026-03-01 19:30:00Z"])
def test_dates_as_people_write_them(tmp_path: Path, date: str) -> None:
    assert note_of(tmp_path, f"date = {date}").date == "2026-03-01"


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    """Plain editors of one system put three bytes before the text: EF BB BF (RFC 3629, 6)."""
    assert note_of(tmp_path, 'phase = "show"\r\nname = "Häppi"\r\n', encoding="utf-8-sig").name == "Häppi"


MISTAKES = [
    pytest.param("phase = ", r"not readable as TOML .*; mend that line", id="syntax"),
    pytest.param('phse = "show"', r'unknown key "phse"; did you mean "phase"\?', id="key"),
    pytest.param(
        "xyzzy = 1",
        r'unknown key "xyzzy"; known keys are name, date, start, phase, tap, taps, players, songs',
        id="far-key",
    ),
    pytest.param(
        'phase = "gig"', r"show\.toml, phase: 'gig' is not known; use one of line-check, rehearsal, show", id="phase"
    ),
    pytest.param("phase = 3", r"show\.toml, phase: 3 is not known", id="phase-type"),
    pytest.param('phase = ["show"]', r"show\.toml, phase: \['show'\] is not known", id="phase-list"),
    pytest.param('tap = "premap"', r"show\.toml, tap: 'premap' is not known; use one of preamp", id="tap"),
    pytest.param(
        'date = "1st of March"', r"show\.toml, date: '1st of March' is not a date; write it like 2026", id="date"
    ),
    pytest.param('date = "2026-02-30"', r"show\.toml, date: '2026-02-30' is not a date", id="no-such-day"),
    pytest.param("date = 19:30:00", r"show\.toml, date: .* is not a date", id="date-is-a-time"),
    pytest.param('players = "Ana"', r"show\.toml, players: must be a table", id="players-type"),
    pytest.param("[players]\npiano = 3", r"show\.toml, players: must be a table of names", id="player-type"),
    pytest.param(
        'songs = ["Slow train"]', r"show\.toml, songs: must be a table of songs and times; write lines like", id="songs"
    ),
    pytest.param(
        '[songs]\n"Slow train" = "soon"',
        r"""show\.toml, songs, "Slow train": 'soon' is not a time; write""",
        id="song-time",
    ),
    pytest.param('[songs]\n"Slow train" = "5:70"', r"""songs, "Slow train": '5:70' is not a time""", id="song-seconds"),
    pytest.param(
        '[songs]\n"Slow train" = 310', r'songs, "Slow train": 310 is not a time in quotation marks', id="song-number"
    ),
    pytest.param('[songs]\n"Slow train" = "-5"', r"""songs, "Slow train": '-5' is before the start""", id="song-early"),
    pytest.param(
        '[songs]\na = "5:10"\nb = "310 s"', r'show\.toml, songs: "a" and "b" begin at the same time', id="songs-at-once"
    ),
    pytest.param('[taps]\npiano = "line"', r"show\.toml, taps, piano: 'line' is not known", id="taps"),
]


@pytest.mark.parametrize(("text", "said"), MISTAKES)
def test_a_mistake_is_one_line_with_file_and_key(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(HouseError, match=said) as caught:
        note_of(tmp_path, text)
    assert str(caught.value).startswith("show.toml")
    assert "\n" not in str(caught.value)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    (tmp_path / "show.toml").write_bytes(b'name = "\xff\xfe"')
    with pytest.raises(HouseError, match=r"^show\.toml: not readable as TOML"):
        read_show_note(tmp_path)


@pytest.mark.parametrize(
    ("folder", "files", "date"),
    [
        ("show-2026-05-03", ["kick.wav"], "2026-05-03"),
        ("20260503 evening", ["kick.wav"], "2026-05-03"),
        ("2026-05-03_2350", ["kick_2026-05-04.wav"], "2026-05-03"),
        # a recorder begins a new file after midnight
        ("USB-REC", ["rec_2026-05-03_2310.wav", "rec_2026-05-04_0010.wav"], "2026-05-03"),
        ("USB-REC", ["rec_2026-12-31_2310.wav", "rec_2027-01-01_0010.wav"], "2026-12-31"),
        # files of several weeks tell nothing
        ("USB-REC", ["rec_2026-05-03.wav", "rec_2026-05-10.wav"], None),
        # no day of the calendar, no date, no name
        ("show-2026-06-31", ["kick.wav"], None),
        ("take 2026", ["kick 0503.wav"], None),
    ],
)
def test_the_date_is_in_the_name_where_nothing_else_tells_it(
    tmp_path: Path, folder: str, files: list[str], date: str | None
) -> None:
    """Dates as ISO 8601 writes them, basic and extended."""
    path = tmp_path / folder
    path.mkdir()
    for name in files:
        (path / name).touch()
    assert show_note_of(path).date == date
    (path / "show.toml").write_text('name = "Third Sunday"\n', "utf-8")
    assert show_note_of(path) == ShowNote(name="Third Sunday", date=date)
    (path / "show.toml").write_text("date = 2026-01-01\n", "utf-8")
    assert show_note_of(path).date == "2026-01-01"


def test_a_file_has_its_own_date_before_its_folder_s(tmp_path: Path) -> None:
    folder = tmp_path / "2026-05-03"
    folder.mkdir()
    for name, date in (("evening.wav", "2026-05-03"), ("2026-05-10.wav", "2026-05-10")):
        (folder / name).touch()
        assert show_note_of(folder / name).date == date


@pytest.mark.parametrize(("written", "seconds"), [('"19:30"', 70200.0), ("19:30:15", 70215.0), ('"00:00"', 0.0)])
def test_the_time_of_day_at_which_it_begins(tmp_path: Path, written: str, seconds: float) -> None:
    (tmp_path / "show.toml").write_text(f"start = {written}\n")
    assert read_show_note(tmp_path).start_clock_s == seconds


@pytest.mark.parametrize("written", ['"7 pm"', '"19.30"', '"25:00"', "19"])
def test_what_is_no_time_of_day_is_one_line(tmp_path: Path, written: str) -> None:
    (tmp_path / "show.toml").write_text(f"start = {written}\n")
    with pytest.raises(HouseError, match=r'show.toml, start: .* is not a time of day; write it like "19:30"'):
        read_show_note(tmp_path)


def test_a_note_is_written_with_its_comments_kept(tmp_path: Path) -> None:
    (tmp_path / "show.toml").write_text('# radio 1 was moved\nname = "Open night"\ntap = "preamp" # as always\n')
    write_show_note(tmp_path, {"phase": "rehearsal", "date": "2026-03-01", "tap": None})
    text = (tmp_path / "show.toml").read_text()
    assert text == '# radio 1 was moved\nname = "Open night"\nphase = "rehearsal"\ndate = 2026-03-01\n'
    note = read_show_note(tmp_path)
    assert (note.name, note.phase, note.date, note.tap) == ("Open night", "rehearsal", "2026-03-01", None)
    (tmp_path / "show.toml").write_text('phase = "gig"\n')
    with pytest.raises(HouseError, match="phase"):
        write_show_note(tmp_path, {"date": "2026-03-01"})
    assert (tmp_path / "show.toml").read_text() == 'phase = "gig"\n'
