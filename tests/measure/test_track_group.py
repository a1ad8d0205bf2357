"""How the tracks of a recording are parted into groups."""

from __future__ import annotations

import pytest

from deskhand.dsp.lanes import LANES
from deskhand.measure.track_group import group_tracks


@pytest.mark.parametrize(("tracks", "size"), [(1, 1), (2, 1), (3, 2), (9, 5), (16, 8), (48, 8)])
def test_both_threads_have_something_to_do_and_no_lane_is_left_over(tracks: int, size: int) -> None:
    assert LANES == 8
    assert group_tracks(tracks) == size
