"""Advice that the stage's study carries out: gains, bells, shelves and high-passes do what they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deskhand.moves.move import Move, Setting
from tests.support.stage.advice import carried, carried_out
from tests.support.stage.effects import RATE_HZ
from tests.support.stage.part import mono


def tone(frequency_hz: float, length_s: float = 4.0) -> np.ndarray:
    return 0.1 * np.sin(2 * np.pi * frequency_hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)


def move(block: str | None, **settings: float) -> Move:
    return Move(
        where="channel" if block else "trim",
        block=block or "trim",
        index=None,
        on="both",
        settings={name: Setting(before=None, after=value, unit="1") for name, value in settings.items()},
        who_hears=("house",),
    )


def level_db(sound: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(sound[..., RATE_HZ:] ** 2)))


@pytest.mark.source(
    "Bristow-Johnson, Cookbook formulae for audio EQ, gains at the centre and half-way at a shelf's corner"
)
@pytest.mark.parametrize(
    ("advice", "at_hz", "gain_db"),
    [
        pytest.param(move(None, gain=-4.5), 1000.0, -4.5, id="trim"),
        pytest.param(move("bell", frequency=1000.0, gain=-6.0, q=1.0), 1000.0, -6.0, id="bell"),
        pytest.param(
            move("high-shelf", frequency=1000.0, gain=5.0, q=0.707), 1000.0, 2.5, id="high-shelf-at-its-corner"
        ),
        pytest.param(move("high-shelf", frequency=1000.0, gain=5.0, q=0.707), 12000.0, 5.0, id="high-shelf"),
        pytest.param(move("low-shelf", frequency=400.0, gain=-5.0, q=0.707), 50.0, -5.0, id="low-shelf"),
        pytest.param(move("high-pass", frequency=200.0, slope=12.0), 200.0, -3.01, id="high-pass-at-its-corner"),
    ],
)
def test_a_move_is_carried_out(advice: Move, at_hz: float, gain_db: float) -> None:
    part = mono("keys", "keys", "keys", tone(at_hz)[None, :])
    before, after = (carried_out(part, [advice], with_moves=moved) for moved in (False, True))
    assert level_db(after) - level_db(before) == pytest.approx(gain_db, abs=0.05)


def test_level_and_tone_that_are_put_right_are_right() -> None:
    part = mono("keys", "keys", "keys", (tone(200.0) + tone(500.0) + tone(4000.0))[None, :])
    hot = replace(part, sound=2.0 * part.sound)
    nominal_dbfs = 20 * np.log10(0.1 * 3**0.5)
    outcome = carried("level", hot, part, [move(None, gain=-6.0206)], nominal_dbfs)
    assert outcome is not None
    assert outcome.level_off_db == pytest.approx((6.02, 0.0), abs=0.05)
    dull = replace(
        part, sound=carried_out(part, [move("high-shelf", frequency=2000.0, gain=-6.0, q=0.707)], with_moves=True)
    )
    outcome = carried(
        "tone, shelf", dull, part, [move("high-shelf", frequency=2000.0, gain=6.0, q=0.707)], nominal_dbfs
    )
    assert outcome is not None
    assert outcome.tone_off_db[1] < 0.1 < 2.0 < outcome.tone_off_db[0]
    assert carried("hum", dull, part, [move(None, gain=-6.0)], nominal_dbfs) is None
    assert carried("level", hot, part, [], nominal_dbfs) is None
