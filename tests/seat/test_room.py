"""Room at a seat from recordings of the sweeps in an invented room: right, or refused with the reason.

In order: a clean recording against the bare response read by scipy; too little range; hum; clipping; a moved microphone; a noise in one sweep;
distortion and a limiter; octave by octave. The whole study: docs/validation-room-sweep.md.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp.room_decay import OCTAVES_HZ
from deskhand.dsp.speech_transmission import speech_transmission_index
from deskhand.seat.room import SeatRoom, _agreeing, measure_seat
from deskhand.seat.sweep_plan import PLAN, SILENCE_S, sweep_signal
from tests.support.room_sweeps import RATE_HZ, another_place, made_response, reference, tolerance

STARTS_S = [SILENCE_S + planned.start_s for planned in PLAN]


def in_room(response: np.ndarray, source: np.ndarray | None = None) -> np.ndarray:
    """The file as it sounds in a room, without noise."""
    source = sweep_signal() if source is None else source
    return ss.oaconvolve(source, response)[: source.size]


def measured(samples: np.ndarray) -> SeatRoom:
    return measure_seat(samples, seat="mix position", track="seat", sample_rate_hz=RATE_HZ)


@pytest.fixture(scope="module")
def response() -> np.ndarray:
    return made_response(np.random.default_rng(2), length_s=2.5)


@pytest.fixture(scope="module")
def played(response) -> np.ndarray:
    sound = in_room(response)
    return sound + 1e-5 * np.random.default_rng(3).standard_normal(sound.size)


@pytest.fixture(scope="module")
def clean(played) -> SeatRoom:
    return measured(played)


@pytest.mark.source("Schroeder 1965 and ISO 3382-1:2009, A.2.3, on the bare response with scipy's filters")
@pytest.mark.parametrize("name", ["t20_s", "c80_db"])
def test_a_clean_recording_tells_what_the_response_holds(clean, response, name):
    assert clean.refused is None
    truth = reference(response)[name]
    for octave in clean.octaves:
        scale = truth[octave.octave_hz] if name == "t20_s" else 1.0
        assert abs(getattr(octave, name) - truth[octave.octave_hz]) < 0.5 * tolerance(name, octave) * scale
    assert not any(octave.not_measured for octave in clean.octaves)
    assert clean.remarks == ()


@pytest.mark.source("IEC 60268-16:2020, A.2.1, from the transfers told beside it")
def test_the_index_is_that_of_its_transfers(clean):
    assert clean.sti_room == pytest.approx(speech_transmission_index(np.array(clean.transfer)), abs=0.001)


def test_noise_refuses_what_it_covers(played, rng):
    """Noise 35 dB above the quiet one: octave by octave, with the range that is missing."""
    noise = ss.lfilter([1.0], [1.0, -0.98], rng.standard_normal(played.size))  # strong below 250 Hz
    seat = measured(played + 0.05 * noise / np.std(noise))
    low, high = seat.octaves[1], seat.octaves[-2]
    assert low.t20_s is None
    assert "above the noise; 35 dB are needed" in low.not_measured["t20_s"]
    assert high.t20_s is not None
    assert seat.sti_room is None or seat.octaves[1].c50_db is not None


def test_hum_is_named(played):
    time_s = np.arange(played.size) / RATE_HZ
    hum = sum(np.sin(2 * np.pi * 50 * k * time_s) / k for k in range(1, 8))
    seat = measured(played + 0.02 * hum)
    assert "above hum; 45 dB are needed" in seat.octaves[1].not_measured["t20_s"]
    assert seat.octaves[-2].t20_s is not None
    assert [remark.kind for remark in seat.remarks] == ["hum"]


def test_a_clipped_recording_is_refused(played):
    top = 0.6 * np.abs(played).max()
    seat = measured(np.clip(played, -top, top))
    assert "clipped" in seat.refused
    assert seat.octaves == ()
    assert seat.remarks[0].at_s == pytest.approx(STARTS_S[2:], abs=0.1)


@pytest.mark.source("Cook et al. 1955: places of a diffuse field are alike as sin(kd)/(kd)")
def test_a_moved_microphone_is_told_and_its_sweep_left_out(played, response, rng):
    second = another_place(response, made_response(rng, length_s=2.5), 0.3)
    frame = round((STARTS_S[3] - 0.5) * RATE_HZ)
    moved = np.concatenate([played[:frame], in_room(second)[frame:]])
    seat = measured(moved)
    assert (seat.remarks[0].kind, seat.remarks[0].at_s) == ("unlike", pytest.approx((STARTS_S[2],), abs=0.1))
    assert seat.sweeps_s == pytest.approx(STARTS_S[3:], abs=0.05)
    truth = reference(second)["t20_s"]
    assert seat.octaves[4].t20_s == pytest.approx(truth[OCTAVES_HZ[4]], rel=0.05)


def test_a_microphone_that_never_stands_still_is_refused(response, rng):
    places = [another_place(response, made_response(rng, length_s=2.5), 0.5) for _ in range(2)]
    parts = [in_room(place) for place in (response, *places)]
    cuts = [0, *(round((start_s - 0.5) * RATE_HZ) for start_s in STARTS_S[3:]), parts[0].size]
    samples = np.concatenate([part[first:last] for part, first, last in zip(parts, cuts[:-1], cuts[1:], strict=True)])
    assert "moved" in measured(samples).refused


def test_a_noise_in_one_sweep_costs_nothing(played, clean, rng):
    """Applause over the middle one of the three loud sweeps."""
    samples = played.copy()
    samples[round(STARTS_S[3] * RATE_HZ) :][: 8 * RATE_HZ] += 0.05 * rng.standard_normal(8 * RATE_HZ)
    seat = measured(samples)
    for octave, quiet in zip(seat.octaves, clean.octaves, strict=True):
        assert octave.t20_s == pytest.approx(quiet.t20_s, rel=0.02)


def test_a_limiter_is_told(response):
    """The loudspeaker bends what is above -26 dBFS; the decays stay right."""
    source = sweep_signal()
    knee = 0.05
    seat = measured(in_room(response, knee * np.tanh(source / knee)))
    kinds = {remark.kind for remark in seat.remarks}
    assert {"distortion", "compressed"} <= kinds
    # x - x^3/3 of a sine of twice the knee, by Fourier's integral of tanh: 1.19 of the knee, its third harmonic 17 dB down
    phase = np.linspace(0, 2 * np.pi, 20000, endpoint=False)
    bent = np.tanh(2.0 * np.sin(phase))
    first, third = (2 * np.mean(bent * np.sin(k * phase)) for k in (1, 3))
    middle = np.tanh(2.0 * 10**-0.5 * np.sin(phase))
    lost_db = 20 * np.log10(2 * np.mean(middle * np.sin(phase)) / 10**-0.5 / first)
    assert seat.octaves[3].distortion_db == pytest.approx(20 * np.log10(abs(third / first)), abs=1.5)
    assert seat.octaves[3].compression_db == pytest.approx(lost_db, abs=0.2)
    truth = reference(response)["t20_s"]
    assert seat.octaves[3].t20_s == pytest.approx(truth[OCTAVES_HZ[3]], rel=0.05)


@pytest.mark.source("arithmetic: the nearest two, and what lies no further from their middle than is noticed")
@pytest.mark.parametrize(
    ("values", "mean"),
    [
        ([1.0], None),
        ([1.0, 1.5], 1.25),
        ([1.0, 1.625], None),
        ([1.0, 1.0, 1.5], 3.5 / 3),
        ([1.0, 1.0, 1.625], 1.0),
        ([0.5, 3.0, 3.25], 3.125),
    ],
)
def test_what_agrees_is_averaged_up_to_what_is_noticed(values, mean):
    """Half a dB, say, is noticed: values that are so far apart, or so far off, still count."""
    assert _agreeing(values, 0.5) == (None if mean is None else pytest.approx(mean))


def test_silence_says_what_to_do():
    assert "--write-sweep" in measured(np.zeros(60 * RATE_HZ)).refused


def test_the_end_of_a_recording_is_missing(played):
    seat = measured(played[: round((STARTS_S[3] - 1.0) * RATE_HZ)])
    assert "1 of the three loud sweeps" in seat.refused
