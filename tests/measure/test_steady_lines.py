"""Hum that keeps its phase is found under playing that never rests; machines, notes and noise are not hum."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.measure.grid import LOW_TRANSFORM
from deskhand.measure.hum import find_hum
from deskhand.measure.steady_lines import SteadyLineFinder, steady_lines
from tests.support.feed import figures_of
from tests.support.signals import RATE_HZ, amplitude, pluck, white

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.measure.figures import Figures

LENGTH_S: Final = 30.0
SHARES: Final = {1: 0.8, 2: 1.0, 3: 0.7, 4: 0.4, 5: 0.4, 6: 0.3}
"""Multiples of the mains and their amplitudes, as a bad transformer makes them: common practice, no source."""


def hum(level_dbfs: float, *, mains_hz: float = 50.02, drift_hz_s: float = 0.0) -> np.ndarray:
    """Hum whose frequency is right in the middle and creeps by `drift_hz_s`."""
    time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    turns = 2 * np.pi * (mains_hz * time_s + 0.5 * drift_hz_s * (time_s - LENGTH_S / 2) ** 2)
    wave = np.sum([share * np.sin(n * turns + n) for n, share in SHARES.items()], axis=0)
    # AES17: a sine of amplitude a has the level of a
    return wave / np.sqrt(sum(share**2 for share in SHARES.values())) * amplitude(level_dbfs)


def played(seed: int, notes_hz: tuple[float, ...], *, every_s: float = 0.4, level_dbfs: float = -18.0) -> np.ndarray:
    """Somebody who plays without a rest: one note after the other, a little early or late, soft or loud, a few cents off."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(round((LENGTH_S + 2.0 * every_s) * RATE_HZ))
    for begin_s in np.arange(0.0, LENGTH_S, every_s):
        hz = float(rng.choice(notes_hz)) * 2.0 ** (rng.normal(0.0, 4.0) / 1200)
        note = pluck(rng, hz, every_s, decay_s=2.0) * amplitude(-rng.uniform(0.0, 4.0))
        first = max(0, round((begin_s + rng.normal(0.0, 0.008)) * RATE_HZ))
        sound[first : first + note.size] += note
    sound = sound[: round(LENGTH_S * RATE_HZ)]
    return sound * amplitude(level_dbfs) / np.sqrt(2 * np.mean(sound**2)) + white(rng, LENGTH_S, -75.0)


# equal temperament at 440 Hz: among them the notes nearest to 50, 100 and 150 Hz (ISO 16)
PLAYED: Final[dict[str, tuple[float, ...]]] = {
    "bass-in-g": (49.0, 65.41, 73.42, 98.0, 146.83),
    "bass-in-a-flat": (51.91, 69.3, 77.78, 103.83, 155.56),
    "guitar-in-d": (146.83, 196.0, 220.0, 293.66, 246.94),
}
BELOW_DB: Final = (20.0, 30.0)
CASES: Final = [(name, below_db) for name in PLAYED for below_db in BELOW_DB]


@pytest.fixture(scope="module")
def humming() -> Figures:
    return figures_of(
        np.stack([played(seed, PLAYED[name]) + hum(-18.0 - below_db) for seed, (name, below_db) in enumerate(CASES)])
    )


# known truth: the hum is added
@pytest.mark.parametrize(
    "track", [pytest.param(k, id=f"{name}-{below:g}-db-below") for k, (name, below) in enumerate(CASES)]
)
def test_hum_is_found_under_playing_that_never_rests(humming: Figures, track: int) -> None:
    found = find_hum(humming.tracks[track], humming.grid, mains_hz=50.0)
    assert found is not None
    assert found.frequency_hz == pytest.approx(50.02, abs=0.01)
    # lines that notes hide are missing in it
    assert found.level_dbfs == pytest.approx(-18.0 - CASES[track][1], abs=4.0)


def test_the_other_mains_is_not_said(humming: Figures) -> None:
    assert [find_hum(track, humming.grid, mains_hz=60.0) for track in humming.tracks] == [None] * len(CASES)


def test_mains_that_wander_are_found() -> None:
    # 1 mHz a second, as an interconnected grid does within a minute (common practice, no source)
    figures = figures_of(played(1, PLAYED["bass-in-g"]) + hum(-43.0, drift_hz_s=0.001))
    assert find_hum(figures.tracks[0], figures.grid, mains_hz=50.0) is not None


