"""What the page draws of an input: times count from the start of the recording, wherever the check began."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from deskhand.house import parse_house
from deskhand.tasks.check.assemble import _picture

HOUSE = """\
[house]
name = "Tern Street Hall"
nominal = "-20 dBFS"
[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
"""


@pytest.mark.parametrize(("start_s", "moment_s"), [(0.0, 12.5), (30.0, 42.5)])
def test_its_most_telling_moment(start_s: float, moment_s: float) -> None:
    house = parse_house(HOUSE, Path("house.toml"))
    facts: Any = SimpleNamespace(
        recording=SimpleNamespace(start_s=start_s),
        setup=SimpleNamespace(house=house),
        readings=SimpleNamespace(traces_db={}, telling_s={"bass": 12.5}),
    )
    reading: Any = SimpleNamespace(activity=SimpleNamespace(level_dbfs=np.array([-20.0]), windows=np.array([True])))
    picture = _picture(facts, house.source[0], reading)
    assert (picture.start_s, picture.telling_s) == (start_s, moment_s)
    assert picture.nominal_dbfs == -20.0
