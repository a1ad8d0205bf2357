"""Moves that are taken back: the house file without them, and what somebody has set otherwise since."""

from __future__ import annotations

from typing import Any

import pytest

from deskhand.store import DeskChange
from deskhand.tasks.revert import reverted

HOUSE = """\
[house]
name = "Tern Street Hall"
[[source]]
name = "piano"
role = "keys"
tracks = ["piano"]
fader = "-9 dB"
mute = "in songs"
[[source.chain]]
block = "bell"
frequency = "2.5 kHz"
gain = "-3 dB"
q = 1.4
[[source.chain]]
block = "trim"
gain = "-6 dB"
"""


def change(**fields: Any) -> DeskChange:
    facts: dict[str, Any] = {
        "show": "Sunday evening", "date": "2026-03-01", "take": "first", "source": "piano", "move": "piano/fader", "where": "fader",
        "block": None, "on": "both", "settings": {"fader": (0.0, -9.0, "dB")}, "text": "fader -9 dB",
    }  # fmt: skip
    return DeskChange(**facts | fields)


def block(name: str, **settings: tuple[float | None, float, str]) -> DeskChange:
    return change(move=f"piano/{name}", where="chain", block=name, settings=settings)


@pytest.mark.source("arithmetic: a move is written with two decimals; a value of the kilohertz with as many digits")
@pytest.mark.parametrize(
    ("taken", "line"),
    [
        (change(), 'fader = "0 dB"'),
        (change(settings={"fader": (0.0, -9.004, "dB")}), 'fader = "0 dB"'),
        (change(settings={"fader": (0.0, -9.006, "dB")}), 'fader = "-9 dB"'),
        (change(done=False), 'fader = "-9 dB"'),
        (change(where="preamp", settings={"gain": (0.0, -9.0, "dB")}), 'fader = "-9 dB"'),
        (block("bell", frequency=(2000.0, 2500.0, "Hz"), gain=(-1.0, -3.0, "dB")), 'gain = "-1 dB"'),
        (block("bell", frequency=(2000.0, 2500.012, "Hz"), gain=(-1.0, -3.0, "dB")), 'gain = "-1 dB"'),
        (block("bell", frequency=(2000.0, 2500.014, "Hz"), gain=(-1.0, -3.0, "dB")), 'gain = "-3 dB"'),
        (block("bell", q=(0.7, 1.4, "")), "q = 0.7"),
    ],
)
def test_what_is_as_it_was_turned_goes_back(taken: DeskChange, line: str) -> None:
    assert line in reverted(HOUSE, [taken]).splitlines()


def test_what_was_not_there_before_goes() -> None:
    assert "fader" not in reverted(HOUSE, [change(settings={"fader": (None, -9.0, "dB")})])
    assert "mute" not in reverted(HOUSE, [change(settings={"mute": (None, 1.0, "")}, where="mute")])
    added = reverted(HOUSE, [block("trim", gain=(None, -6.0, "dB"))])
    assert "trim" not in added
    assert "bell" in added


def test_the_newest_goes_back_first() -> None:
    turned = [change(settings={"fader": (-3.0, -6.0, "dB")}), change(settings={"fader": (-6.0, -9.0, "dB")})]
    assert 'fader = "-3 dB"' in reverted(HOUSE, turned).splitlines()
    # a block of the other side is another one
    side = block("bell", gain=(0.0, -3.0, "dB"))
    assert (
        reverted(HOUSE, [change(**{name: getattr(side, name) for name in ("where", "block", "settings")}, on="left")])
        == HOUSE
    )
