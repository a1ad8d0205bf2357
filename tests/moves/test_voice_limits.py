"""How far a voice may go up, and what goes back that left its kept weeks: worked by hand, without a recording."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
import pytest

from deskhand.house import parse_house
from deskhand.moves.giving import Abilities
from deskhand.moves.voice import abilities
from deskhand.moves.voice_limits import FEED_LEVEL, back_db, below_limit_db, headroom_db

PLACE: Final = Path("house.toml")


def phrase(voice: float, others: float) -> Any:
    return SimpleNamespace(voice_middle=voice, voice_side=0.0, middle=np.array([[others]]), side=np.array([[0.0]]))


@pytest.mark.source("arithmetic: amplitudes of a voice and of a mix that meet at -1 dBTP, 0.8913 of full scale")
@pytest.mark.parametrize(
    ("mix_dbtp", "voice_peak", "up_db"),
    [
        # 0.8913 - 0.4457 = 0.4456 is left: (0.2 + 0.4456) / 0.2
        (-7.0206, 0.2, 10.179),
        (-1.0, 0.2, 0.0),
        (0.5, 0.2, 0.0),
        (-7.0206, 0.0, 0.0),
    ],
)
def test_headroom(mix_dbtp: float, voice_peak: float, up_db: float) -> None:
    assert headroom_db(mix_dbtp, voice_peak) == pytest.approx(up_db, abs=2e-3)


@pytest.mark.source("arithmetic: the powers of a voice and of three times as much around it")
def test_what_is_left_to_the_limit_of_the_room() -> None:
    # (4 * 10^0.3 - 3) / 1 = 4.981: 6.97 dB
    assert below_limit_db([phrase(0.5, 2.0), phrase(0.5, 1.0)], 3.0) == pytest.approx(6.9731, abs=1e-3)
    assert below_limit_db([phrase(1.0, 3.0)], 0.0) == pytest.approx(0.0, abs=1e-9)
    assert below_limit_db([phrase(1.0, 3.0)], -2.0) == 0.0
    # nothing to go up
    assert below_limit_db([phrase(0.0, 3.0)], 3.0) == 0.0
    assert below_limit_db([], 3.0) == 0.0


def part(level_db: float) -> Any:
    return SimpleNamespace(source="keys", stage="tap", values={FEED_LEVEL: (level_db,)})


@pytest.mark.parametrize(
    ("tonight_db", "kept_db", "back"),
    [
        (-17.0, (-20.0, -20.0, -20.0), -3.0),
        (-17.1, (-20.0, -20.0, -20.0), None),
        # to the step of the knob
        (-16.3, (-20.0, -20.0, -20.0), -3.5),
        # no more than 12 dB at once
        (-2.0, (-20.0, -20.0, -20.0), -12.0),
        # two standard deviations (2 dB) of weeks that differ
        (-16.1, (-22.0, -20.0, -18.0), None),
        (-16.0, (-22.0, -20.0, -18.0), -4.0),
        # two weeks tell nothing
        (-10.0, (-20.0, -20.0), None),
    ],
)
def test_what_left_its_kept_weeks_goes_back(tonight_db: float, kept_db: tuple[float, ...], back: float | None) -> None:
    planning: Any = SimpleNamespace(
        parts=[part(tonight_db)], baseline=SimpleNamespace(parts={("keys", "tap"): [part(level) for level in kept_db]})
    )
    changes = back_db(planning, {"keys": Abilities()}, {})
    assert changes == ({} if back is None else {"keys": back})
    assert back_db(planning, {"keys": Abilities(fader=False)}, {}) == {}


HOUSE = """\
[house]
name = "Tern Street Hall"
[desk]
trim_step = "{trim}"
[desk.equaliser]
q = {qs}
bells = 1
[[source]]
name = "keys"
role = "keys"
tracks = ["keys"]
fader = "-6 dB"
"""


@pytest.mark.parametrize(
    ("qs", "told"),
    [([0.5, 0.7, 1.0, 1.4, 2.0], {0.7, 1.4}), ([0.6, 1.1, 4.0], {0.6, 1.1}), ([2.0, 8.0], {2.0}), ([], set())],
)
def test_bells_have_the_qualities_that_lie_nearest_to_one_and_two_octaves(qs: list[float], told: set[float]) -> None:
    house = parse_house(HOUSE.format(trim="0.5 dB", qs=qs), PLACE)
    knobs = abilities(house.source[0], house.desk, [], [])
    assert {bell.q for bell in knobs.bells} == told


@pytest.mark.parametrize(
    ("trim", "step_db"),
    [("0.5 dB", 0.5), ("0.1 dB", 0.5), ("0.4 dB", 0.4), ("0.2 dB", 0.4), ("1 dB", 1.0), ("2 dB", 2.0)],
)
def test_a_fader_moves_by_half_a_decibel_or_by_the_next_step_that_it_has(trim: str, step_db: float) -> None:
    house = parse_house(HOUSE.format(trim=trim, qs=[0.7]), PLACE)
    assert abilities(house.source[0], house.desk, [], []).fader_step_db == pytest.approx(step_db)
