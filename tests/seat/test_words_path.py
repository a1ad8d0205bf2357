"""Way of the words: noise of a level, the index with noise, what takes most, and the sentence of it.

In order: levels; the index against a peer's formula; what takes most; what is not known; changes since a kept measurement.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from rich.console import Console

from deskhand.dsp.room_decay import OCTAVES_HZ
from deskhand.dsp.speech_transmission import MODULATIONS_HZ, male_speech_db, noise_transfer, speech_transmission_index
from deskhand.report.room import change_text, print_room, words_text
from deskhand.seat.room import OctaveRoom, SeatRoom
from deskhand.seat.room_change import room_change
from deskhand.seat.room_result import RoomResult
from deskhand.seat.words_path import (
    SpeechAndNoise,
    index_with_noise,
    noise_of_level,
    noise_of_sensitivity,
    words_path,
)


def decayed(t_s: float) -> np.ndarray:
    """(7, 14) closed form of an exponential decay."""
    return np.tile(1 / np.sqrt(1 + (2 * np.pi * np.array(MODULATIONS_HZ) * t_s / 13.8) ** 2), (7, 1))


def levels(speech_dba: float, noise_db: float | None) -> SpeechAndNoise:
    noise = None if noise_db is None else tuple(np.full(7, noise_db))
    return SpeechAndNoise(speech_dba=speech_dba, noise_db_spl=noise, noise_dba=noise_db, noise_basis="stated")


@pytest.mark.source("IEC 61672-1:2013, Table 3: A-weighting at the octaves, summed by hand")
def test_a_noise_gets_the_level_that_was_read():
    recorded_dbfs = [-50.0, -55.0, -60.0, -63.0, -66.0, -70.0, -75.0, -80.0]
    levels_db = noise_of_level(recorded_dbfs, 38.0)
    assert np.diff(levels_db) == pytest.approx(np.diff(recorded_dbfs)[1:])
    weights_db = np.array([-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])
    whole = np.array([levels_db[0] + 5.0, *levels_db]) + weights_db
    assert 10 * np.log10(np.sum(10 ** (whole / 10))) == pytest.approx(38.0, abs=0.1)


@pytest.mark.source(
    "IEC 60268-16:2020, A.2.3: noise and reverberation multiply; at 60 dBA masking and threshold take under 0.01"
)
def test_noise_takes_what_its_ratio_takes():
    speech_db = male_speech_db(60.0)
    noise_db = speech_db - 6.0
    both = index_with_noise(
        decayed(1.0),
        SpeechAndNoise(speech_dba=60.0, noise_db_spl=tuple(noise_db), noise_dba=54.0, noise_basis="calibrated"),
    )
    plain = speech_transmission_index(decayed(1.0) * noise_transfer(speech_db, noise_db)[:, None])
    assert both == pytest.approx(plain, abs=0.015)
    assert both < plain


@pytest.mark.source("IEC 60942: a calibrator of 94 dB at 1 kHz; a full-scale sine reads 0 dBFS (AES17-2020); by hand")
def test_a_calibrated_microphone_tells_the_noise():
    # a sine of 94 dB at -20 dBFS has a mean square of 0.005: full scale (a mean square of 1) is 23.01 dB above
    octaves_dbfs = [-200.0] * 8
    octaves_dbfs[4] = -60.0
    levels_db, level_dba = noise_of_sensitivity(octaves_dbfs, 94.0 + 23.01)
    assert levels_db[3] == pytest.approx(54.0, abs=0.01)
    assert level_dba == pytest.approx(54.0, abs=0.01)  # A-weighting is 0 dB at 1 kHz


def test_louder_speech_is_not_clearer_for_ever():
    """Upward masking grows with level (IEC 60268-16:2020, Table A.2): in a silent room 100 dBA is worse than 70."""
    clear, loud = (index_with_noise(decayed(0.5), levels(level, None)) for level in (70.0, 100.0))
    assert loud < clear - 0.03


@pytest.mark.parametrize(
    ("t_s", "noise_db", "feed", "most"),
    [
        pytest.param(0.4, 20.0, (80.0, "clear"), None, id="nothing"),
        pytest.param(0.4, 45.0, (80.0, "clear"), None, id="noise that leaves it good"),
        pytest.param(3.0, 20.0, (80.0, "clear"), "room", id="room"),
        pytest.param(0.4, 62.0, (80.0, "clear"), "noise", id="noise"),
        pytest.param(0.4, 20.0, (30.0, "covered"), "feed", id="feed"),
    ],
)
def test_what_takes_most(t_s, noise_db, feed, most):
    transfer = decayed(t_s)
    path = words_path(
        seat="balcony",
        transfer=transfer,
        sti_room=speech_transmission_index(transfer),
        levels=levels(68.0, noise_db),
        feed=feed,
        not_measured={},
    )
    assert path.taker == most
    sentence = words_text(path)
    assert sentence.startswith("balcony: the feed leaves the voice ")
    assert ("takes most" in sentence or "Most is lost" in sentence) == (most is not None)


def test_what_is_not_known_is_not_said():
    path = words_path(
        seat="balcony",
        transfer=None,
        sti_room=None,
        levels=None,
        feed=None,
        not_measured={"sti_room": "at 125 Hz the sweep stands only 12 dB above the noise; 25 dB are needed"},
    )
    assert (path.sti, path.taker) == (None, None)
    assert words_text(path) == (
        "balcony: whether the words arrive cannot be told: at 125 Hz the sweep stands only 12 dB above the noise; 25 dB are needed."
    )


def test_every_seat_has_its_line_and_the_limits_of_all_of_it_stand_below():
    told = [
        words_path(
            seat=seat,
            transfer=None,
            sti_room=None,
            levels=None,
            feed=None,
            not_measured={"sti_room": f"the {noise} was too loud"},
        )
        for seat, noise in (("balcony", "fan"), ("mix position", "street"))
    ]
    result = RoomResult(
        deskhand="", house="Tern Street Hall", recording="sweeps", measured_at="2026-03-01", sample_rate_hz=48000, seats=(),
        words=tuple(told), notes=("the balcony was empty",),
    )  # fmt: skip
    console = Console(file=io.StringIO(), width=200)
    print_room(result, console)
    lines = console.file.getvalue().splitlines()
    assert lines[0] == "Tern Street Hall, sweeps, 2026-03-01"
    assert "note: the balcony was empty" in lines
    begin = lines.index("Do the words arrive?")
    assert lines[begin + 1 : begin + 3] == [f"  {words_text(path)}" for path in told]
    assert any(line.startswith("What this does not tell: the index is of spoken words") for line in lines[begin + 3 :])


def seat_of(t20_s: float, c80_db: float, sti: float, *, pm_s: float = 0.02) -> SeatRoom:
    octaves = tuple(OctaveRoom(octave_hz=hz, t20_s=t20_s, t20_pm_s=pm_s, c80_db=c80_db) for hz in OCTAVES_HZ)
    return SeatRoom(seat="balcony", track="seat", octaves=octaves, sti_room=sti)


def content_of(seat: SeatRoom) -> dict:
    return {
        "octaves": [{"octave_hz": o.octave_hz, "t20_s": o.t20_s, "c80_db": o.c80_db} for o in seat.octaves],
        "sti_room": seat.sti_room,
    }


@pytest.mark.source("ISO 3382-1:2009, Table A.1: 5 % and 1 dB; Bradley, Reich & Norcross 1999: 0.03")
@pytest.mark.parametrize(
    ("now", "names"),
    [
        ((1.04, 2.9, 0.575), set()),
        ((1.07, 2.0, 0.55), {"t20_s"}),
        ((1.0, 3.2, 0.55), {"c80_db"}),
        ((1.0, 2.0, 0.515), {"sti_room"}),
    ],
)
def test_only_what_is_noticed_is_a_change(now, names):
    comparison = room_change(seat_of(*now), content_of(seat_of(1.0, 2.0, 0.55)), measured_at="2026-03-01")
    assert {change.name for change in comparison.changes} == names
    assert comparison.compared == 7
    if not names:
        assert (
            change_text("balcony", comparison)
            == "balcony: nothing that anybody would notice since 1 March 2026 (7 numbers compared)."
        )


def test_a_change_within_chance_is_none():
    comparison = room_change(
        seat_of(1.07, 2.0, 0.55, pm_s=0.15), content_of(seat_of(1.0, 2.0, 0.55)), measured_at="2026-03-01"
    )
    assert comparison.changes == ()


def test_what_is_missing_on_either_side_is_not_compared():
    kept = content_of(seat_of(1.0, 2.0, 0.55))
    kept["octaves"][3]["t20_s"] = None
    comparison = room_change(seat_of(1.5, 2.0, 0.55), kept, measured_at="2026-03-01")
    assert [change.octaves_hz for change in comparison.changes] == [(125.0, 250.0), (2000.0, 4000.0)]
    assert comparison.compared == 6
