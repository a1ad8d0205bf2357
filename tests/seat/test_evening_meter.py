"""Who is metered at a check: the seats of the house that were recorded, and nobody where there is none."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

from deskhand.house import match_tracks, parse_house
from deskhand.tasks.check.seats import evening_meter

HOUSE = """\
[house]
name = "Tern Street Hall"
[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
[[source]]
name = "mix position"
role = "seat"
tracks = ["omni"]
"""


def setup_of(*tracks: str) -> Any:
    house = parse_house(HOUSE, Path("house.toml"))
    return SimpleNamespace(house=house, matched=match_tracks(house, tracks), folder=None)


def test_a_recording_with_and_without_its_seat() -> None:
    recording: Any = SimpleNamespace(sample_rate_hz=48000)
    meter = evening_meter(setup_of("bass", "omni"), recording)
    assert meter is not None
    assert list(meter.meters) == ["mix position"]
    assert evening_meter(setup_of("bass"), recording) is None
