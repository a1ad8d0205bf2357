"""Tables of the page, row by row: the stages of a chain, and what a voice's room costs in mono."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from deskhand.report import page as module
from deskhand.report.page import _stages, _voices


def test_each_block_has_its_row_behind_what_goes_into_the_chain() -> None:
    stages = [
        SimpleNamespace(block="high-pass", level_dbfs=-20.3, true_peak_dbtp=-6.2, reduction_db=None),
        SimpleNamespace(
            block="compressor", level_dbfs=-22.1, true_peak_dbtp=None, reduction_db=SimpleNamespace(median=1.8, p95=6.1)
        ),
    ]
    source: Any = SimpleNamespace(before=SimpleNamespace(level_dbfs=-20.1, true_peak_dbtp=-5.4), stages=stages)
    assert _stages(source) == [
        ("in", "−20.1", "−5.4", ""),
        ("high-pass", "−20.3", "−6.2", ""),
        ("compressor", "−22.1", "–", "1.8, at most 6.1"),
    ]
    assert _stages(SimpleNamespace(before=source.before, stages=[])) == []  # type: ignore[arg-type]
    assert _stages(SimpleNamespace(before=None, stages=stages)) == []  # type: ignore[arg-type]


def pair(name: str, *mono: float) -> Any:
    """A pair whose middle is turned down by 0, 3, 6 and 9 dB."""
    return SimpleNamespace(
        source=name,
        audible_pct=[SimpleNamespace(mono=share) for share in mono],
        mono_loss_db=[-0.4, -0.9, -1.6, -2.5],
        knee_db=6.0,
    )


def test_room_for_a_voice_from_nothing_to_the_most(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[tuple[float, float]] = []
    monkeypatch.setattr(module, "voice_line", lambda _: "line")
    monkeypatch.setattr(module, "voice_costs", lambda _: [])
    monkeypatch.setattr(module, "voice_picture", lambda _, begin_s, end_s: drawn.append((begin_s, end_s)))
    voice = SimpleNamespace(
        phrases=("one",), room=(pair("keys", 61.4, 66.0, 70.0, 73.6), pair("pads", 61.0, 61.2, 61.5, 61.9)), method="audibility",
        clearance_pct=SimpleNamespace(mono=61.2), audible_pct=SimpleNamespace(left=70.2, right=64.8),
    )  # fmt: skip
    silent = SimpleNamespace(phrases=())
    result: Any = SimpleNamespace(vocal=voice, voices=(silent,), show=SimpleNamespace(start_s=10.0, duration_s=30.0))
    [card] = _voices(result)
    # a pair that brings less than a percent is not worth a row
    assert card["room"] == [("keys", "61", "74", "−2.1", "6")]
    assert card["index"] == "61"
    assert card["sides"] == "70 % left, 65 % right"
    assert drawn == [(10.0, 40.0)]