def machine(hz: float, every_s: float) -> np.ndarray:
    """A machine's bass: the same samples again and again in exact time."""
    time_s = np.arange(round(every_s * RATE_HZ)) / RATE_HZ
    rise_and_fall = np.minimum(1.0, time_s / 0.01) * np.clip((0.9 * every_s - time_s) / 0.03, 0.0, 1.0)
    note = np.sum([np.sin(2 * np.pi * n * hz * time_s + n) / n for n in range(1, 11)], axis=0) * rise_and_fall
    return 0.1 * np.resize(note, round(LENGTH_S * RATE_HZ))


# repetition puts a line on each multiple of 1 / every_s, the mains' among them
NO_HUM: Final[dict[str, Callable[[], np.ndarray]]] = {
    "machine-120-bpm": lambda: machine(49.0, 0.5),
    "machine-150-bpm": lambda: machine(55.0, 0.4),
    "machine-120-bpm-eighths": lambda: machine(51.91, 0.25),
    "machine-150-bpm-sixteenths": lambda: machine(98.0, 0.1),
    "bass-in-g": lambda: played(7, PLAYED["bass-in-g"]),
    "bass-in-a-flat": lambda: played(8, PLAYED["bass-in-a-flat"]),
    "guitar-in-d": lambda: played(9, PLAYED["guitar-in-d"]),
    "noise": lambda: white(np.random.default_rng(3), LENGTH_S, -30.0),
}


@pytest.fixture(scope="module")
def without_hum() -> Figures:
    return figures_of(np.stack([make() for make in NO_HUM.values()]))


@pytest.mark.parametrize("track", [pytest.param(k, id=name) for k, name in enumerate(NO_HUM)])
@pytest.mark.parametrize("mains_hz", [pytest.param(mains, id=f"mains-{mains:g}") for mains in (50.0, 60.0)])
def test_what_is_not_hum(without_hum: Figures, track: int, mains_hz: float) -> None:
    figures = without_hum.tracks[track]
    assert figures.runs
    assert steady_lines(figures.runs, without_hum.grid, mains_hz=mains_hz) is None


@pytest.mark.source(
    "D. J. Thomson, Proc. IEEE 70 (1982): in noise, -(n - 1) ln(1 - coherence) of n windows is distributed as exp(-x)"
)
def test_noise_gives_no_more_evidence_than_chance() -> None:
    figures = figures_of(white(np.random.default_rng(5), LENGTH_S, -30.0))
    runs = figures.tracks[0].runs
    assert len(runs) == 2
    # a main lobe is four bins wide: places eight half bins apart share nothing
    evidence, _ = SteadyLineFinder(runs, figures.grid).evidence(np.arange(200, 2600, 8))
    by_chance = evidence[:, 8] + len(runs) - 1
    # the sum of two such has mean 2, and 4.744 is its upper 5 % (chi square of 4 degrees of freedom at 9.488);
    # windows in which the line is loud by chance weigh less, so that it stays below
    assert 1.0 < by_chance.mean() < 2.0
    assert (by_chance > 4.744).mean() < 0.05


@pytest.mark.source("arithmetic: a sine of amplitude a has a mean square of a^2 / 2")
@pytest.mark.parametrize("off_bins", [pytest.param(off, id=f"{off:g}-bins-off") for off in (0.0, 0.13, 0.25, 0.5)])
def test_power_of_a_line(off_bins: float) -> None:
    bin_hz = RATE_HZ / 16 / LOW_TRANSFORM
    line_hz = (round(100.0 / bin_hz) + off_bins) * bin_hz
    time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    figures = figures_of(0.1 * np.sin(2 * np.pi * line_hz * time_s) + white(np.random.default_rng(4), LENGTH_S, -60.0))
    assert figures.grid.low_rate_hz == RATE_HZ / 16
    _, power = SteadyLineFinder(figures.tracks[0].runs, figures.grid).evidence(
        np.array([round(2.0 * line_hz / bin_hz)])
    )
    assert 10 * np.log10(0.375 * power.max() / 0.005) == pytest.approx(0.0, abs=0.3)


def test_little_is_kept_of_a_long_take() -> None:
    figures = figures_of(white(np.random.default_rng(6), 75.0, -40.0))
    runs = figures.tracks[0].runs
    assert [run.spectra.shape[0] for run in runs] == [14, 14]
    assert runs[0].level_db <= runs[1].level_db


def test_the_last_short_chunk_keeps_no_phase() -> None:
    # 30.4 s: the window that ends with the piece begins elsewhere than a whole second
    time_s = np.arange(round(30.4 * RATE_HZ)) / RATE_HZ
    figures = figures_of(0.1 * np.sin(2 * np.pi * 50.0 * time_s) + white(np.random.default_rng(8), 30.4, -60.0))
    assert sum(run.chunks.size for run in figures.tracks[0].runs) == 28
