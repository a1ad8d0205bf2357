"""Progress of a command whose output is no terminal: lines for a log, and none of work that is soon done."""

from __future__ import annotations

import pytest

from deskhand.cli import output


def test_long_work_tells_how_far_it_is(monkeypatch, capsys):
    now_s = [0.0]
    monkeypatch.setattr(output.time, "monotonic", lambda: now_s[0])
    with output.progress_bar("measuring") as progress:
        for second in range(61):
            now_s[0] = float(second)
            progress(second / 120)
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [f"measuring: {percent} %" for percent in (8, 17, 25, 33, 42, 50)]


@pytest.mark.parametrize("shares", [[], [0.0, 0.5, 1.0]])
def test_short_work_says_nothing(capsys, shares):
    with output.progress_bar("measuring") as progress:
        for share in shares:
            progress(share)
    assert capsys.readouterr() == ("", "")
