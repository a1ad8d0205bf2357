"""Where a blind test begins: the page counts from the start of the recording, a stretch from where the check began."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from deskhand.web.blind_pages import BlindPages


class Opened(Exception):
    """The stretch that is asked for."""

    def __init__(self, start_s: float) -> None:
        super().__init__()
        self.start_s = start_s


@pytest.mark.parametrize(("checked_from_s", "start_s"), [(0.0, 42.0), (30.0, 12.0)])
def test_its_start_counts_from_the_start_of_the_check(checked_from_s: float, start_s: float) -> None:
    check = SimpleNamespace(result=SimpleNamespace(show=SimpleNamespace(start_s=checked_from_s)))

    def stretch(_shelf: object, _name: str, begin_s: float) -> None:
        raise Opened(begin_s)

    state: Any = SimpleNamespace(stored_check_of=lambda _: (None, check), stretch=stretch)
    with pytest.raises(Opened) as opened:
        BlindPages(state).start({"source": "piano", "against": "house", "start_s": 42.0})
    assert opened.value.start_s == start_s
