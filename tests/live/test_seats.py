"""Seats of a live show: the readings of the recording, a second at a time, and what is said when the limit is passed."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Final

import numpy as np
import pytest
import soundfile
from rich.console import Console

from deskhand.house import parse_house
from deskhand.live.ring import Ring
from deskhand.live.seats import SeatWatch, seat_rows
from deskhand.live.session import LiveOptions, listen_live
from deskhand.seat.meter import LevelMeter
from deskhand.tasks.exposure import exposure
from deskhand.tasks.seats import SeatMemory, SeatShow

RATE_HZ: Final = 48000
HOUSE: Final = """[house]
name = "Tern Street Hall"
[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
channel = "1"
[[source]]
name = "mix position"
role = "seat"
tracks = ["seat"]
channel = "2"
[[source]]
name = "balcony"
role = "seat"
tracks = [7]
"""


@pytest.fixture
def show(tmp_path: Path) -> Path:
    folder = tmp_path / "show-2026-05-03"
    folder.mkdir()
    rng = np.random.default_rng(4)
    bass = 0.1 * rng.standard_normal(42 * RATE_HZ)
    for name, samples in (("bass", bass), ("seat", 0.4 * bass)):
        soundfile.write(folder / f"{name}.wav", samples, RATE_HZ, "PCM_24")
    (tmp_path / "house.toml").write_text(HOUSE)
    return folder


def test_live_reads_what_the_recording_reads(show: Path) -> None:
    options = LiveOptions(replay=show, fast=True, phase="line-check")
    outcome = listen_live(options, Console(quiet=True))
    (seat,) = outcome.result.seats
    (recorded,) = exposure(show).seats
    assert seat.exposure.seat == "mix position"
    for name in ("laeq_db", "lafmax_db", "lasmax_db", "lcpeak_db"):
        assert getattr(seat.exposure.whole, name) == pytest.approx(getattr(recorded.exposure.whole, name), abs=0.05)
    assert seat.exposure.whole.to_s == recorded.exposure.whole.to_s == 42.0
    assert "mix position" not in [source.name for source in outcome.result.sources]


def test_inputs_of_an_interface() -> None:
    house = parse_house(HOUSE, Path("house.toml"))
    assert seat_rows(house, None, 8) == {"mix position": 1, "balcony": 6}
    assert seat_rows(house, None, 4) == {"mix position": 1}
    assert seat_rows(house, ["seat", "bass"], 2) == {"mix position": 0}


def watch(text: str, *, channels: int = 2, offset_db: float | None = None) -> SeatWatch:
    house = parse_house(text, Path("house.toml"))
    memory = SeatMemory(calibrations={}, weeks={})
    if offset_db is not None:
        from deskhand.seat.calibration import Calibration

        calibration = Calibration(
            offset_db=offset_db, level_db=94.0, tone_dbfs=-20.0, frequency_hz=1000.0, distortion_pct=0.0, range_db=0.0,
            from_s=0.0, to_s=8.0, measured_at="2026-05-01",
        )  # fmt: skip
        memory.calibrations["mix position"] = calibration
    return SeatWatch(
        house=house, folder=Path(), rows={"mix position": 1}, inputs=[(house.source[0], (0,))],
        ring=Ring.of(channels, 10 * RATE_HZ), sample_rate_hz=RATE_HZ, memory=memory, show=SeatShow(date="2026-05-03", phase="show"),
    )  # fmt: skip


def test_a_passed_limit_is_said_once() -> None:
    limited = HOUSE.replace(
        'channel = "2"', 'channel = "2"\noffset = { laeq = "3 dB" }'
    ) + '[limits]\nlaeq = "80 dBA"\nover = "1 min"\n'  # fmt: skip
    seats = watch(limited, offset_db=120.0)
    rng = np.random.default_rng(7)
    said = []
    for _ in range(45):
        seats.ring.write((0.03 * rng.standard_normal((2, RATE_HZ))).astype(np.float32))
        said += seats.advance()
    assert [message.source for message in said] == ["mix position"]
    assert said[0].urgent
    assert "at the loudest place the public can reach" in said[0].text
    assert seats.lines[0].startswith("mix position: LAeq ")


def test_what_came_too_fast_is_told() -> None:
    seats = watch(HOUSE)
    seats.ring.write(np.full((2, 10 * RATE_HZ), 0.01, np.float32))
    seats.ring.write(np.full((2, 5 * RATE_HZ), 0.01, np.float32))
    seats.advance()
    assert seats.late == 5 * RATE_HZ
    assert seats.note() == ("5 s at the seats were not measured: this computer was too slow",)


def test_a_long_show_costs_little_and_reads_alike() -> None:
    """Two minutes here; three hours in `validations/seat_live.py`."""
    seats = watch(HOUSE)
    plain = LevelMeter(sample_rate_hz=RATE_HZ)
    rng = np.random.default_rng(9)
    minute = (0.05 * rng.standard_normal((2, 5 * RATE_HZ))).astype(np.float32)
    seats.ring.write(minute)
    seats.advance()
    plain.take(minute[1])
    spent_s = 0.0
    for _ in range(23):
        seats.ring.write(minute)
        before_s = time.process_time()
        seats.advance()
        spent_s += time.process_time() - before_s
        plain.take(minute[1])
    live, whole = seats.meter.meters["mix position"].course(), plain.course()
    np.testing.assert_allclose(10 * np.log10(live.a_square), 10 * np.log10(whole.a_square), atol=0.05)
    # a processor that others use too: the study holds 1 %
    assert spent_s < 0.05 * 115.0
