"""Rooms beside pyrato: the same responses, its numbers as they stand in tests/reference/room_peers.csv."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.dsp.room_decay import OCTAVES_HZ, onset_frame
from deskhand.dsp.speech_transmission import modulation_transfer, speech_transmission_index
from deskhand.seat.room_response import response_decays
from tests.support.room_sweeps import RATE_HZ, made_response
from tests.support.tables import rows

PEER = [row for row in rows("room_peers") if row["response"].startswith("invented")]


@pytest.mark.source("pyrato 1.1.0 with pyfar 0.8.1, calls named in room_peers.csv")
@pytest.mark.parametrize("number", [0, 1])
def test_decays_and_index(number):
    response = made_response(np.random.default_rng([12, number]))
    start = onset_frame(response)
    decays, cleaned = response_decays(response, start, sample_rate_hz=RATE_HZ)
    table = [row for row in PEER if row["response"] == f"invented {number}"]
    assert [float(row["octave_hz"]) for row in table] == list(OCTAVES_HZ)
    for decay, row in zip(decays[1:], table[1:], strict=True):
        # octave filters of order 14 against 6: what is just noticed (ISO 3382-1, Table A.1)
        assert decay.t20_s == pytest.approx(float(row["pyrato_t20_s"]), rel=0.05)
        assert decay.ts_s == pytest.approx(float(row["pyrato_ts_s"]), abs=0.005)
        if float(row["octave_hz"]) >= 1000.0:  # below, its causal filters delay by more than the limit is sharp
            assert decay.c80_db == pytest.approx(float(row["pyrato_c80_db"]), abs=1.0)
    index = speech_transmission_index(modulation_transfer(np.array(cleaned[1:]), sample_rate_hz=RATE_HZ))
    assert index == pytest.approx(float(table[0]["pyrato_sti"]), abs=0.01)
