"""Decays of rooms: exponential ones against their closed forms, noise behind them, two slopes, too little range.

In order: closed forms; noise, and what it takes away; through an octave filter; two slopes; the start of a response; uncertainty.
"""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.dsp.octaves import exact_octave_hz, in_octaves
from deskhand.dsp.room_decay import decay_end, onset_frame, reverberation_pm, room_decay

RATE_HZ = 48000


def exponential(t_s: float, length_s: float = 4.0) -> np.ndarray:
    return np.exp(-6 * np.log(10) * np.arange(round(length_s * RATE_HZ)) / RATE_HZ / t_s)


CLOSED_FORMS = "ISO 3382-1:2009, 3.4, A.2.3 to A.2.5: integrals of exp(-13.8 t/T) by hand"


@pytest.mark.source(CLOSED_FORMS)
@pytest.mark.parametrize("t_s", [0.3, 0.5, 0.8, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("noise", [0.0, 1e-5], ids=["no-noise", "noise-50-db-down"])
def test_exponential_decays(t_s, noise):
    decay = room_decay(exponential(t_s) + noise, sample_rate_hz=RATE_HZ)
    tau_s = t_s / (6 * np.log(10))
    for value in (decay.edt_s, decay.t20_s, decay.t30_s):
        assert value == pytest.approx(t_s, rel=0.002)
    assert decay.c50_db == pytest.approx(10 * np.log10(np.exp(0.05 / tau_s) - 1), abs=0.01)
    assert decay.c80_db == pytest.approx(10 * np.log10(np.exp(0.08 / tau_s) - 1), abs=0.01)
    assert decay.d50 == pytest.approx(1 - np.exp(-0.05 / tau_s), abs=0.001)
    assert decay.ts_s == pytest.approx(tau_s, rel=0.002)
    assert abs(decay.curvature_pct) < 0.2


@pytest.mark.source("Lundeby et al. 1995: the decay ends where its line meets the noise")
@pytest.mark.parametrize("noise_db", [-30.0, -45.0, -60.0])
def test_noise_and_the_end_of_the_decay(rng, noise_db):
    # squared samples of a decaying noise and of a steady one
    power = exponential(1.0) * rng.standard_normal(4 * RATE_HZ) ** 2
    power += 10 ** (noise_db / 10) * rng.standard_normal(4 * RATE_HZ) ** 2
    end = decay_end(power, sample_rate_hz=RATE_HZ)
    assert 10 * np.log10(end.noise_power) == pytest.approx(noise_db, abs=0.2)
    assert end.end_s == pytest.approx(-noise_db / 60, abs=0.03)
    assert end.range_db == pytest.approx(-noise_db - 0.9, abs=0.5)  # the mean of the first 30 ms lies 0.9 dB down
    decay = room_decay(power, sample_rate_hz=RATE_HZ)
    assert decay.edt_s == pytest.approx(1.0, rel=0.02)
    assert decay.c80_db == pytest.approx(3.05, abs=0.1)
    if noise_db > -35:
        assert decay.t20_s is None
    else:
        assert decay.t20_s == pytest.approx(1.0, rel=0.02)
    if noise_db > -45.5:
        assert decay.t30_s is None
    else:
        assert decay.t30_s == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize(
    "power", [np.zeros(48000), np.ones(48000), np.full(100, 1.0)], ids=["silence", "noise", "short"]
)
def test_no_decay_is_no_number(power):
    decay = room_decay(power, sample_rate_hz=RATE_HZ)
    assert (decay.edt_s, decay.t20_s, decay.c80_db, decay.d50, decay.ts_s) == (None,) * 5


@pytest.mark.source(CLOSED_FORMS)
@pytest.mark.parametrize("hz", [125.0, 1000.0, 4000.0])
def test_through_an_octave_filter(rng, hz):
    """Decaying noise of known time, the mean over twenty responses: a single one scatters as ISO 3382-2, 7.1 says."""
    times_s, clarities_db = [], []
    for _ in range(20):
        response = np.sqrt(exponential(0.8, 2.0)) * rng.standard_normal(2 * RATE_HZ)
        before = np.zeros(2400)
        octave = in_octaves(np.concatenate([before, response]), [exact_octave_hz(hz)], sample_rate_hz=RATE_HZ)[0] ** 2
        decay = room_decay(octave[2400:], sample_rate_hz=RATE_HZ, early=float(octave[:2400].sum()))
        times_s.append(decay.t30_s)
        clarities_db.append(decay.c80_db)
    spread = reverberation_pm(0.8, hz, wide=True) / np.sqrt(20)
    assert np.mean(times_s) == pytest.approx(0.8, rel=max(0.02, 1.5 * spread))
    assert np.std(times_s) / 0.8 == pytest.approx(reverberation_pm(0.8, hz, wide=True) / 1.96, rel=0.6)
    assert np.mean(clarities_db) == pytest.approx(10 * np.log10(np.exp(0.08 * 13.8155 / 0.8) - 1), abs=0.5)


def test_what_a_filter_rang_ahead_counts_as_the_start():
    """Half of the direct sound in front of the start is the same as all of it at the start."""
    # of two slopes: where the line begins tells which of them it sees
    whole, halved = (exponential(0.3) + 0.02 * exponential(2.0) for _ in range(2))
    direct = 0.5 * float(whole.sum())
    whole[0] += direct
    halved[0] += 0.5 * direct
    split = room_decay(halved, sample_rate_hz=RATE_HZ, early=0.5 * direct)
    together = room_decay(whole, sample_rate_hz=RATE_HZ)
    assert split.t20_s == pytest.approx(together.t20_s, rel=1e-3)
    for name in ("c50_db", "c80_db", "d50", "ts_s"):
        assert getattr(split, name) == pytest.approx(getattr(together, name), rel=1e-6)


@pytest.mark.source("ISO 3382-2:2008, B.3: curvature; two exponentials by hand")
def test_a_decay_of_two_slopes_is_told():
    power = exponential(0.5) + 0.003 * exponential(3.0)
    assert room_decay(power, sample_rate_hz=RATE_HZ).curvature_pct > 10.0


@pytest.mark.source("ISO 3382-1:2009, 5.3.2: the start lies 20 dB below the strongest sample")
def test_the_start_of_a_response():
    response = np.zeros(1000)
    response[[300, 400, 500]] = [0.05, 0.11, 1.0]
    assert onset_frame(response) == 400


@pytest.mark.source("ISO 3382-2:2008, 7.1, formulas for T20 and T30: 1 kHz, 1 s, by hand")
def test_uncertainty_of_a_reverberation_time():
    assert reverberation_pm(1.0, 1000.0, wide=False) == pytest.approx(1.96 * 0.88 * np.sqrt(1.19 / 710), rel=1e-6)
    assert reverberation_pm(1.0, 1000.0, wide=True) == pytest.approx(1.96 * 0.55 * np.sqrt(1.152 / 710), rel=1e-6)
