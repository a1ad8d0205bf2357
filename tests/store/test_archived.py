"""A take of an archive is known again by its files and its stretch; lengths are kept to the millisecond."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from deskhand.store.archived import archived_row
from tests.support.folders import HOUSE, TAKE, opened

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.source("arithmetic: two lengths that are rounded to the millisecond each lie within one and a half of it")
@pytest.mark.parametrize(
    ("start_s", "length_s", "is_known"),
    [
        (30.0, 100.0, True),
        (30.0015, 100.0015, True),
        (29.9985, 99.9985, True),
        (30.0025, 100.0, False),
        (30.0, 100.0025, False),
        (30.0, 99.9975, False),
    ],
)
def test_the_same_stretch(tmp_path: Path, start_s: float, length_s: float, is_known: bool) -> None:
    history = opened(f"sqlite:///{tmp_path / 'history.sqlite'}")
    history.keep(replace(TAKE, digest="a1", start_s=30.0, duration_s=100.0))
    row = archived_row(history, house=HOUSE, digest="a1", start_s=start_s, duration_s=length_s)
    assert (row is not None) == is_known
    assert archived_row(history, house=HOUSE, digest="b2", start_s=30.0, duration_s=100.0) is None
    history.close()
