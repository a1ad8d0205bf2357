"""Quantities that limits are compared with: what is planted into sounds from arithmetic is what is read."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.support.signals import sine, speech_like
from tests.support.stage.effects import RATE_HZ
from tests.support.stage.library import VARIABLE
from tests.support.stage.limit_plants import LIMIT_PLANTS, failed_together, mixes_with_click, planted_everywhere
from tests.support.stage.part import Part, mono, pair
from tests.support.stage.plants import Scene, level_of
from tests.support.stage.quantities import MeasuredShow, dropout_spread_s, measured_show, values_of
from tests.support.stage.show import StageShow

ROOT = Path(__file__).parent.parent.parent
LENGTH_S = 24.0


def stage() -> tuple[StageShow, Scene]:
    """Voice, keys whose right side is 3 dB the louder, and a click, each of noise or tones."""
    rng = np.random.default_rng(11)
    left = 0.05 * rng.standard_normal(round(LENGTH_S * RATE_HZ))
    beats = np.tile(
        np.concatenate([sine(1000.0, 0.3, level_dbfs=-20.0), np.zeros(round(0.3 * RATE_HZ))]), 40
    ) + 1e-5 * rng.standard_normal(left.size)
    parts = (
        mono("lead voice", "lead vocal", "vox", speech_like(rng, LENGTH_S, -25.0), rig="singers", is_open=True),
        pair("keys", "keys", "keys", np.stack([left, 2**0.5 * left]), rig="keys, chorus"),
        mono("click", "click", "click", beats, rig="playback"),
    )
    nominal_dbfs = {part.name: -20.0 for part in parts}
    show = StageShow(season=1, week=1, parts=parts, nominal_dbfs=nominal_dbfs, notes=())
    return show, Scene(parts={part.name: part for part in parts}, rng=rng, nominal_dbfs=nominal_dbfs)


def measured_with(tmp_path: Path, kind: str, strength: float, source: str = "keys") -> MeasuredShow:
    """Show in which one source has a fault."""
    show, scene = stage()
    plant = next(plant for plant in LIMIT_PLANTS if plant.kind == kind)

    def faulty(part: Part) -> Part:
        outcome = plant.apply(scene, part, strength) if part.name == source else None
        return part if outcome is None else outcome[0]

    return measured_show(replace(show, parts=tuple(map(faulty, show.parts))), tmp_path)


@pytest.mark.source("arithmetic: what is planted")
@pytest.mark.parametrize(
    ("kind", "strength", "limit", "value", "tolerance"),
    [
        # the right side is 3 dB louder than the left
        pytest.param("dead side", 20.0, "one-sided.one_sided_db", 16.99, 0.1, id="dead side"),
        pytest.param("side gone for a while", 6.0, "one-sided.side_gone_s", 6.0, 0.2, id="louder side, for how long"),
        pytest.param("side down for 8 s", 30.0, "one-sided.side_gone_db", 26.99, 0.2, id="louder side, how far"),
        pytest.param("offset", 1.0, "dc.listen", 0.01, 2e-4, id="offset"),
        pytest.param("soft hum", -20.0, "hum.listen_db", -20.0, 1.0, id="hum"),
        # sides of 1 and -sqrt 2: 10 log (sqrt 2 - 1)^2 / (2 (1 + 2))
        pytest.param("inverted pair of one signal", 1.0, "mono-loss.listen_db", -15.44, 0.1, id="inverted"),
        pytest.param("delay of a side", 1.0, "delay.least_ms", 1.0, 0.01, id="delay"),
    ],
)
def test_what_is_planted_is_read(
    tmp_path: Path, kind: str, strength: float, limit: str, value: float, tolerance: float
) -> None:
    assert values_of(measured_with(tmp_path, kind, strength), "keys")[limit] == pytest.approx(value, abs=tolerance)


@pytest.mark.source("arithmetic: what is planted")
def test_a_clean_show_reads_as_it_was_made(tmp_path: Path) -> None:
    values = values_of(measured_show(stage()[0], tmp_path), "keys")
    assert values["one-sided.one_sided_db"] == pytest.approx(3.01, abs=0.05)
    assert values["one-sided.side_gone_s"] == 0.0
    assert values["clipped.few"] == values["dropout.together_tracks"] == values["clicks.fix_count"] == 0.0
    assert values["silent.went_silent_s"] == 0.0
    assert values["hum.listen_db"] < -100.0


@pytest.mark.source("arithmetic: what is planted")
def test_a_recorder_that_fails_is_seen_in_all_tracks(tmp_path: Path) -> None:
    show, scene = stage()
    measured = measured_show(failed_together(show, scene, "recorder dropout", 20.0), tmp_path)
    assert values_of(measured, "keys")["dropout.together_tracks"] >= 3
    spread_s = dropout_spread_s(measured.context, 3)
    assert spread_s is not None
    assert spread_s < 0.02


def test_each_input_gets_a_fault_that_fits_and_the_click_none() -> None:
    show, scene = stage()
    counts: Counter[tuple[str, float]] = Counter()
    kinds = set()
    for _ in range(8):
        faulty, planted = planted_everywhere(show, scene, counts)
        assert set(planted) == {"lead voice", "keys"}
        assert np.array_equal(faulty.parts[2].sound, show.parts[2].sound)
        kinds |= {(source, kind) for source, (kind, _, _) in planted.items()}
    # those that were planted least come first: none of eight is planted twice into one input
    assert len(kinds) == 16
    assert counts.total() == 16


@pytest.mark.source("arithmetic: levels are mean squares")
def test_a_click_in_a_mix_is_as_loud_as_it_says() -> None:
    show, _ = stage()
    _, mix, with_click = mixes_with_click(show, (-30.0,))
    added = with_click - mix
    sounding = added[np.abs(added) > 0]
    below_db = 10 * np.log10(np.mean(sounding**2) / np.mean(mix**2))
    assert below_db == pytest.approx(-33.0, abs=0.1)
    assert level_of(show.parts[1]) > -30.0


def test_the_study_is_skipped_without_recordings() -> None:
    environment = {name: value for name, value in os.environ.items() if name != VARIABLE}
    study = subprocess.run(
        [sys.executable, "-m", "validations.limits"], cwd=ROOT, env=environment, capture_output=True, text=True,
        check=True, timeout=120,
    )  # fmt: skip
    assert "Nothing was run" in study.stdout
