"""Speech transmission index: verification pairs of the standard, masking and threshold, reverberation, noise, levels."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.dsp import speech_transmission as st
from tests.support.tables import topic

STI = topic("sti")
CHECKS = STI["checks"]
SOURCE = "IEC 60268-16:2020, tabled in sti.toml"


@pytest.mark.source(SOURCE)
def test_tables():
    assert list(st.OCTAVES_HZ) == STI["octave_hz"]
    assert list(st.MODULATIONS_HZ) == STI["modulation_hz"]
    assert list(st.WEIGHTS) == STI["male_alpha"]
    assert list(st.REDUNDANCY) == STI["male_beta"]
    assert list(st.THRESHOLD_DB_SPL) == STI["reception_threshold_db_spl"]
    assert list(st.MALE_SPECTRUM_DB) == STI["speech_spectrum"]["ed5_db"]


@pytest.mark.source(f"{SOURCE}, published_pairs_of_bands_ti_1, tolerance 0.001")
@pytest.mark.parametrize(("octave", "index"), list(enumerate(CHECKS["published_pairs_of_bands_ti_1"])))
def test_two_octaves_alone(octave, index):
    transfer = np.zeros((7, 14))
    transfer[octave : octave + 2] = 1.0
    assert st.speech_transmission_index(transfer) == pytest.approx(index, abs=0.001)


@pytest.mark.source(f"{SOURCE}, published_uniform_m, tolerance 0.01")
@pytest.mark.parametrize(
    ("share", "index"), list(zip(CHECKS["published_uniform_m"], CHECKS["published_uniform_sti"], strict=True))
)
def test_the_same_transfer_everywhere(share, index):
    assert st.speech_transmission_index(np.full((7, 14), share)) == pytest.approx(index, abs=0.01)


@pytest.mark.source(f"{SOURCE}, published_masking_l_db")
def test_masking():
    levels_db = np.array(CHECKS["published_masking_l_db"])
    assert st.masking_db(levels_db) == pytest.approx(CHECKS["published_masking_db"], abs=0.05)


@pytest.mark.source(f"{SOURCE}, formulas: reverberation_only; tolerance 0.01")
@pytest.mark.parametrize(
    ("t_s", "index"), list(zip(CHECKS["computed_t60_s"], CHECKS["computed_sti_reverberation_only"], strict=True))
)
def test_exponential_decays(t_s, index):
    rate_hz = 8000
    decay = np.exp(-13.8155 * np.arange(8 * rate_hz) / rate_hz / t_s)
    transfer = st.modulation_transfer(np.tile(decay, (7, 1)), sample_rate_hz=rate_hz)
    closed = 1 / np.sqrt(1 + (2 * np.pi * np.array(st.MODULATIONS_HZ) * t_s / 13.8) ** 2)
    assert transfer[3] == pytest.approx(closed, abs=0.005)
    assert st.speech_transmission_index(transfer) == pytest.approx(index, abs=0.01)


@pytest.mark.source(f"{SOURCE}, formulas: noise_only")
@pytest.mark.parametrize(
    ("ratio_db", "index"), list(zip(CHECKS["computed_snr_db"], CHECKS["computed_sti_noise_only"], strict=True))
)
def test_noise_alone(ratio_db, index):
    left = st.noise_transfer(np.full(7, 60.0), np.full(7, 60.0 - ratio_db))
    assert st.speech_transmission_index(np.tile(left[:, None], 14)) == pytest.approx(index, abs=0.001)


@pytest.mark.source("IEC 60268-16:2020, A.2.4: I / (I + masking + threshold), by hand")
def test_masking_and_threshold_take_modulation_away():
    silence = np.full(7, -np.inf)
    at_threshold = st.hearing_transfer(st.THRESHOLD_DB_SPL, silence)
    assert at_threshold[0] == pytest.approx(0.5, abs=0.001)
    # 80 dB in the octave below masks as 60.2 dB: a level of 60.2 dB is left half of its modulation
    speech_db = np.array([-np.inf, -np.inf, 80.0, 60.2, -np.inf, -np.inf, -np.inf])
    assert st.hearing_transfer(speech_db, silence)[3] == pytest.approx(0.5, abs=0.001)
    with np.errstate(invalid="ignore"):
        louder = [st.hearing_transfer(st.male_speech_db(level), silence)[4] for level in (65.0, 80.0, 95.0)]
    assert louder == sorted(louder, reverse=True)


@pytest.mark.source("IEC 61672-1:2013, Table 3 (A-weighting) over the spectrum of sti.toml: the sum by hand")
def test_speech_of_an_a_weighted_level():
    weights_db = np.array([-16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])
    levels_db = st.male_speech_db(68.0)
    assert 10 * np.log10(np.sum(10 ** ((levels_db + weights_db) / 10))) == pytest.approx(
        68.0, abs=0.05
    )  # the table has one decimal
    assert np.diff(levels_db) == pytest.approx([3.0, -0.5, -6.0, -6.0, -6.0, -6.0])


@pytest.mark.source("ISO 9921:2003, Table F.1")
@pytest.mark.parametrize(
    ("index", "word"),
    [(0.29, "bad"), (0.3, "poor"), (0.45, "fair"), (0.6, "good"), (0.75, "excellent"), (1.0, "excellent")],
)
def test_words(index, word):
    assert st.quality(index) == word
