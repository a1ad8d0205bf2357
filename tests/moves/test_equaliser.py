"""The fewest changes of an equaliser: known shapes taken back, nothing shorter by brute force, nothing the desk cannot do.

Covers, in this order: shapes against published formulas; one and several planted shapes; brute force on small grids; the desk's
abilities; quiet where nothing is to be done; the fine spectrum.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.moves.equaliser import (
    FINE_HZ,
    Grid,
    Shape,
    Task,
    applied,
    band_levels_db,
    desk_grid,
    matters,
    rms_db,
)
from deskhand.moves.fewest import fewest
from deskhand.moves.fine import brought_to, fine_power
from tests.support.hypotheses import examples
from tests.support.tables import topic

DESK = desk_grid(
    gain_step_db=0.5, gain_max_db=15.0, frequency_step_octave=1 / 12, qs=(0.5, 0.7, 1, 1.4, 2, 2.8), bells=4
)
SMALL = Grid(
    frequencies_hz=(125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0),
    gains_db=(-6.0, -3.0, 3.0, 6.0),
    qs=(0.7, 1.4),
    bells=2,
    lowest_note_hz=40.0,
)


def _music(rng: np.random.Generator) -> np.ndarray:
    """A spectrum that falls to both sides of 400 Hz, with lines in it."""
    tilt = -9.0 * np.abs(np.log2(FINE_HZ / 400.0))
    return 10 ** ((tilt + rng.normal(0, 3, FINE_HZ.size)) / 10)


def _task(power: np.ndarray, wanted: np.ndarray, **rest: object) -> Task:
    return Task(power=power, wanted_db=band_levels_db(wanted), weight=matters(wanted), **rest)  # type: ignore[arg-type]


@pytest.mark.source(
    "Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: peakingEQ, lowShelf, highShelf (analogue prototypes)"
)
@pytest.mark.parametrize(
    ("shape", "numerator", "denominator"),
    [
        (
            Shape(kind="bell", frequency_hz=800, gain_db=6.0, q=1.5),
            lambda a, q: [1, a / q, 1],
            lambda a, q: [1, 1 / (a * q), 1],
        ),
        (
            Shape(kind="low-shelf", frequency_hz=200, gain_db=-4.0, q=0.707),
            lambda a, q: [a, a * np.sqrt(a) / q, a * a],
            lambda a, q: [a, np.sqrt(a) / q, 1],
        ),
        (
            Shape(kind="high-shelf", frequency_hz=5000, gain_db=3.0, q=0.707),
            lambda a, q: [a * a, a * np.sqrt(a) / q, a],
            lambda a, q: [1, np.sqrt(a) / q, a],
        ),
    ],
    ids=["bell", "low-shelf", "high-shelf"],
)
def test_shape_is_the_published_one(shape, numerator, denominator):
    a = 10 ** (shape.gain_db / 40)
    _, response = ss.freqs(numerator(a, shape.q), denominator(a, shape.q), worN=FINE_HZ / shape.frequency_hz)
    np.testing.assert_allclose(shape.power(), np.abs(response) ** 2, rtol=1e-9)


@pytest.mark.source("Butterworth magnitude, 1 / (1 + (fc / f)^2n): any textbook of filters")
@pytest.mark.parametrize("slope", [12.0, 18.0])
def test_high_pass_is_a_butterworth(slope):
    shape = Shape(kind="high-pass", frequency_hz=100.0, slope_db_per_octave=slope)
    np.testing.assert_allclose(shape.power(), 1 / (1 + (100.0 / FINE_HZ) ** (slope / 3)), rtol=1e-6)


@settings(max_examples=examples(12), deadline=None)
@given(
    place=st.integers(30, len(DESK.frequencies_hz) - 25),
    gain=st.sampled_from([-5.5, -4.0, -3.0, 3.0, 5.0, 7.5]),
    q=st.sampled_from([0.7, 1.0, 1.4]),
    seed=st.integers(0, 1000),
)
def test_one_planted_bell_is_taken_back_by_one(place, gain, q, seed):
    clean = _music(np.random.default_rng(seed))
    planted = Shape(kind="bell", frequency_hz=DESK.frequencies_hz[place], gain_db=gain, q=q)
    task = _task(clean * planted.power(), clean)
    found = fewest(task, DESK, lambda levels: float(rms_db(levels, task)) < 0.35)
    assert len(found) == 1
    assert found[0].rms_db < 0.35
    [change] = found[0].changes
    assert np.sign(change.after.gain_db) == -np.sign(gain)


@pytest.mark.source(
    "ITU-R BS.1770-5 (11/2023), Annex 1, Table 1: a published design of low order, a shelf of 4 dB; its corner: tests/reference/bs1770.toml"
)
@pytest.mark.parametrize("turned", [1.0, -1.0], ids=["put-on", "taken-off"])
def test_a_published_design_is_found_as_what_it_is(turned):
    """One change that brings it home, at its corner and with its gain: a shelf from above or, level being no tone, from below."""
    published = topic("bs1770")
    stage = published["k_weighting"]["stage1_shelf_48k"]
    corner_hz = published["not_in_the_standard"]["prototype"]["shelf_f0_hz"]
    _, response = ss.freqz(stage["b"], stage["a"], worN=FINE_HZ, fs=48000)
    clean = _music(np.random.default_rng(3))
    task = _task(clean, clean * np.abs(response) ** (2.0 * turned))
    assert float(rms_db(band_levels_db(clean), task)) > 1.0
    found = fewest(task, DESK, lambda levels: float(rms_db(levels, task)) < 0.2)
    assert len(found) == 1
    assert found[0].rms_db < 0.2
    [change] = found[0].changes
    assert change.after.kind == ("high-shelf" if change.after.gain_db * turned > 0 else "low-shelf")
    assert abs(change.after.gain_db) == pytest.approx(4.0, abs=0.5)
    # the standard's form has its corner a little above the middle of the slope, where ours has it
    assert abs(np.log2(change.after.frequency_hz / corner_hz)) <= 1 / 4


@pytest.mark.parametrize("seed", range(4))
def test_several_planted_shapes_are_taken_back_within_a_decibel(seed):
    rng = np.random.default_rng(seed)
    clean = _music(rng)
    power = clean.copy()
    for hz in (160.0, 900.0, 4500.0):
        gain = float(rng.uniform(3, 5.5) * rng.choice([-1, 1]))
        power = power * Shape(kind="bell", frequency_hz=hz, gain_db=gain, q=1.2).power()
    task = _task(power, clean)
    found = fewest(task, DESK, lambda levels: float(rms_db(levels, task)) < 0.5)
    assert float(rms_db(band_levels_db(power), task)) > 1.0
    assert found[-1].rms_db < 0.6
    assert len(found) <= 4
    # each further change brings it nearer
    assert all(later.rms_db < earlier.rms_db for earlier, later in itertools.pairwise(found))
    # what is promised is what applying the changes gives
    assert float(rms_db(band_levels_db(applied(power, found[-1].changes)), task)) == pytest.approx(
        found[-1].rms_db, abs=1e-4
    )


@settings(max_examples=examples(10), deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 2))
def test_brute_force_finds_no_shorter_list(seed, count):
    rng = np.random.default_rng(seed)
    clean = _music(rng)
    shapes = [shape for kind in ("bell", "low-shelf", "high-shelf") for shape in SMALL.shapes(kind)]
    planted = [shapes[int(at)] for at in rng.choice(len(shapes), count, replace=False)]
    power = clean.copy()
    for shape in planted:
        power = power / shape.power()
    task = _task(power, clean)

    def good(levels: np.ndarray) -> bool:
        return float(rms_db(levels, task)) < 0.15

    found = fewest(task, SMALL, good)
    every = np.array([shape.power() for shape in [*shapes, *SMALL.shapes("high-pass")]])
    if good(band_levels_db(power)):
        assert not found
        return
    best = rms_db(band_levels_db(power * every), task).min()
    shortest = 1 if best < 0.15 else 2
    if found and good(band_levels_db(applied(power, found[-1].changes))):
        assert len(found[-1].changes) == shortest
    else:
        # only when its best single change is not worth asking for
        assert best >= 0.15


@settings(max_examples=examples(15), deadline=None)
@given(seed=st.integers(0, 10_000), bells=st.integers(0, 3))
def test_nothing_is_asked_that_the_desk_cannot_do(seed, bells):
    rng = np.random.default_rng(seed)
    clean = _music(rng)
    power = clean * 10 ** (rng.normal(0, 0.4, FINE_HZ.size).cumsum() / 20)
    grid = desk_grid(
        gain_step_db=1.0, gain_max_db=9.0, frequency_step_octave=1 / 3, qs=(0.7, 1.4), bells=bells, lowest_note_hz=80.0
    )
    there = ((0, Shape(kind="bell", frequency_hz=400.0, gain_db=-2.0, q=1.0)),) if bells else ()
    task = _task(power, clean, blocks=there)
    for one in fewest(task, grid, lambda _levels: False):
        new = [change for change in one.changes if change.index is None]
        assert sum(change.after.kind != "high-pass" for change in new) <= bells - len(there)
        for change in one.changes:
            after = change.after
            assert after.frequency_hz in grid.frequencies_hz
            if after.kind == "high-pass":
                assert after.frequency_hz <= 80.0 / 2**0.5
            else:
                assert after.gain_db in grid.gains_db
                assert after.gain_db <= grid.most_boost_db
                assert after.kind != "bell" or after.q in grid.qs
        assert len({change.index for change in one.changes if change.index is not None}) == len(one.changes) - len(new)


def test_an_existing_block_is_changed_before_one_is_added():
    clean = _music(np.random.default_rng(5))
    there = Shape(kind="bell", frequency_hz=1000.0, gain_db=-4.0, q=1.0)
    wanted = clean * Shape(kind="bell", frequency_hz=1000.0, gain_db=-1.0, q=1.0).power()
    task = _task(clean * there.power(), wanted, blocks=((2, there),))
    found = fewest(task, DESK, lambda levels: float(rms_db(levels, task)) < 0.2)
    assert [change.index for change in found[-1].changes] == [2]
    assert found[-1].changes[0].after.gain_db == pytest.approx(-1.0, abs=0.5)


def test_a_good_tone_is_left_alone():
    clean = _music(np.random.default_rng(6))
    task = _task(clean * 10**0.6, clean)
    assert fewest(task, DESK, lambda levels: float(rms_db(levels, task)) < 0.1) == []


def test_level_is_no_tone():
    clean = _music(np.random.default_rng(7))
    task = _task(clean, clean)
    assert float(rms_db(band_levels_db(clean * 10.0), task)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.source("scipy.signal.welch, an independent estimate of the power spectrum")
def test_fine_spectrum_against_an_independent_estimate(rng):
    rate = 48000
    noise = ss.lfilter([1.0], [1.0, -0.9], rng.standard_normal((2, 20 * rate)))
    power = fine_power(noise, rate)
    hz, density = ss.welch(noise, rate, nperseg=1 << 14)
    total = density.sum(axis=0)
    for low, high in ((100, 200), (1000, 2000), (5000, 10000)):
        ours = power[(low <= FINE_HZ) & (high > FINE_HZ)].sum() / power.sum()
        theirs = total[(hz >= low * 2 ** (-1 / 48)) & (hz < high * 2 ** (-1 / 48))].sum() / total.sum()
        assert 10 * np.log10(ours / theirs) == pytest.approx(0.0, abs=0.25)


def test_fine_spectrum_keeps_what_it_is_brought_to(rng):
    power = _music(rng)
    wanted = band_levels_db(_music(rng))
    np.testing.assert_allclose(band_levels_db(brought_to(power, wanted)), wanted, atol=1e-6)


def test_no_setting_boosts_further_than_the_most():
    grid = Grid(
        frequencies_hz=(1000.0,), gains_db=(-12.0, -9.0, -3.0, 3.0, 6.0, 9.0), qs=(1.0,), bells=4, most_boost_db=6.0
    )
    for kind in ("bell", "low-shelf", "high-shelf"):
        assert [shape.gain_db for shape in grid.shapes(kind)] == [-12.0, -9.0, -3.0, 3.0, 6.0]


@pytest.mark.source(
    "Hann window: a tone on a line leaves a quarter of its power on either neighbour (Harris 1978, doi:10.1109/PROC.1978.10837)"
)
def test_the_edge_of_a_step_lies_between_two_lines():
    rate, size = 48000, 1 << 14
    edges = FINE_HZ * 2 ** (1 / 48) / (rate / size)
    # a step that ends half way between two lines, as exactly as there is one above 200 Hz
    step = min(np.flatnonzero(FINE_HZ > 200.0)[:60], key=lambda index: abs(edges[index] % 1.0 - 0.5))
    line = int(edges[step])
    assert edges[step] % 1.0 == pytest.approx(0.5, abs=0.05)
    power = fine_power(np.sin(2 * np.pi * line / size * np.arange(8 * size)), rate)
    # lines below the edge: the tone's own and its lower neighbour, of 1/4 + 1 + 1/4
    assert power[: step + 1].sum() / power.sum() == pytest.approx(1.25 / 1.5, abs=0.03)
