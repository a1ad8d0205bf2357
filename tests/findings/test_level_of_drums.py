"""Level of drums: that of their loud strokes, whatever is struck softly, heard of the others, or let through by a gate."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
import pytest

from deskhand.findings.faults.level import _margin_db
from deskhand.house import Source
from deskhand.measure.activity import activity, energy_median_dbfs
from tests.support.judged import show_of
from tests.support.signals import RATE_HZ, amplitude, hits, pink, white

PAGE: Final = (Path(__file__).parents[2] / "docs" / "findings.md").read_text("utf-8")
LENGTH_S: Final = 30.0
PEAK_DBFS: Final = -20.0
"""Peak of a loud stroke at nominal: room for all that is planted here."""
STROKE: Final = hits(np.random.default_rng(3), 1.0, every_s=1.0, peak_dbfs=0.0)[round(0.09 * RATE_HZ) :]
BACK_BEATS_S: Final = tuple(np.arange(1.0, 29.0, 1.2))


def drum(*groups: tuple[Sequence[float], float]) -> np.ndarray:
    """Strokes of a drum over the noise of a preamplifier: moments in s and their peak against a loud stroke's, in dB."""
    sound = white(np.random.default_rng(4), LENGTH_S, -95.0)
    for moments_s, peak_db in groups:
        for moment_s in moments_s:
            first = round(moment_s * RATE_HZ)
            sound[first : first + STROKE.size] += STROKE[: sound.size - first] * amplitude(PEAK_DBFS + peak_db)
    return sound


