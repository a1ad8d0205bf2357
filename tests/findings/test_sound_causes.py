"""Causes of changed sounds: what numbers together are named, and what is left open. How often they are right: docs/validation-sound-causes.md."""

from __future__ import annotations

from dataclasses import replace

import pytest

from deskhand.baseline.filters import FilterKind
from deskhand.baseline.normal import Normal
from deskhand.baseline.tone_departure import ToneDeparture
from deskhand.findings import Finding, say
from deskhand.findings.sound_causes import sound_cause, with_causes


def number(name: str, half_widths: float) -> Normal:
    unit, usual = ("s", 1.0) if name == "tail" else ("dB", 10.0)
    factor = 2.0**half_widths if name == "tail" else 1.0
    return Normal(
        name=name, stage="tap", measured=usual * factor if name == "tail" else usual + half_widths, expected=usual,
        low=usual / 2.0 if name == "tail" else usual - 1.0, high=usual * 2.0 if name == "tail" else usual + 1.0, unit=unit, kept=10,
        by_player=0, probability=0.5, noticeable=0.0,
    )  # fmt: skip


def tone(kind: FilterKind, hz: float, gain_db: float, *, probability: float = 1e-4) -> Normal:
    return Normal(
        name="tone", stage="tap", measured=-20.0, expected=-10.0, low=-12.0, high=-8.0, unit="dB", kept=10, by_player=0,
        probability=probability, noticeable=8.0,
        departure=ToneDeparture(kind=kind, frequency_hz=hz, gain_db=gain_db, low_db=gain_db - 2, high_db=gain_db + 2),
    )  # fmt: skip


USUAL = tone("bell", 1000.0, 1.0, probability=0.6)
COVERED = tone("high shelf", 4000.0, -9.0)
THIN = tone("low shelf", 250.0, -6.0)
CUT = tone("low roll-off", 300.0, -14.0)
THICK = tone("low shelf", 250.0, 6.0)


@pytest.mark.parametrize(
    ("role", "by_cable", "shape", "tail", "attack", "dynamics", "cause"),
    [
        pytest.param("lead vocal", False, COVERED, 0.1, -0.2, 0.0, "covered", id="only the top"),
        pytest.param("lead vocal", False, COVERED, 1.5, -1.5, 0.0, None, id="top and room"),
        pytest.param("lead vocal", False, THIN, 1.2, -1.3, 0.0, "farther", id="lows less, room more"),
        pytest.param("lead vocal", False, THIN, 0.0, 0.0, 0.0, None, id="lows less only a little"),
        pytest.param("lead vocal", False, CUT, 0.0, 0.1, 0.0, "high-pass", id="lows gone"),
        pytest.param("lead vocal", False, THICK, -1.2, 1.1, 0.0, "closer", id="lows more, room less"),
        pytest.param("lead vocal", False, USUAL, 1.5, -1.5, 0.0, None, id="a voice's room alone"),
        pytest.param("guitar", True, USUAL, -1.5, 1.2, 0.2, "less-effect", id="drier"),
        pytest.param("guitar", True, USUAL, 1.5, -1.2, 0.2, "more-effect", id="wetter"),
        pytest.param("guitar", True, USUAL, 1.5, 1.2, 0.2, None, id="contradicting"),
        pytest.param("guitar", True, COVERED, 0.2, 0.2, 0.2, "tone-control", id="a guitar's top"),
        pytest.param("guitar", True, COVERED, 1.4, -1.2, -2.0, "other-sound", id="tone and dynamics"),
        pytest.param("guitar", True, CUT, 0.0, 0.0, 1.5, "high-pass", id="a high-pass moves the dynamics too"),
        pytest.param("guitar", True, USUAL, 0.0, 0.0, 0.0, None, id="nothing"),
    ],
)
def test_causes(
    role: str, by_cable: bool, shape: Normal, tail: float, attack: float, dynamics: float, cause: str | None
) -> None:
    normals = [shape, number("tail", tail), number("articulation", attack), number("dynamics", dynamics)]
    assert sound_cause(role, normals, by_cable=by_cable) == cause


def test_the_most_noticeable_says_the_cause_and_the_others_the_same() -> None:
    plain = Finding(
        id="g/tail", kind="tail", stage="tap", severity="listen", what="less", advice=("hear-gate",), measured=0.4, expected=0.9
    )  # fmt: skip
    attack = replace(
        plain, id="g/articulation", kind="articulation", what="more", advice=("hear-touch",), facts={"off_db": 4.0}
    )
    normals = [USUAL, number("tail", -1.5), number("articulation", 1.5), number("dynamics", 0.0)]
    told = with_causes({"g": [plain, attack]}, {"g": normals}, {"g": "guitar"}, {"g": True})["g"]
    assert say(told[0]).endswith("which effect is off; nothing at the desk cures this")
    assert say(told[1]).endswith("most likely from the same cause")
    quiet = with_causes({"g": [plain, attack]}, {"g": [USUAL]}, {"g": "guitar"}, {"g": True})["g"]
    assert quiet == [plain, attack]
