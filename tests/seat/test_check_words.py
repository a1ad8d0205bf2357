"""The line on the words in `check`'s report: the voice of today's feed, and the room as it was kept."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.dsp.speech_transmission import MODULATIONS_HZ, speech_transmission_index
from deskhand.errors import HistoryError
from deskhand.mix.clearance.result import AudibilityLimits, Sides
from deskhand.report.words_path import words_text
from deskhand.seat.room_change import VERSION
from deskhand.store.history import open_history
from deskhand.store.seats import SeatRecord, add_seat_record, newest_of_each_seat
from deskhand.tasks.check.words import feed_of, words_at_seats
from tests.support.command import HOUSE, data_of, make_show, run


class Voice:
    """As much of a clearance as is asked."""

    def __init__(self, source: str, mono: float) -> None:
        self.source, self.words = source, AudibilityLimits()
        self.audible_pct = Sides(mono=mono, left=mono, right=mono)


def content(t_s: float, **more: object) -> dict:
    transfer = np.tile(1 / np.sqrt(1 + (2 * np.pi * np.array(MODULATIONS_HZ) * t_s / 13.8) ** 2), (7, 1))
    octaves = [{"octave_hz": 1000.0, "t20_s": t_s, "c80_db": 0.0}]
    return {
        "octaves": octaves,
        "transfer": transfer.tolist(),
        "sti_room": speech_transmission_index(transfer),
        "levels": None,
        **more,
    }


def test_speech_goes_before_singing():
    assert feed_of([Voice("lead voice", 80.0), Voice("lectern", 50.0)], "lead voice") == (50.0, "strained")
    assert feed_of([Voice("lead voice", 80.0)], "lead voice") == (80.0, "clear")
    assert feed_of([], "lead voice") is None


@pytest.fixture
def history(tmp_path):
    opened = open_history(f"sqlite:///{tmp_path / 'history.sqlite'}", create=True)
    yield opened
    opened.close()


def test_the_newest_measurement_of_each_seat_counts(history):
    for seat, day, t_s in (("balcony", "2026-03-01", 1.0), ("balcony", "2026-09-01", 2.0), ("mix", "2026-03-01", 0.5)):
        record = SeatRecord(
            seat=seat, microphone="m", kind="room", measured_at=day, content=content(t_s), version=VERSION
        )
        add_seat_record(history, record, house="Tern Street Hall")
    rooms = newest_of_each_seat(history, house="Tern Street Hall", kind="room")
    assert {seat: record.measured_at for seat, record in rooms.items()} == {
        "balcony": "2026-09-01",
        "mix": "2026-03-01",
    }


def test_a_kept_room_is_a_line_in_the_report_of_check(tmp_path, rng):
    """From end to end, with a room in the history and the voice of a small show."""
    show = make_show(tmp_path / "show", rng, seconds=4.0)
    # faders, so that there is a feed in which the voice can be heard
    (show / "house.toml").write_text(HOUSE.replace("tracks =", 'fader = "0 dB"\ntracks ='))
    opened = open_history(f"sqlite:///{show / 'history.sqlite'}", create=True)
    levels = {"speech_dba": 70.0, "noise_db_spl": [40.0] * 7, "noise_dba": 46.0, "noise_basis": "stated"}
    record = SeatRecord(
        seat="balcony",
        microphone="m",
        kind="room",
        measured_at="2026-03-01",
        content=content(2.0, levels=levels),
        version=VERSION,
    )
    add_seat_record(opened, record, house="Tern Street Hall")
    opened.close()
    result = run("check", show, "--json", tmp_path / "result.json", "--report", tmp_path / "page.html")
    assert result.exit_code in (0, 1), result.output
    data = data_of((tmp_path / "result.json").read_text())
    [path] = data["words"]
    assert (path["seat"], path["room_measured_at"], path["taker"]) == ("balcony", "2026-03-01", "room")
    assert path["sti_room"] == pytest.approx(0.4371, abs=0.01)  # sti.toml, 2 s
    assert path["sti"] < path["sti_room"]
    line = "the words: balcony: the feed leaves the voice "
    assert line in result.output
    assert "the room alone is poor for speech (STI 0.44, measured 1 March 2026)" in result.output
    assert "The room takes most" in (tmp_path / "page.html").read_text()


def test_no_kept_room_no_line():
    assert words_at_seats(None, [Voice("lectern", 50.0)], None) == ()


def test_a_record_of_another_version_is_left_alone():
    class Takes:
        rooms = {
            "balcony": SeatRecord(
                seat="balcony", microphone="m", kind="room", measured_at="2026-03-01", content={}, version=99
            )
        }

    assert words_at_seats(Takes(), [Voice("lectern", 50.0)], None) == ()


@pytest.mark.parametrize(
    "damage",
    [
        {"octaves": None},
        {"octaves": [1]},
        {"transfer": [[0.5]]},
        {"transfer": "much"},
        {"levels": {"speech_dba": "loud", "noise_db_spl": None}},
        {"levels": [1]},
    ],
    ids=str,
)
def test_a_damaged_room_is_one_line(damage):
    class Takes:
        rooms = {
            "balcony": SeatRecord(
                seat="balcony",
                microphone="m",
                kind="room",
                measured_at="2026-03-01",
                content=content(1.0, **damage),
                version=VERSION,
            )
        }

    with pytest.raises(
        HistoryError, match="the room at balcony on 2026-03-01 is damaged; measure the room again"
    ) as caught:
        words_at_seats(Takes(), [Voice("lectern", 50.0)], None)
    assert "\n" not in str(caught.value)


def test_the_sentence_says_when():
    from deskhand.seat.words_path import kept_words_path

    path = kept_words_path(content(0.4), seat="balcony", measured_at="2026-03-01", feed=(72.0, "clear"))
    assert words_text(path) == (
        "balcony: the feed leaves the voice clear (72 % audible), the room alone is excellent for speech (STI 0.78, measured 1 March 2026)."
    )
