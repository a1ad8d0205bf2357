"""Chain of the standing house file, as a page asks for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from deskhand.errors import HouseError
from deskhand.web.hall import Hall
from deskhand.web.state import PageState

if TYPE_CHECKING:
    from pathlib import Path

HOUSE = """\
[house]
name = "Tern Street Hall"
[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
chain = [{ block = "trim", gain = "-2 dB" }]
"""


def test_it_is_read_or_its_mistake_is_told_in_one_line(tmp_path: Path) -> None:
    file = tmp_path / "house.toml"
    file.write_text(HOUSE, "utf-8")
    pages = PageState(Hall(tmp_path))
    assert pages.standing_chain("bass") == [{"block": "trim", "gain": "-2 dB"}]
    assert pages.standing_chain("piano") == []
    for wrong in (HOUSE.replace("]]", "]", 1), HOUSE.replace("-2 dB", "-2 Hz")):
        file.write_text(wrong, "utf-8")
        with pytest.raises(HouseError, match=r"house\.toml"):
            PageState(Hall(tmp_path)).standing_chain("bass")
