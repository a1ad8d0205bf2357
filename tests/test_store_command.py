"""Damage that `deskhand store` prints: a screen of it, and how much more there is."""

from __future__ import annotations

import pytest

from deskhand.cli.store import _print_damage


@pytest.mark.parametrize(("count", "more"), [(1, None), (20, None), (21, "  and 1 more"), (50, "  and 30 more")])
def test_a_screen_of_damage(capsys: pytest.CaptureFixture[str], count: int, more: str | None) -> None:
    _print_damage([f"take {number}: is damaged" for number in range(1, count + 1)])
    printed = capsys.readouterr().out.splitlines()
    assert printed[: min(count, 20)] == [f"  take {number}: is damaged" for number in range(1, min(count, 20) + 1)]
    assert printed[20:] == ([] if more is None else [more])
