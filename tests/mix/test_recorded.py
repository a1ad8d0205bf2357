"""Recorded mix against its target: names of targets, verdicts at their edges, what to turn, and a check from end to end.

The tone of EBU Tech 3341 reads -23 LUFS by definition; everything else is arithmetic on it.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.errors import HouseError
from deskhand.house import parse_house
from deskhand.house.targets import loudness_target
from deskhand.mix.recorded import RecordedMix, recorded_mix
from tests.support.signals import RATE_HZ
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path


class Readings:
    """Readings of a mix."""

    def __init__(self, loudness_lufs: float | None, true_peak_dbtp: float | None = -6.0) -> None:
        self.loudness_lufs = loudness_lufs
        self.true_peak_dbtp = true_peak_dbtp
        self.loudness_range_lu = 8.0


def verdict(target: str, *values: Any) -> RecordedMix:
    judged = recorded_mix(loudness_target(target), Readings(*values))  # type: ignore[arg-type]
    assert judged is not None
    return judged


@pytest.mark.source("EBU R 128 v5.0 (2023): -23 LUFS, 1 LU live, -1 dBTP; supplement 2 v3 (2023): -20 to -16 LUFS")
@pytest.mark.parametrize(
    ("text", "low_lufs", "high_lufs"),
    [
        pytest.param("EBU R 128", -24.0, -22.0, id="r128"),
        pytest.param("ebu r128", -24.0, -22.0, id="as-it-is-typed"),
        pytest.param("EBU R 128 s2", -20.0, -16.0, id="streaming"),
        pytest.param("-18 LUFS", -19.0, -17.0, id="own"),
        pytest.param("−18.5 LKFS", -19.5, -17.5, id="own-in-lkfs"),
    ],
)
def test_targets(text: str, low_lufs: float, high_lufs: float) -> None:
    target = loudness_target(text)
    assert (target.low_lufs, target.high_lufs, target.peak_dbtp) == (low_lufs, high_lufs, -1.0)


@pytest.mark.parametrize("text", ["EBU R 129", "-18 dB", "-18", "loud", ""])
def test_no_target_is_one_line(text: str, tmp_path: Path) -> None:
    house = f'[house]\nname = "Tern Street Hall"\n[desk]\nmix_target = "{text}"\n'
    with pytest.raises(HouseError, match="no loudness target; use 'EBU R 128', 'EBU R 128 s2', or") as caught:
        parse_house(house, tmp_path / "house.toml")
    assert str(caught.value).startswith("house.toml, line 4, [desk]")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("loudness_lufs", "peak_dbtp", "word", "turn_db"),
    [
        pytest.param(-23.0, -6.0, "within", 0.0, id="at it"),
        pytest.param(-21.96, -6.0, "within", 0.0, id="printed as the edge"),
        pytest.param(-21.9, -6.0, "too loud", -1.1, id="above"),
        pytest.param(-24.0, -6.0, "within", 0.0, id="at the lower edge"),
        pytest.param(-26.5, -6.0, "too soft", 3.5, id="below"),
        pytest.param(-23.0, -0.8, "within", 0.0, id="peak within its uncertainty"),
        pytest.param(-23.0, -0.2, "peaks too high", -0.8, id="peak"),
        pytest.param(-20.0, 1.0, "too loud", -3.0, id="loud and peak"),
        pytest.param(-23.0, None, "within", 0.0, id="no peak"),
    ],
)
def test_verdicts(loudness_lufs: float, peak_dbtp: float | None, word: str, turn_db: float) -> None:
    judged = verdict("EBU R 128", loudness_lufs, peak_dbtp)
    assert (judged.verdict, judged.turn_db) == (word, pytest.approx(turn_db))


def test_sentences() -> None:
    assert verdict("EBU R 128", -19.8, -4.0).text == (
        "−19.8 LUFS, peaks −4 dBTP: too loud for EBU R 128 (−24 to −22 LUFS, peaks up to −1 dBTP); turn the feed to the stream or the "
        "recorder down by 3.2 dB, not the faders"
    )
    assert verdict("-18 LUFS", -18.2, -4.0).text == (
        "−18.2 LUFS, peaks −4 dBTP: within −18 LUFS (−19 to −17 LUFS, peaks up to −1 dBTP)"
    )
    soft = verdict("EBU R 128 s2", -26.0, -5.0)
    assert soft.turn_db == 8.0
    assert soft.text.endswith(
        "up by 8 dB, not the faders; its peaks would then lie 4 dB too high: use a limiter on the feed, or stay below"
    )


def test_a_silent_mix_has_none() -> None:
    assert recorded_mix(loudness_target("EBU R 128"), Readings(None)) is None  # type: ignore[arg-type]


HOUSE = """\
[house]
name = "Tern Street Hall"
[desk]
mix = ["main l", "main r"]
mix_target = "EBU R 128"
[[source]]
name = "keys"
role = "keys"
tracks = ["keys"]
"""


@pytest.mark.source("EBU Tech 3341 v4 (2023), Table 1, case 1: stereo sine of 1 kHz at -23 dBFS reads -23 LUFS")
def test_a_check_tells_it(tmp_path: Path) -> None:
    time_s = np.arange(12 * RATE_HZ) / RATE_HZ
    tone = 10 ** (-23.0 / 20) * np.sin(2 * np.pi * 1000.0 * time_s)
    show = tmp_path / "show"
    show.mkdir()
    for name in ("main l", "main r", "keys"):
        write_wave(show / f"{name}.wav", tone)
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    run = CliRunner().invoke(
        main, ["check", str(show), "--json", str(tmp_path / "a.json"), "--report", str(tmp_path / "a.html")]
    )
    assert run.exit_code in (0, 1), run.output
    told = "The recorded mix: −23 LUFS, peaks −23 dBTP: within EBU R 128"
    assert told in run.output.replace("\n", " ")
    assert told in (tmp_path / "a.html").read_text("utf-8")
    judged = json.loads((tmp_path / "a.json").read_text("utf-8"))["recorded_mix"]
    assert judged["loudness_lufs"] == pytest.approx(-23.0, abs=0.1)
    assert (judged["verdict"], judged["turn_db"]) == ("within", 0.0)
