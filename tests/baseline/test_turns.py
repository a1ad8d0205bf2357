"""Turns of a line check: where each input plays by itself, and what is told of a turn against the kept ones.

The turns are made: third-octave levels that differ by a normal deviation, so that what was planted is arithmetic.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.baseline.model import baseline_of
from deskhand.baseline.turns import LEAST_TURNS, compared_turn, turn_spans
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings import say
from deskhand.findings.line_memory import LineMemory, line_check_finding, line_memory
from deskhand.store import KeptPart, TakeRow

if TYPE_CHECKING:
    from deskhand.baseline.model import Baseline

SILENT_DBFS = -90.0
USUAL_DB = np.interp(np.log2(NOMINAL_HZ), np.log2([20, 63, 125, 4000, 8000, 20000]), [-60, -40, -10, -15, -22, -50])


def test_turns_are_where_an_input_sounds_alone() -> None:
    levels = {name: np.full(600, SILENT_DBFS) for name in ("lead voice", "bass", "spare")}
    levels["lead voice"][100:170] = -20.0
    levels["lead voice"][300:370] = -45.0  # it hears the bass
    levels["lead voice"][120:125] = SILENT_DBFS  # a breath
    levels["bass"][300:370] = -20.0
    levels["bass"][40] = -50.0  # a knock
    spans = turn_spans(levels)
    assert set(spans) == {"lead voice", "bass"}
    assert spans["lead voice"] == pytest.approx((10.0, 17.0))
    assert spans["bass"] == pytest.approx((30.0, 37.0))
    assert turn_spans({}) == {}


def turn(levels_db: np.ndarray, *, player: str | None = None, role: str = "lead vocal", source: str = "it") -> KeptPart:
    values = {f"tone_db.{hz:g}": (float(level), None) for hz, level in zip(NOMINAL_HZ, levels_db, strict=True)}
    values["level_dbfs"] = (float(10 * np.log10(np.sum(10 ** (levels_db / 10)))) - 20.0, None)
    return KeptPart(
        source=source, stage="turn", role=role, player=player, tap="preamp", playing_s=6.0, values=values
    )  # fmt: skip


def kept(count: int, *, player: str | None = None) -> Baseline:
    rng = np.random.default_rng(7)
    rows = []
    for number in range(1, count + 1):
        take = TakeRow(
            id=number, house="Tern Street Hall", show="line check", date=f"2026-01-{number:02d}", phase="line-check", duration_s=140.0,
            recording="live", house_hash="", note="", kept_by="", kept_at="2026-01-01T00:00:00+00:00", forgotten_by=None, forgotten_at=None,
        )  # fmt: skip
        for source in ("it", "another"):
            levels_db = USUAL_DB + 0.5 * rng.standard_normal(31) + rng.normal(0, 1.0)
            rows.append((take, dataclasses.replace(turn(levels_db, player=player, source=source), take=number)))
    return baseline_of(rows)


def memory_of(baseline: Baseline, part: KeptPart) -> LineMemory:
    comparison = compared_turn(baseline, part)
    assert comparison is not None
    return line_memory(comparison, player=part.player)


def test_as_always_and_quieter_and_duller() -> None:
    baseline = kept(8)
    usual = memory_of(baseline, turn(USUAL_DB))
    assert (usual.verdict, usual.text) == ("as always", "as always (8 line checks)")
    assert usual.told.startswith("tone from lows")
    assert "level from" in usual.told
    quieter = memory_of(baseline, turn(USUAL_DB - 9.0))
    assert quieter.changed == ("level",)
    assert quieter.text.endswith("dB quieter than in any of its 8 line checks")
    shelf_db = -10.0 / (1.0 + (2500.0 / np.array(NOMINAL_HZ)) ** 2)
    duller = memory_of(baseline, turn(USUAL_DB + shelf_db))
    assert "tone" in duller.changed
    assert duller.text.startswith("much duller (")
    assert duller.text.endswith("than in its 8 line checks")
    finding = line_check_finding("it", "lead vocal", duller, by_cable=False)
    assert finding is not None
    assert "is it the usual microphone" in say(finding)
    assert line_check_finding("it", "lead vocal", usual, by_cable=False) is None


def test_nothing_is_told_of_few_turns_or_of_somebody_new() -> None:
    few = memory_of(kept(LEAST_TURNS - 1), turn(USUAL_DB - 20.0))
    assert (few.verdict, few.told, few.changed) == ("learning", "", ())
    new = memory_of(kept(8, player="Ana"), turn(USUAL_DB - 20.0, player="Ben"))
    assert (new.verdict, new.changed) == ("somebody new", ())
    assert new.text == "first line check with Ben here (8 with others)"
    with_ana = memory_of(kept(8, player="Ana"), turn(USUAL_DB - 12.0, player="Ana"))
    assert with_ana.text.endswith("dB quieter than in its 8 line checks with Ana")
    assert compared_turn(kept(8), turn(USUAL_DB, source="never kept")) is None
