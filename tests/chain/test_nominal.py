"""The nominal point: level, peaks and mono loss behind the gain, trim and polarity of a chain.

Covers, in this order: a chain without them; levels of one channel and of pairs by arithmetic; mono loss against phase; the chain
itself run and measured, as a peer; how far a level can be raised.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.chain.nominal import NominalPoint, balance_db, input_matrix, nominal_point
from deskhand.chain.run import run
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import SourceReading, read_source
from tests.support.chain import made
from tests.support.feed import Feed
from tests.support.hypotheses import examples
from tests.support.signals import RATE_HZ, pink, sine
from tests.support.tables import rows

if TYPE_CHECKING:
    from collections.abc import Sequence


def measured(signal: np.ndarray) -> tuple[Any, SourceReading]:
    signal = np.atleast_2d(signal)
    tracks = tuple(range(len(signal)))
    figures = measure_figures(Feed(signal), len(signal), pairs=[(0, 1)] if len(signal) == 2 else [])
    return figures, read_source(figures, tracks, strikes=False, mains_hz=50.0)


def point_of(signal: np.ndarray, blocks: Sequence[Any]) -> NominalPoint:
    figures, reading = measured(signal)
    return nominal_point(blocks, reading, figures)


def test_without_gain_trim_and_polarity_it_is_the_tap(rng):
    signal = np.stack([pink(rng, 5.0, -20.0), pink(rng, 5.0, -23.0)])
    figures, reading = measured(signal)
    blocks = [made("bell", frequency="1 kHz", gain="6 dB"), made("compressor", threshold="-40 dBFS", ratio=4)]
    point = nominal_point(blocks, reading, figures)
    read = reading.readings
    assert (point.level_dbfs, point.true_peak_dbtp, point.mono_loss_db) == (
        read.level_dbfs, read.true_peak_dbtp, read.mono_loss_db,
    )  # fmt: skip
    assert (point.gain_db, point.reversed_side, point.balance_db) == (0.0, False, 0.0)


@pytest.mark.source("Definition: a sine's level is that of its peak (AES17); gains in dB add up")
@pytest.mark.parametrize(
    ("blocks", "gain_db"),
    [
        ([made("trim", gain="9.3 dB")], 9.3),
        ([made("gain", gain="-20.5 dB"), made("trim", gain="4 dB")], -16.5),
        ([made("polarity"), made("trim", gain="-3 dB")], -3.0),
    ],
)
def test_level_of_one_channel(blocks, gain_db):
    point = point_of(sine(1000.0, 5.0, level_dbfs=-20.0), blocks)
    assert point.level_dbfs == pytest.approx(-20.0 + gain_db, abs=0.01)
    assert point.true_peak_dbtp == pytest.approx(-20.0 + gain_db, abs=0.05)
    assert point.gain_db == pytest.approx(gain_db, abs=1e-9)


@pytest.mark.source("Definition: the level of a pair is the power mean of its sides")
def test_one_side_s_trim_counts_for_that_side():
    pair = np.stack([sine(1000.0, 5.0, level_dbfs=-20.0)] * 2)
    point = point_of(pair, [made("trim", gain="-6 dB", on="right")])
    assert point.level_dbfs == pytest.approx(-20.0 + 10 * np.log10((1 + 10**-0.6) / 2), abs=0.01)
    assert point.balance_db == pytest.approx(-6.0)
    assert balance_db([made("trim", gain="-6 dB", on="right"), made("trim", gain="2 dB")]) == pytest.approx(-6.0)


@pytest.mark.source("stereo_phase.csv: level of (L - R) / 2 against L for two equal sines, from the definition")
@pytest.mark.parametrize("row", rows("stereo_phase"), ids=lambda row: row["phase_deg"])
def test_with_one_side_reversed_mono_is_the_difference(row):
    phase_rad = np.deg2rad(float(row["phase_deg"]))
    pair = np.stack([sine(1000.0, 5.0, level_dbfs=-12.0), sine(1000.0, 5.0, level_dbfs=-12.0, phase_rad=phase_rad)])
    point = point_of(pair, [made("polarity", on="right")])
    assert point.reversed_side
    wanted_db = float(row["side_db"])
    # identical sides cancel wholly
    assert point.mono_loss_db == (None if wanted_db == -np.inf else pytest.approx(wanted_db, abs=0.01))


_BLOCKS = st.lists(
    st.one_of(
        st.builds(
            lambda kind, gain, on: made(kind, gain=f"{gain:g} dB", on=on),
            st.sampled_from(["gain", "trim"]),
            st.floats(-20, 12).map(lambda value: round(value, 1)),
            st.sampled_from(["both", "left", "right", "mid", "side"]),
        ),
        st.builds(lambda on: made("polarity", on=on), st.sampled_from(["both", "left", "right", "mid", "side"])),
    ),
    max_size=4,
)


@settings(max_examples=examples(25), deadline=None)
@given(blocks=_BLOCKS, seed=st.integers(0, 2**16))
def test_it_is_the_chain_run_and_measured(blocks, seed):
    """Peer: the chain's own blocks on the samples, measured again over what plays at the tap."""
    rng = np.random.default_rng(seed)
    shared = pink(rng, 4.0, -20.0)
    pair = np.stack([shared + pink(rng, 4.0, -24.0), 0.7 * shared + pink(rng, 4.0, -22.0)]).astype(np.float32)
    figures, reading = measured(pair)
    point = nominal_point(blocks, reading, figures)
    behind = run(pair.astype(np.float64), blocks, sample_rate_hz=RATE_HZ)
    again = measure_figures(Feed(behind), 2, pairs=[(0, 1)])
    read = read_source(again, (0, 1), strikes=False, mains_hz=50.0, playing=reading.activity).readings
    assert point.level_dbfs == pytest.approx(read.level_dbfs, abs=0.02)
    assert point.mono_loss_db == pytest.approx(read.mono_loss_db, abs=0.02)
    # where sides are mixed, the peak is a bound
    assert point.true_peak_dbtp > read.true_peak_dbtp - 0.02
    if all(block.on in ("both", "left", "right") for block in blocks):
        assert point.true_peak_dbtp == pytest.approx(read.true_peak_dbtp, abs=0.02)
    np.testing.assert_allclose(input_matrix(blocks, 2) @ pair, behind, atol=1e-5)


def test_a_raise_stops_6_db_below_full_scale():
    """Common practice, no source."""
    point = point_of(sine(1000.0, 5.0, level_dbfs=-20.0), [made("trim", gain="5 dB")])
    assert point.raise_db(4.0) == pytest.approx(4.0)
    assert point.raise_db(30.0) == pytest.approx(9.0, abs=0.05)
