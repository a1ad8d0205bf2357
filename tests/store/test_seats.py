"""Records of seats in the history: written, listed newest first, gone with a forgotten take, and what is damaged in them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pytest
import sqlalchemy as sa

from deskhand.errors import HistoryError, UsageError
from deskhand.house import FormerNames
from deskhand.store.history import open_history
from deskhand.store.kept_takes import replace_take
from deskhand.store.seats import (
    SeatRecord,
    add_seat_record,
    delete_seat_record,
    delete_seat_records,
    seat_records,
)
from tests.support.folders import TAKE, opened

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.store.history import History

HOUSE: Final = TAKE.house
RECORD: Final = SeatRecord(
    seat="mix position", microphone="omni 1", kind="calibration", measured_at="2026-03-01", content={"offset_db": 121.5}
)


@pytest.fixture
def history(tmp_path: Path) -> History:
    return opened(f"sqlite:///{tmp_path}/history.sqlite")


def test_newest_first_by_kind_seat_and_microphone(history: History) -> None:
    first = add_seat_record(history, RECORD, house=HOUSE)
    later = replace(RECORD, measured_at="2026-04-01T19:30:00", content={"offset_db": 121.75, "steps": [1, None, "x"]})
    second = add_seat_record(history, later, house=HOUSE)
    add_seat_record(history, replace(RECORD, kind="room"), house=HOUSE)
    add_seat_record(history, replace(RECORD, microphone="omni 2", seat="balcony"), house=HOUSE)
    add_seat_record(history, RECORD, house="another house")
    kept = seat_records(history, house=HOUSE, kind="calibration", microphone="omni 1")
    assert kept == [replace(later, id=second), replace(RECORD, id=first)]
    assert [row.seat for row in seat_records(history, house=HOUSE, kind="calibration", seat="balcony")] == ["balcony"]
    assert delete_seat_record(history, second)
    assert not delete_seat_record(history, second)
    assert len(seat_records(history, house=HOUSE, kind="calibration", microphone="omni 1")) == 1


def test_records_go_with_their_take(history: History) -> None:
    take = history.keep(TAKE)
    add_seat_record(history, replace(RECORD, kind="level", take=take), house=HOUSE)
    assert [row.take for row in seat_records(history, house=HOUSE, kind="level")] == [take]
    history.forget(str(take), house=HOUSE, by="Bo")
    assert seat_records(history, house=HOUSE, kind="level") == []
    assert len(seat_records(history, house=HOUSE, kind="level", forgotten=True)) == 1
    assert delete_seat_records(history, take) == 1
    assert seat_records(history, house=HOUSE, kind="level", forgotten=True) == []


def test_records_follow_a_take_that_was_measured_again(history: History) -> None:
    history.keep(TAKE)
    add_seat_record(history, replace(RECORD, kind="level", take=1), house=HOUSE)
    (earlier,) = history.takes(house=HOUSE)
    number = replace_take(history, earlier, replace(TAKE, note="again"), by="Bo")
    assert [row.take for row in seat_records(history, house=HOUSE, kind="level")] == [number]


def test_renamed_seats_are_read_under_todays_names(history: History, tmp_path: Path) -> None:
    add_seat_record(history, RECORD, house=HOUSE)
    names = FormerNames(house="The Tern", houses=(HOUSE,), sources={"mix position": "desk"})
    later = open_history(f"sqlite:///{tmp_path}/history.sqlite", names=names)
    assert later is not None
    assert [row.seat for row in seat_records(later, house="The Tern", kind="calibration", seat="desk")] == ["desk"]


@pytest.mark.parametrize(
    ("wrong", "error"),
    [
        ({"kind": "levels"}, ValueError),
        ({"measured_at": "soon"}, ValueError),
        ({"content": {"x": float("nan")}}, ValueError),
        ({"seat": "\ud800"}, UsageError),
    ],
)
def test_what_is_no_record_is_refused(history: History, wrong: dict[str, object], error: type[Exception]) -> None:
    with pytest.raises(error):
        add_seat_record(history, replace(RECORD, **wrong), house=HOUSE)  # type: ignore[arg-type]
    assert seat_records(history, house=HOUSE, kind="calibration") == []


@pytest.mark.parametrize("column_value", ["content = '{'", "content = '3'", "measured_at = 'soon'", "version = 'x'"])
def test_damaged_rows_are_one_line(history: History, column_value: str) -> None:
    add_seat_record(history, RECORD, house=HOUSE)
    with history.transaction(writes=True) as connection:
        connection.execute(sa.text(f"UPDATE seat_record SET {column_value}"))
    with pytest.raises(HistoryError, match="cannot be used") as caught:
        seat_records(history, house=HOUSE, kind="calibration")
    assert "\n" not in str(caught.value)
