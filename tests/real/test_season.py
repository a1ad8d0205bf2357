"""A show from recorded samples is a show: the demo's tracks, whole, at their levels, each week another.

In order: names and lengths; the same generator gives the same samples; nothing clips, stands still or is off its
middle; sources sit at nominal; weeks and players differ.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from numpy.typing import NDArray

from deskhand.demo.season import pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import SOURCES as _SOURCES
from tests.support.sampled import sampled_tracks

pytestmark = pytest.mark.real

Tracks = dict[str, NDArray[np.float64]]

LENGTH_S = 32.0
SEEDS = (1,)
ROLES = {name: role for name, role, *_ in _SOURCES}
NAMES = {name: names for name, _, names, *_ in _SOURCES}
NOMINAL_DBFS = {name: -18.0 if level is None else float(level) for name, *_, level, _ in _SOURCES}
TRACKS = tuple(track for names in NAMES.values() for track in names)
# the audience has no level of its own, and the click of 30 ms is set by its beeps
LEVELLED = tuple(name for name in NAMES if name not in {"audience", "click"})


def make(seed: int, length_s: float = LENGTH_S) -> Tracks:
    rng = np.random.default_rng(seed)
    return sampled_tracks(rng, length_s, pick_players(rng))


show = functools.cache(make)


@functools.cache
def another() -> Tracks:
    """A shorter show of another week."""
    return make(2, 16.0)


def test_tracks_are_the_demos() -> None:
    tracks = show(1)
    assert tuple(tracks) == TRACKS
    assert {track.shape for track in tracks.values()} == {(round(LENGTH_S * RATE_HZ),)}


def test_same_generator_same_samples() -> None:
    again = make(2, 16.0)
    assert all(np.array_equal(again[name], track) for name, track in another().items())


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", TRACKS)
def test_whole(seed: int, name: str) -> None:
    track = show(seed)[name]
    assert np.isfinite(track).all()
    peak = np.abs(track).max()
    # not within 0.5 dB of full scale
    assert peak < 10 ** (-0.5 / 20)
    # no flat top: at the peak no three samples in a row
    top = np.abs(track) > 0.9999 * peak
    assert not np.any(top[:-2] & top[1:-1] & top[2:])
    # no offset that the check would name (0.3 %), by far
    assert abs(track.mean()) < 3e-4
    # every input has noise: no two samples are the same for long, and none is exactly nothing
    assert np.count_nonzero(np.diff(track) == 0.0) < 10
    assert np.count_nonzero(track == 0.0) < 10


def level_dbfs(rows: list[NDArray[np.float64]], *, strikes: bool) -> float:
    """Median RMS (a full-scale sine is 0) of 300 ms: windows within 15 dB of the loud ones, or around each hit."""
    hop = round(0.05 * RATE_HZ)
    frames = rows[0].size // hop * hop
    power = np.mean([np.mean(row[:frames].reshape(-1, hop) ** 2, axis=1) for row in rows], axis=0)
    levels = 10 * np.log10(np.convolve(power, np.full(6, 1 / 6), "valid")) + 3.0103
    loud = float(np.percentile(levels, 95))
    if not strikes:
        return float(np.median(levels[levels > loud - 15.0]))
    # a hit is where no window in 0.15 s around is louder
    around = np.lib.stride_tricks.sliding_window_view(np.pad(levels, 3, constant_values=-200.0), 7)
    return float(np.median(levels[(levels == around.max(axis=1)) & (levels > loud - 10.0)]))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", LEVELLED)
def test_at_nominal(seed: int, name: str) -> None:
    rows = [show(seed)[track] for track in NAMES[name]]
    # a show varies by 0.8 dB about nominal; the rest is for windows that only touch the playing
    assert level_dbfs(rows, strikes=ROLES[name] in {"kick", "snare"}) == pytest.approx(NOMINAL_DBFS[name], abs=1.5)


@pytest.mark.parametrize("name", TRACKS)
def test_weeks_differ(name: str) -> None:
    one, other = show(1)[name][: round(16.0 * RATE_HZ)], another()[name]
    # nothing is the same, at whatever delay: far below the 1 of a repeated recording
    size = 2 * one.size
    shared = np.fft.irfft(np.fft.rfft(one, size) * np.conj(np.fft.rfft(other, size)), size)
    alike = np.abs(shared).max() / np.sqrt(np.sum(one**2) * np.sum(other**2))
    assert alike < 0.8


def test_players_differ() -> None:
    def with_guitarist(player: str) -> NDArray[np.float64]:
        rng = np.random.default_rng(3)
        players = {"guitar a": player, "guitar b": "Ines", "lead voice": "Marit", "piano": "Selma", "kick": "Leni"}
        track = sampled_tracks(rng, 16.0, players)["gtr a l"]
        power = np.abs(np.fft.rfft(track)) ** 2
        hz = np.fft.rfftfreq(track.size, 1 / RATE_HZ)
        edges = 88.0 * 2.0 ** np.arange(7)
        octaves = np.array([power[(hz >= low) & (hz < 2 * low)].sum() for low in edges])
        return np.asarray(10 * np.log10(octaves / octaves.sum()))

    # the same song in the same week: the difference is the rig's
    assert np.abs(with_guitarist("Tomke") - with_guitarist("Odile")).max() > 2.0
