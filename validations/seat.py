"""Seat: three hours live against the recording, load and memory; false alarms of "louder than usual"; the weightings at four rates."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path
from typing import Final

import numpy as np

from deskhand.dsp.weighting import weighting_db
from deskhand.house import parse_house
from deskhand.live.ring import Ring
from deskhand.live.seats import SeatWatch
from deskhand.seat.exposure import SeatFacts, seat_exposure
from deskhand.seat.levels import Sensitivity
from deskhand.seat.meter import LevelMeter
from deskhand.seat.usual import usual_level
from deskhand.tasks.seats import SeatMemory, SeatShow
from tools.provenance import write_page

RATE_HZ: Final = 48000
HOURS: Final = 3
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-seat.md"
HOUSE: Final = """[house]
name = "Tern Street Hall"
[[source]]
name = "bass"
role = "bass"
tracks = [1]
[[source]]
name = "mix position"
role = "seat"
tracks = [2]
"""


def three_hours() -> list[str]:
    """Read a made evening live, a second at a time, and at once in pieces of another length."""
    house = parse_house(HOUSE, Path("house.toml"))
    watch = SeatWatch(
        house=house, folder=Path(), rows={"mix position": 1}, inputs=[(house.source[0], (0,))],
        ring=Ring.of(2, 4 * RATE_HZ), sample_rate_hz=RATE_HZ, memory=SeatMemory(calibrations={}, weeks={}),
        show=SeatShow(date=None, phase="show"),
    )  # fmt: skip
    plain = LevelMeter(sample_rate_hz=RATE_HZ)
    rng = np.random.default_rng(1)
    seconds = (0.1 * rng.standard_normal((40, 2, RATE_HZ))).astype(np.float32)
    waiting: list[np.ndarray] = []
    spent_s = 0.0
    tracemalloc.start()
    memory = []
    for second in range(HOURS * 3600):
        block = seconds[rng.integers(40)] * np.float32(10.0 ** (rng.uniform(-30.0, 0.0) / 20.0))
        watch.ring.write(block)
        before_s = time.process_time()
        watch.advance()
        spent_s += time.process_time() - before_s
        waiting.append(block[1])
        if len(waiting) == 7:
            plain.take(np.concatenate(waiting))
            waiting = []
        if second % 3600 == 3599:
            memory.append(tracemalloc.get_traced_memory()[0] / 1e6)
    tracemalloc.stop()
    if waiting:
        plain.take(np.concatenate(waiting))
    facts = SeatFacts(seat=house.seat[0], sensitivity=Sensitivity())
    live, whole = watch.results()[0].exposure, seat_exposure(plain.course(), facts)
    worst_db = max(
        abs(getattr(live.whole, name) - getattr(whole.whole, name))
        for name in ("laeq_db", "lafmax_db", "lasmax_db", "lcpeak_db")
    )
    course_db = np.abs(
        10.0 * np.log10(watch.meter.meters["mix position"].course().a_square / plain.course().a_square)
    ).max()
    share_pct = 100.0 * spent_s / (HOURS * 3600)
    return [
        f"{HOURS} hours of noise whose level changes every second, read live a second at a time and at once in pieces of 7 s:",
        "",
        f"- LAeq, LAFmax, LASmax and LCpeak differ by {worst_db:.4f} dB at most, the LAeq of a second by {course_db:.4f} dB.",
        f"- The seat takes {share_pct:.2f} % of a core (processor time, its line on the screen every 10 s included).",
        f"- Memory after each hour: {', '.join(f'{size:.1f}' for size in memory)} MB; a second of a seat takes 88 bytes, and 16 for the inputs.",
    ]


def usual_alarms() -> list[str]:
    """False alarms of clean weeks, and alarms of weeks that are louder, by kept weeks and by how far a house's weeks differ."""
    rng = np.random.default_rng(2)
    lines = [
        "| kept weeks | spread of the house | clean weeks called loud | 3 dB louder found | 6 dB louder found |",
        "|---|---|---|---|---|",
    ]
    for kept in (3, 6, 12):
        for spread_db in (0.5, 1.5, 3.0):
            counts = np.zeros(3)
            for _ in range(4000):
                levels = 90.0 + spread_db * rng.standard_normal(kept)
                usual = usual_level(list(levels))
                assert usual is not None
                today = 90.0 + spread_db * rng.standard_normal()
                counts += [today + louder_db > usual.high_db for louder_db in (0.0, 3.0, 6.0)]
            shares = [f"{100.0 * count / 4000:.1f} %" for count in counts]
            lines.append(f"| {kept} | {spread_db} dB | {' | '.join(shares)} |")
    return lines


def weightings() -> list[str]:
    """Largest distance of the whole meter from the design goal on steady tones of the 34 nominal frequencies."""
    lines = ["| sample rate | A | C |", "|---|---|---|"]
    for rate_hz in (44100, 48000, 88200, 96000):
        worst = {"A": 0.0, "C": 0.0}
        for hz in 10.0 ** (np.arange(10, 44) / 10.0):
            if hz > 0.45 * rate_hz:
                continue
            meter = LevelMeter(sample_rate_hz=rate_hz)
            meter.take((0.1 * np.sin(2.0 * np.pi * hz * np.arange(3 * rate_hz) / rate_hz)).astype(np.float32))
            course = meter.course()
            for name, square in (("A", course.a_square[-1]), ("C", course.c_square[-1])):
                goal_db = float(weighting_db(name, np.array(hz)))  # type: ignore[arg-type]
                worst[name] = max(worst[name], abs(10.0 * np.log10(square / 0.005) - goal_db))
        lines.append(f"| {rate_hz} Hz | {worst['A']:.3f} dB | {worst['C']:.3f} dB |")
    return lines


def main() -> None:
    """Write the page."""
    text = "\n".join(
        [
            "# Seat: level and exposure, measured",
            "",
            "Written by `python -m validations.seat`; about [the seat](seat.md). Whatever a table says of the meter is its electrical part alone.",
            "",
            "## Live",
            "",
            *three_hours(),
            "",
            "## Weightings",
            "",
            "Largest distance from the design goal of IEC 61672-1:2013 (Annex E) at the 34 frequencies of its Table 3, 10 Hz to 20 kHz:",
            "",
            *weightings(),
            "",
            "## Louder than usual",
            "",
            "Made houses whose weeks are normally distributed, 4000 of each:",
            "",
            *usual_alarms(),
            "",
            "Houses whose weeks differ by 3 dB are told least: the prior spread of 1.5 dB stands in while few weeks are kept.",
            "",
        ]
    )
    write_page(TARGET, text, __file__)


if __name__ == "__main__":
    main()