def gated(sound: np.ndarray) -> np.ndarray:
    """Sound through a gate that closes 0.15 s after what stands within 14 dB of the top."""
    step = RATE_HZ // 100
    loud = np.abs(sound[: sound.size // step * step]).reshape(-1, step).max(axis=1)
    is_open = np.convolve(loud > amplitude(-14.0) * loud.max(), np.ones(15))[: loud.size] > 0
    return sound[: is_open.size * step] * np.repeat(np.where(is_open, 1.0, amplitude(-50.0)), step)


def stroke_dbfs(sound: np.ndarray) -> float:
    """Mean level of the 300 ms that begin with each back-beat, by plain numpy (AES17)."""
    span = 3 * RATE_HZ // 10
    starts = [round(moment_s * RATE_HZ) for moment_s in BACK_BEATS_S]
    return float(10 * np.log10(2 * np.mean([np.mean(sound[start : start + span] ** 2) for start in starts])))


def levels_said(
    sound: np.ndarray, role: str, *, nominal_dbfs: float | None = None, neighbour: np.ndarray | None = None
) -> list[tuple[str, str]]:
    """Kinds and severities of what is said of a drum's level, its nominal that of a loud stroke."""
    nominal_dbfs = stroke_dbfs(drum((BACK_BEATS_S, 0.0))) if nominal_dbfs is None else nominal_dbfs
    nominal = f'nominal = "{nominal_dbfs:.1f} dBFS"'
    samples = sound[None] if neighbour is None else np.stack([neighbour, sound])
    roles = [role] if neighbour is None else ["snare", role]
    findings = show_of(samples, roles, chain=nominal).by_source[f"source {len(roles)}"]
    return [(finding.kind, finding.severity) for finding in findings if finding.kind.startswith("level")]


GHOSTS_S: Final = tuple(np.concatenate([np.array(BACK_BEATS_S) + 0.45, np.array(BACK_BEATS_S) + 0.8]))


@pytest.mark.source(
    "known truth: the loud strokes lie at nominal; common practice, no source: a snare is set by its back-beats"
)
@pytest.mark.parametrize("is_gated", [pytest.param(False, id="open"), pytest.param(True, id="gated")])
@pytest.mark.parametrize("ghosts_db", [pytest.param(db, id=f"ghosts{db:.0f}-dB") for db in (-6.0, -9.0, -12.0, -16.0)])
@pytest.mark.parametrize("gain_db", [pytest.param(db, id=f"{db:+.0f}-dB") for db in (0.0, 6.0, -6.0)])
def test_a_snare_is_as_loud_as_its_back_beats(gain_db: float, ghosts_db: float, is_gated: bool) -> None:
    sound = drum((BACK_BEATS_S, 0.0), (GHOSTS_S, ghosts_db))
    said = levels_said((gated(sound) if is_gated else sound) * amplitude(gain_db), "snare")
    assert said == ([] if gain_db == 0.0 else [("level-high" if gain_db > 0.0 else "level-low", "fix")])


@pytest.mark.source("known truth: each of the strokes lies so far off nominal")
@pytest.mark.parametrize(
    ("count", "gain_db", "expected"),
    [
        pytest.param(5, 0.0, [], id="five-at-nominal"),
        pytest.param(5, 6.0, [("level-high", "listen")], id="five-6-dB-up"),
        pytest.param(5, -6.0, [("level-low", "listen")], id="five-6-dB-down"),
        pytest.param(5, 10.0, [("level-high", "fix")], id="five-10-dB-up"),
        pytest.param(3, 10.0, [("level-high", "fix")], id="three-10-dB-up"),
        pytest.param(3, 6.0, [("level-high", "listen")], id="three-6-dB-up"),
        pytest.param(3, -6.0, [], id="three-6-dB-down-may-be-bleed"),
        pytest.param(1, 10.0, [], id="one-bump"),
    ],
)
def test_a_few_strokes_of_toms_tell_their_level(count: int, gain_db: float, expected: list[tuple[str, str]]) -> None:
    # under 3 s of strokes; between them the snare, 14 dB softer than a tom at nominal
    toms = drum((np.linspace(5.0, 27.0, count), 0.0), (BACK_BEATS_S, -30.0))
    assert levels_said(toms * amplitude(gain_db), "toms") == expected


@pytest.mark.source("known truth: nobody strikes the toms")
def test_toms_that_nobody_strikes_are_no_fault() -> None:
    rng = np.random.default_rng(6)
    snare = sum(
        (
            drum(
                ((moment_s,), float(rng.uniform(-9.0, 0.0))),
            )
            for moment_s in BACK_BEATS_S
        ),
        np.zeros(1),
    )
    # each call brings the noise once more: taken out again, so that the snare is one sound over one noise
    snare = snare - (len(BACK_BEATS_S) - 1) * drum()
    bleed = snare * amplitude(-24.0) + white(rng, LENGTH_S, -118.0)
    assert levels_said(bleed, "toms", neighbour=snare) == [("level-low", "note")]
    # of a snare that is always played it is worth a look
    assert levels_said(bleed, "snare", neighbour=snare) == [("level-low", "listen")]


@pytest.mark.source(
    "arithmetic: eight windows of 1 and 24 of a sixteenth hold 9.5 of energy, its middle lies in the loud ones"
)
def test_half_of_the_energy() -> None:
    levels_dbfs = np.array([-20.0] * 8 + [-20.0 - 10 * np.log10(16.0)] * 24)
    assert energy_median_dbfs(levels_dbfs) == pytest.approx(-20.0)
    assert energy_median_dbfs(levels_dbfs - 7.0) == pytest.approx(-27.0)
    assert energy_median_dbfs(np.array([])) is None
    assert energy_median_dbfs(np.full(5, -np.inf)) is None


def kit(*, last_crash_db: float | None, pause_dbfs: float) -> np.ndarray:
    """(blocks,) mean squares of a kit above which a stroke every half second dies away by 20 dB, with pauses in which the stage is heard."""
    levels_dbfs = np.full(300, pause_dbfs)
    levels_dbfs[40:260] = np.tile([-30.0, -37.0, -43.0, -47.0, -50.0], 44)
    if last_crash_db is not None:
        levels_dbfs[260:270] = -30.0 + last_crash_db - 1.5 * np.arange(10)
    return np.asarray(0.5 * 10 ** (levels_dbfs / 10), np.float32)


@pytest.mark.source(
    "known truth: the strokes stay as they are; common practice, no source: overheads are set by the loud strokes of the kit"
)
def test_a_kit_is_as_loud_as_its_strokes() -> None:
    readings = [
        activity(kit(last_crash_db=crash_db, pause_dbfs=pause_dbfs), parted=False)
        for crash_db, pause_dbfs in ((None, -100.0), (None, -62.0), (None, -56.0), (22.0, -100.0))
    ]
    levels_dbfs = [reading.level_of(reading.level_dbfs[reading.windows]) for reading in readings]
    assert np.ptp(levels_dbfs) < 1.0
    # 300 ms that begin with a stroke: the mean of its first three powers
    assert levels_dbfs[0] == pytest.approx(
        10 * np.log10(np.mean(10 ** (np.array([-30.0, -37.0, -43.0]) / 10))), abs=0.5
    )


@pytest.mark.source("known truth: a kit at one gain, plus or minus 6 dB")
@pytest.mark.parametrize("gain_db", [pytest.param(db, id=f"{db:+.0f}-dB") for db in (0.0, 6.0, -6.0)])
def test_overheads_6_db_off_are_said(gain_db: float) -> None:
    rng = np.random.default_rng(9)
    overheads = drum((BACK_BEATS_S, 0.0), (np.arange(1.0, 29.0, 0.3), -9.0)) + pink(rng, LENGTH_S, -75.0)
    said = levels_said(overheads * amplitude(gain_db), "overheads", nominal_dbfs=stroke_dbfs(overheads))
    assert [kind for kind, _ in said] == ([] if gain_db == 0.0 else ["level-high" if gain_db > 0.0 else "level-low"])


@pytest.mark.parametrize(
    ("role", "strokes", "words"),
    [
        ("kick", 10, "by # dB more, of toms"),
        ("snare", 10, "by # dB more, of toms"),
        ("toms", 10, "hears a whole kit by # dB more"),
        ("percussion", 10, "hears a whole kit by # dB more"),
        ("overheads", 10, "hears a whole kit by # dB more"),
        ("snare", 9, "fewer than ten strokes by # dB more"),
        ("toms", 9, "fewer than ten strokes by # dB more"),
        ("bass", 9, ""),
    ],
)
def test_by_how_much_more_a_drum_may_lie_off_is_what_the_page_says(role: str, strokes: int, words: str) -> None:
    """Numbers of docs/findings.md, so that page and program cannot part."""
    line = next(line for line in PAGE.splitlines() if line.startswith("| `level-high`"))
    found = re.search(re.escape(words).replace(r"\#", r"(\d+)"), line) if words else None
    source = Source(name="one", role=role, tracks=["one"])
    windows = np.zeros(100, bool)
    windows[:strokes] = True
    reading: Any = SimpleNamespace(activity=SimpleNamespace(windows=windows))
    assert _margin_db(source, reading) == (float(found[1]) if found else 0.0)
