"""Which source of a check is the desk's own mix."""

from __future__ import annotations

import importlib
from types import SimpleNamespace
from typing import Any

import pytest

from deskhand.tasks.check.measure import _recorded_mix


@pytest.mark.parametrize(
    ("mix", "target", "told"),
    [((4, 5), "loud", "desk mix"), ((4, 5), None, None), ((), "loud", None), ((7, 8), "loud", None)],
)
def test_its_tracks_are_among_those_that_the_house_names(
    monkeypatch: pytest.MonkeyPatch, mix: tuple[int, ...], target: str | None, told: str | None
) -> None:
    # a function of the package has the name of the module
    monkeypatch.setattr(
        importlib.import_module("deskhand.tasks.check.measure"), "recorded_mix", lambda _, readings: readings
    )
    present = {"bass": (0,), "all outputs": (3, 4, 5, 6), "desk mix": (4, 5), "left of it": (7, 9)}
    take: Any = SimpleNamespace(
        house=SimpleNamespace(desk=SimpleNamespace(mix_target=target)),
        matched=SimpleNamespace(mix=mix),
        present=present,
    )
    readings: Any = {name: SimpleNamespace(readings=name) for name in present}
    assert _recorded_mix(take, readings) == told
