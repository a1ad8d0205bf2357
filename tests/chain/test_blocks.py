"""Every block by itself: what must hold for all of them, then what each is for, against closed forms and tables.

In order: silence, legal limits, linearity, time, cuts and legs for all; gains, delays, pans; detectors; the dynamic bell;
curves; what is refused.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.chain.blocks import pan_gains
from deskhand.chain.run import Chain, run
from deskhand.errors import HouseError
from tests.support.chain import made
from tests.support.hypotheses import examples
from tests.support.signals import amplitude, sine, white
from tests.support.tables import rows

if TYPE_CHECKING:
    from pathlib import Path

RATE_HZ: Final = 48000
PANS: Final = rows("pan_laws")
SOUND: Final = rows("speed_of_sound")
few: Final = settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)

LINEAR: Final = {
    "gain": made("gain", gain="-7.3 dB"),
    "trim left": made("trim", gain="4 dB", on="left"),
    "polarity right": made("polarity", on="right"),
    "delay": made("delay", time="1.37 ms"),
    "short delay": made("delay", time="0.11 ms"),
    "delay of the sides": made("delay", time="0.2 ms", on="side"),
    "high-pass": made("high-pass", frequency="90 Hz", slope="18 dB/oct"),
    "low-pass of the middle": made("low-pass", frequency="9 kHz", slope="48 dB/oct", on="mid"),
    "bell": made("bell", frequency="3.15 kHz", gain="-5 dB", q=2),
    "low shelf": made("low-shelf", frequency="200 Hz", gain="6 dB"),
    "high shelf of the sides": made("high-shelf", frequency="7 kHz", gain="6 dB", on="side"),
    "mid-side": made("mid-side", mid="-2 dB", side="3 dB"),
    "pan": made("pan", position=40),
}
MOVING: Final = {
    "saturation": made("saturation", drive="6 dB"),
    "saturation of the middle": made("saturation", drive="6 dB", on="mid"),
    "gate": made("gate", threshold="-30 dBFS"),
    "gate, dual": made("gate", threshold="-30 dBFS", detector="dual"),
    "compressor": made("compressor", threshold="-30 dBFS", ratio=4),
    "compressor, rising, two-stage": made("compressor", threshold="-30 dBFS", ratio="rising", release="two-stage"),
    "compressor, mid-side, rms": made(
        "compressor",
        threshold="-30 dBFS",
        detector="mid-side",
        senses="rms",
        side_threshold="-40 dBFS",
        high_pass="90 Hz",
    ),
    "compressor of the left": made("compressor", threshold="-30 dBFS", on="left"),
    "dynamic bell": made("dynamic-bell", frequency="3 kHz", threshold="-40 dBFS", gain="-6 dB"),
    "dynamic bell up, dual": made(
        "dynamic-bell", frequency="200 Hz", threshold="-40 dBFS", gain="6 dB", detector="dual"
    ),
    "limiter": made("limiter", ceiling="-20 dBFS"),
    "limiter of the right": made("limiter", ceiling="-20 dBFS", on="right"),
}
ALL: Final = LINEAR | MOVING
AS_ONE: Final = {"compressor, rising, two-stage": 2e-6}
"""How far apart two ways of cutting may lie, where they are not the same but for rounding."""
every: Final = pytest.mark.parametrize("name", ALL)
every_linear: Final = pytest.mark.parametrize("name", LINEAR)


def through(signal: np.ndarray, *blocks: Any, rate_hz: int = RATE_HZ, block_frames: int = 1 << 14) -> np.ndarray:
    return run(signal, blocks, sample_rate_hz=rate_hz, block_frames=block_frames)


def playing(seed: int = 5, length_s: float = 0.6) -> np.ndarray:
    """A pair of noises whose level moves, with something in common."""
    rng = np.random.default_rng(seed)
    frames = round(length_s * RATE_HZ)
    moving = np.repeat(10.0 ** rng.uniform(-2.0, -0.3, (1, 12)), -(-frames // 12), axis=1)[:, :frames]
    common = rng.standard_normal((1, frames))
    return 0.5 * moving * (common + 0.5 * rng.standard_normal((2, frames)))


# all blocks


@every
def test_silence_stays_silence(name: str) -> None:
    out = through(np.zeros((2, 20000)), ALL[name])
    assert (out == 0.0).all()
    # and after a sound the rest dies away
    sound = np.concatenate([playing(), np.zeros((2, 5 * RATE_HZ))], axis=1)
    out = through(sound, ALL[name])
    assert np.isfinite(out).all()
    assert np.abs(out[:, -RATE_HZ:]).max() < 1e-9


GAINS_DB: Final = st.sampled_from(["-60 dB", "-12 dB", "0 dB", "0.1 dB", "24 dB"])
LEVELS_DBFS: Final = st.sampled_from(["-120 dBFS", "-40 dBFS", "-6 dBFS", "0 dBFS", "12 dBFS"])
TIMES: Final = st.sampled_from(["0 s", "0.01 ms", "1 ms", "80 ms", "30 s", "1 h"])
SITES: Final = st.sampled_from(["both", "left", "right", "mid", "side"])
DETECT: Final = st.sampled_from(["linked", "dual", "mid-side"])
FREQUENCIES: Final = st.sampled_from(["1 Hz", "20 Hz", "1 kHz", "9.99 kHz", "21 kHz", "24 kHz", "96 kHz"])
QS: Final = st.sampled_from([0.01, 0.5, 3.0, 100.0])
SLOPES: Final = st.sampled_from(["6 dB/oct", "12 dB/oct", "42 dB/oct", "48 dB/oct"])


def kind(name: str, **keys: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"block": st.just(name), **keys})


ANY_BLOCK: Final = st.one_of(
    kind("gain", gain=GAINS_DB, on=SITES),
    kind("trim", gain=GAINS_DB, on=SITES),
    kind("polarity", on=SITES),
    kind("delay", time=st.sampled_from(["0 s", "0.001 ms", "0.64 ms", "12 ms", "0.01 m", "3.4 m", "1 s"]), on=SITES),
    kind("high-pass", frequency=FREQUENCIES, slope=SLOPES, on=SITES),
    kind("low-pass", frequency=FREQUENCIES, slope=SLOPES, on=SITES),
    kind(
        "high-pass", frequency=FREQUENCIES, slope=st.sampled_from(["12 dB/oct", "24 dB/oct", "48 dB/oct"]),
        shape=st.just("linkwitz-riley"), on=SITES,
    ),
    kind("bell", frequency=FREQUENCIES, gain=GAINS_DB, q=QS, on=SITES),
    kind("low-shelf", frequency=FREQUENCIES, gain=GAINS_DB, q=QS, on=SITES),
    kind("high-shelf", frequency=FREQUENCIES, gain=GAINS_DB, q=QS, on=SITES),
    kind("saturation", drive=st.sampled_from(["-40 dB", "0 dB", "40 dB"]), on=SITES),
    kind(
        "gate", threshold=LEVELS_DBFS, range=st.sampled_from(["-200 dB", "0 dB", "20 dB"]), attack=TIMES, hold=TIMES,
        release=TIMES, hysteresis=st.sampled_from(["0 dB", "3 dB", "40 dB"]), detector=DETECT, on=SITES,
    ),
    kind(
        "compressor", threshold=LEVELS_DBFS, ratio=st.sampled_from([1, 1.0001, 4, 1e6, float("inf"), "rising"]),
        knee=st.sampled_from(["0 dB", "40 dB"]), attack=TIMES, release=st.one_of(TIMES, st.just("two-stage")),
        detector=DETECT, senses=st.sampled_from(["peak", "rms"]), side_threshold=LEVELS_DBFS, high_pass=FREQUENCIES,
        makeup=GAINS_DB, on=SITES,
    ),
    kind(
        "dynamic-bell", frequency=FREQUENCIES, threshold=LEVELS_DBFS, gain=GAINS_DB, q=QS, attack=TIMES, release=TIMES,
        detector=DETECT, on=SITES,
    ),
    kind("mid-side", mid=GAINS_DB, side=GAINS_DB),
    kind("pan", position=st.sampled_from([-100, -99.9, 0, 37, 100]), law=st.sampled_from(["-3 dB", "-4.5 dB", "-6 dB"])),
    kind(
        "limiter", ceiling=LEVELS_DBFS, release=TIMES, detector=st.sampled_from(["linked", "dual"]),
        on=st.sampled_from(["left", "right", "both"]),
    ),
)  # fmt: skip


@settings(max_examples=examples(300), deadline=None, derandomize=True, database=None)
@given(keys=ANY_BLOCK, rate_hz=st.sampled_from([44100, 48000, 96000]), channels=st.sampled_from([1, 2]))
def test_any_legal_setting_gives_numbers(keys: dict[str, Any], rate_hz: int, channels: int) -> None:
    if channels == 1 and (keys.get("on", "both") != "both" or keys["block"] == "mid-side"):
        channels = 2
    signal = playing(length_s=0.05)[:channels]
    signal[:, 1000:1500] = 0.0
    signal[:, 1500] = 8.0
    out = through(signal, made(keys.pop("block"), **keys), rate_hz=rate_hz, block_frames=701)
    assert out.shape[1] == signal.shape[1]
    assert np.isfinite(out).all()
    # 60 dB of a gain and 24 dB of a make-up are the most that is drawn; resonances of q 100 stay below 40 dB
    assert np.abs(out).max() < 8.0 * 10.0 ** (70.0 / 20.0)


def refusable(kind: str, **keys: Any) -> Any:
    return pytest.param(kind, keys, id=" ".join([kind, *map(str, keys.values())]))


@pytest.mark.parametrize(
    ("kind", "keys"),
    [
        refusable("high-pass", frequency="90 Hz", slope="6 dB/oct", shape="linkwitz-riley"),
        refusable("low-pass", frequency="90 Hz", slope="18 dB/oct", shape="linkwitz-riley"),
        refusable("high-pass", frequency="90 Hz", slope="20 dB/oct"),
        refusable("pan", position=-100, law="0 dB"),
        refusable("pan", position=-100, law="-9 dB"),
        refusable("trim", gain="10000 dB"),
        refusable("bell", frequency="1 kHz", gain="400 dB"),
        refusable("bell", frequency="1 kHz", gain="3 dB", q=1e-300),
        refusable("gate", threshold="-3 dBFS", range="-7000 dB"),
        refusable("compressor", threshold="-30 dBFS", makeup="-7000 dB"),
        refusable("saturation", drive="-320 dB"),
    ],
)
def test_settings_that_must_be_refused_or_run(kind: str, keys: dict[str, Any]) -> None:
    """Either one line says no, or a sound comes out that is no louder than it may be."""
    signal = playing(length_s=0.1)
    try:
        out = through(signal, made(kind, **keys))
    except (ValueError, HouseError):
        return
    assert np.isfinite(out).all()
    assert np.abs(out).max() < 1e6
    if kind == "saturation":
        # next to no drive bends nothing
        assert np.abs(out[:, 2000:] - signal[:, 2000:]).max() < 0.2 * np.abs(signal).max()


@pytest.mark.parametrize(
    "name",
    [name for name, block in ALL.items() if name != "pan" and getattr(block, "on", "both") not in {"left", "right"}],
)
def test_mono_stays_mono(name: str) -> None:
    """A pair whose sides are the same comes out with sides the same, where both are treated alike."""
    one = playing()[:1]
    out = through(np.repeat(one, 2, axis=0), ALL[name])
    assert np.abs(out[0] - out[1]).max() < 1e-12
    if getattr(ALL[name], "on", "both") == "both" and name != "mid-side":
        assert np.abs(out[:1] - through(one, ALL[name])).max() < 1e-12


@pytest.mark.source("definition of linearity")
@every_linear
@few
@given(seed=st.integers(0, 99), factor=st.floats(-4.0, 4.0))
def test_linear_blocks_scale_and_add(name: str, seed: int, factor: float) -> None:
    one, other = playing(seed, 0.05), playing(seed + 1000, 0.05)
    together = through(one + factor * other, LINEAR[name])
    apart = through(one, LINEAR[name]) + factor * through(other, LINEAR[name])
    assert np.abs(together - apart).max() < 1e-11


@pytest.mark.source("definition of time invariance")
@every
def test_later_in_later_out(name: str) -> None:
    sound = playing()
    early = through(np.concatenate([sound, np.zeros((2, 4000))], axis=1), ALL[name])
    late = through(np.concatenate([np.zeros((2, 1237)), sound, np.zeros((2, 4000 - 1237))], axis=1), ALL[name])
    assert np.abs(late[:, 1237:] - early[:, :-1237]).max() < AS_ONE.get(name, 1e-9)


@pytest.mark.source("definition: a block does not know how its input was cut")
@every
@few
@given(cuts=st.lists(st.integers(0, 9600), max_size=5))
def test_no_block_sees_cuts(name: str, cuts: list[int]) -> None:
    sound = playing(length_s=0.2)
    whole = through(sound, ALL[name], block_frames=1 << 20)
    chain = Chain([ALL[name]], channels=2, sample_rate_hz=RATE_HZ)
    parts = [
        chain.aligned(np.ascontiguousarray(sound[:, first:last]))
        for first, last in itertools.pairwise([0, *sorted(cuts), sound.shape[1]])
    ]
    parts.append(chain.rest(2))
    assert np.abs(np.concatenate(parts, axis=1) - whole).max() < AS_ONE.get(name, 1e-10)


@every
def test_the_input_is_kept(name: str) -> None:
    sound = playing(length_s=0.1)
    before = sound.copy()
    through(sound, ALL[name])
    assert np.array_equal(sound, before)


@pytest.mark.source("definition: a block does not know how its input was cut")
def test_two_stage_release_does_not_see_cuts() -> None:
    sound = playing(length_s=0.2)
    block = ALL["compressor, rising, two-stage"]
    assert np.array_equal(through(sound, block, block_frames=1), through(sound, block, block_frames=9600))


LATE: Final = {
    "saturation": {"drive": "-60 dB"},
    "delay": {"time": "0.3301 ms"},
    "limiter": {"ceiling": "6 dBFS"},
    "compressor": {"threshold": "0 dBFS"},
    "bell": {"frequency": "3 kHz", "gain": "0 dB"},
}


@pytest.mark.source("definition: what is held back on one leg is held back on the other")
@pytest.mark.parametrize("on", ["left", "right", "mid", "side"])
@pytest.mark.parametrize("name", LATE)
def test_the_other_leg_waits(name: str, on: str) -> None:
    if name == "limiter" and on in {"mid", "side"}:
        with pytest.raises(HouseError):
            through(np.zeros((2, 100)), made(name, on=on, **LATE[name]))
        return
    sound = playing(length_s=0.2) * 0.1
    out = through(sound, made(name, on=on, **LATE[name]))

    def legs(pair: np.ndarray) -> dict[str, np.ndarray]:
        left, right = pair
        return {"left": left, "right": right, "mid": 0.5 * (left + right), "side": 0.5 * (left - right)}

    other = {"left": "right", "right": "left", "mid": "side", "side": "mid"}[on]
    assert np.abs(legs(out)[other] - legs(sound)[other]).max() < 1e-12
    # and the leg itself lies where it should: by correlation, to an eighth of a sample
    due = 0.3301e-3 * RATE_HZ if name == "delay" else 0.0
    size = 1 << 15
    cross = np.fft.rfft(legs(out)[on], size) * np.conj(np.fft.rfft(legs(sound)[on], size))
    lag = 8.0 * np.fft.irfft(cross, 8 * size)
    place = int(np.argmax(lag))
    assert (place if place < 4 * size else place - 8 * size) / 8.0 == pytest.approx(due, abs=0.13)
    assert lag.max() > 0.9 * np.dot(legs(sound)[on], legs(sound)[on])


@pytest.mark.source("definition: an impulse comes out where it went in, but for what the block is there for")
@pytest.mark.parametrize("name", LATE)
def test_an_impulse_lies_where_it_should(name: str) -> None:
    signal = np.zeros((1, 4000))
    signal[0, 1000] = 0.01
    out = through(signal, made(name, **LATE[name]))
    due = 1000 + (round(0.3301e-3 * RATE_HZ) if name == "delay" else 0)
    assert np.argmax(np.abs(out[0])) == due
    assert out[0, due] > 0.008


# gains, polarity, delay, pan


@pytest.mark.parametrize(
    "block",
    [
        made("gain", gain="0 dB"), made("trim", gain="0 dB", on="mid"), made("mid-side"), made("polarity", on="side"),
    ],
    ids=["gain", "trim", "mid-side", "polarity-twice"],
)  # fmt: skip
def test_0_db_leaves_every_bit(block: Any) -> None:
    sound = playing()
    if block.block == "polarity":
        # sides upside down is left and right swapped, twice is as it was
        once = through(sound, block)
        assert np.abs(once - sound[::-1]).max() < 1e-15
        assert np.abs(through(once, block) - sound).max() < 1e-15
    else:
        assert np.array_equal(through(sound, block), sound)


@pytest.mark.source("definition: 20 lg")
@pytest.mark.parametrize("kind", ["gain", "trim"])
def test_gain(kind: str) -> None:
    sound = playing()
    assert np.abs(through(sound, made(kind, gain="-6.5 dB")) - sound * 10.0 ** (-6.5 / 20.0)).max() < 1e-14
    left = through(sound, made(kind, gain="3 dB", on="left"))
    assert np.abs(left[0] - sound[0] * 10.0 ** (3.0 / 20.0)).max() < 1e-14
    assert np.array_equal(left[1], sound[1])


def test_polarity() -> None:
    sound = playing()
    assert np.array_equal(through(sound, made("polarity")), -sound)
    assert np.array_equal(through(sound, made("polarity", on="right")), sound * [[1.0], [-1.0]])


@pytest.mark.source("definition of middle and sides: (L + R) / 2 and (L - R) / 2")
def test_mid_side() -> None:
    sound = playing()
    middle, side = 0.5 * (sound[0] + sound[1]), 0.5 * (sound[0] - sound[1])
    out = through(sound, made("mid-side", mid="-4 dB", side="2 dB"))
    wanted = np.stack(
        [amplitude(-4.0) * middle + amplitude(2.0) * side, amplitude(-4.0) * middle - amplitude(2.0) * side]
    )
    assert np.abs(out - wanted).max() < 1e-12


@pytest.mark.parametrize("time", ["0 s", "1 ms", "250 ms", "0.75 ms"])
def test_delay_by_whole_samples_is_exact(time: str) -> None:
    frames = round(made("delay", time=time).time_s * RATE_HZ)
    sound = playing()
    out = through(sound, made("delay", time=time))
    assert np.array_equal(out, np.concatenate([np.zeros((2, frames)), sound], axis=1)[:, : sound.shape[1]])


@pytest.mark.source("closed form: a sine, later")
@few
@given(
    time_ms=st.floats(0.0, 20.0), frequency_hz=st.floats(50.0, 18000.0), rate_hz=st.sampled_from([44100, 48000, 96000])
)
def test_delay_by_any_time(time_ms: float, frequency_hz: float, rate_hz: int) -> None:
    block = made("delay", time=f"{time_ms:.9f} ms")
    time_s = np.arange(6000) / rate_hz
    out = through(np.sin(2.0 * np.pi * frequency_hz * time_s)[None], block, rate_hz=rate_hz)[0]
    wanted = np.sin(2.0 * np.pi * frequency_hz * (time_s - block.time_s))
    assert np.abs(out - wanted)[2500:-100].max() < 1.5e-3


@pytest.mark.source(
    "ISO 9613-1:1993 A.5: speed of sound in dry air, tabled in speed_of_sound.csv; delays are for 20 degrees"
)
@pytest.mark.parametrize(("text", "distance_m"), [("1 m", 1.0), ("3.4 m", 3.4), ("34 cm", 0.34)])
def test_delay_by_distance(text: str, distance_m: float) -> None:
    [row] = [row for row in SOUND if row["temp_c"] == "20"]
    wanted_s = distance_m * float(row["ms_per_metre_iso9613"]) / 1000.0
    assert made("delay", time=text).time_s == pytest.approx(wanted_s, rel=2e-5)
    out = through(np.r_[1.0, np.zeros(4000)][None], made("delay", time=text))
    assert np.argmax(out[0]) == round(wanted_s * RATE_HZ)
    # other temperatures of a hall, and another formula, stay within 2 %
    for other in SOUND:
        if 10 <= float(other["temp_c"]) <= 30:
            assert made("delay", time=text).time_s == pytest.approx(distance_m / float(other["cramer_50rh"]), rel=0.025)


@pytest.mark.source("handbook definitions, tabled in pan_laws.csv")
@pytest.mark.parametrize("law", ["-3 dB", "-4.5 dB", "-6 dB"])
def test_tabled_pan_laws(law: str) -> None:
    name = {"-3 dB": "p3", "-4.5 dB": "p45", "-6 dB": "p6"}[law]
    for row in PANS:
        position = float(row["percent"])
        out = through(np.full((1, 3), 1.0), made("pan", position=position, law=law))
        assert out.shape == (2, 3)
        for side, gain in zip(("left", "right"), out[:, 0], strict=True):
            wanted_db = float(row[f"{name}_{side}_db"])
            if np.isfinite(wanted_db):
                assert 20.0 * np.log10(gain) == pytest.approx(wanted_db, abs=1e-4), (row, side)
            else:
                assert gain == 0.0


@pytest.mark.source("definitions: equal power, and equal sum")
@few
@given(position=st.floats(-100.0, 100.0))
def test_what_a_law_keeps(position: float) -> None:
    left, right = pan_gains(position, -3.0)
    assert left**2 + right**2 == pytest.approx(1.0, abs=1e-12)
    left, right = pan_gains(position, -6.0)
    assert left + right == pytest.approx(1.0, abs=1e-12)
    for law_db in (-3.0, -4.5, -6.0):
        assert pan_gains(-position, law_db) == pytest.approx(pan_gains(position, law_db)[::-1], abs=1e-12)


@pytest.mark.source("docstring: the centre leaves a pair as it is; a side never rises")
def test_pan_of_a_pair() -> None:
    sound = playing()
    assert np.abs(through(sound, made("pan", position=0)) - sound).max() < 1e-15
    right = through(sound, made("pan", position=100))
    assert (right[0] == 0.0).all()
    assert np.array_equal(right[1], sound[1])
    for position in (-60, 30, 80):
        assert (np.abs(through(sound, made("pan", position=position))) <= np.abs(sound) * (1.0 + 1e-12)).all()


# detectors


def gains_db(out: np.ndarray, sound: np.ndarray) -> np.ndarray:
    """Last tenth of a second, by least squares."""
    tail = slice(-RATE_HZ // 10, None)
    return np.array(
        [20.0 * np.log10(np.dot(o[tail], s[tail]) / np.dot(s[tail], s[tail])) for o, s in zip(out, sound, strict=True)]
    )


def static_db(over_db: float, ratio: float) -> float:
    """Hard knee."""
    return -(1.0 - 1.0 / ratio) * max(0.0, over_db)


HARD: Final = {"ratio": 4, "knee": "0 dB", "attack": "1 ms", "release": "1 s"}


@pytest.mark.source("Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (6), 2012, 399: the static curve, by hand")
@pytest.mark.parametrize("senses", ["peak", "rms"])
@pytest.mark.parametrize(
    ("detector", "left_db", "right_db"),
    # 12 dB over on the left, 4 dB below on the right, ratio 4: what linked takes off both comes from the left
    [("linked", -9.0, -9.0), ("dual", -9.0, 0.0)],
)
def test_linked_and_dual(detector: str, left_db: float, right_db: float, senses: str) -> None:
    sound = np.stack([sine(997.0, 1.0, level_dbfs=-18.0), sine(1497.0, 1.0, level_dbfs=-34.0)])
    block = made("compressor", threshold="-30 dBFS", detector=detector, senses=senses, **HARD)
    # the peak of a sine is met for an instant: a slow release keeps it within some hundredths
    assert gains_db(through(sound, block), sound) == pytest.approx([left_db, right_db], abs=0.15)


@pytest.mark.source("Giannoulis et al. 2012: the static curve, by hand, of middle and sides")
@pytest.mark.parametrize("side_threshold", [None, "-50 dBFS"])
def test_mid_side_detector_and_the_threshold_of_the_sides(side_threshold: str | None) -> None:
    middle, side = sine(997.0, 1.0, level_dbfs=-18.0), sine(1497.0, 1.0, level_dbfs=-34.0)
    sound = np.stack([middle + side, middle - side])
    more = {} if side_threshold is None else {"side_threshold": side_threshold}
    out = through(sound, made("compressor", threshold="-30 dBFS", detector="mid-side", senses="rms", **HARD, **more))
    found_db = gains_db(np.stack([out[0] + out[1], out[0] - out[1]]), np.stack([2.0 * middle, 2.0 * side]))
    wanted_db = [static_db(12.0, 4.0), 0.0 if side_threshold is None else static_db(16.0, 4.0)]
    assert found_db == pytest.approx(wanted_db, abs=0.1)


def test_the_threshold_of_the_sides_where_they_are_compressed_alone() -> None:
    side = sine(1497.0, 1.0, level_dbfs=-34.0)
    sound = np.stack([side, -side])
    block = made("compressor", threshold="-30 dBFS", side_threshold="-50 dBFS", on="side", senses="rms", **HARD)
    assert gains_db(through(sound, block), sound) == pytest.approx([static_db(16.0, 4.0)] * 2, abs=0.1)


@pytest.mark.source("Butterworth 1930: 12 dB/oct, what a detector behind it hears of a tone; the static curve by hand")
@pytest.mark.parametrize("frequency_hz", [50.0, 100.0, 200.0, 1000.0])
def test_side_chain_high_pass(frequency_hz: float) -> None:
    sound = sine(frequency_hz, 2.0, level_dbfs=-10.0)[None]
    block = made("compressor", threshold="-40 dBFS", senses="rms", high_pass="200 Hz", **HARD)
    heard_db = -10.0 - 10.0 * np.log10(1.0 + (200.0 / frequency_hz) ** 4)
    # the signal itself is not filtered; the ripple of a 10 ms average at 100 Hz is what the limit allows for
    assert gains_db(through(sound, block), sound)[0] == pytest.approx(static_db(heard_db + 40.0, 4.0), abs=0.6)
    assert static_db(heard_db + 40.0, 4.0) < -4.0


def test_makeup_comes_on_top() -> None:
    sound = sine(997.0, 1.0, level_dbfs=-18.0)[None]
    plain = made("compressor", threshold="-30 dBFS", **HARD)
    lifted = made("compressor", threshold="-30 dBFS", makeup="5 dB", **HARD)
    assert np.abs(through(sound, lifted) - through(sound, plain) * 10.0**0.25).max() < 1e-8


@pytest.mark.source("definition: below its threshold a compressor with no make-up is not there")
def test_a_compressor_below_its_threshold_leaves_every_bit() -> None:
    sound = playing() * 0.001
    assert np.array_equal(through(sound, made("compressor", threshold="-20 dBFS")), sound)


@pytest.mark.parametrize("detector", ["linked", "dual"])
def test_gate_detectors(detector: str) -> None:
    sound = np.stack([sine(997.0, 1.0, level_dbfs=-20.0), sine(1497.0, 1.0, level_dbfs=-50.0)])
    out = through(sound, made("gate", threshold="-40 dBFS", range="-30 dB", detector=detector))
    assert gains_db(out, sound) == pytest.approx([0.0, 0.0 if detector == "linked" else -30.0], abs=0.01)


# the dynamic bell


def settled_response_db(block: Any, at_hz: np.ndarray) -> np.ndarray:
    """A faint impulse in silence, long after a loud noise has moved the bell all the way and a release of hours holds it."""
    rng = np.random.default_rng(2)
    sound = np.concatenate([0.5 * rng.standard_normal(RATE_HZ), np.zeros(2 * RATE_HZ), [1e-3], np.zeros(RATE_HZ)])
    out = through(sound[None], block)[0, 3 * RATE_HZ :]
    _, response = ss.freqz(1e3 * out[: RATE_HZ // 2], worN=at_hz, fs=RATE_HZ)
    return 20.0 * np.log10(np.abs(response))


@pytest.mark.source("Audio EQ Cookbook (W3C Note, 8 June 2021), peakingEQ: prototype evaluated by scipy.signal.freqs")
@pytest.mark.parametrize(
    "gain_db",
    [
        -12.0,
        -6.0,
        6.0,
        12.0,
    ],
)
@pytest.mark.parametrize("q", [0.7, 3.0])
def test_a_dynamic_bell_all_the_way_is_the_bell(gain_db: float, q: float) -> None:
    block = made(
        "dynamic-bell",
        frequency="1 kHz",
        threshold="-90 dBFS",
        gain=f"{gain_db} dB",
        q=q,
        attack="1 ms",
        release="10 h",
    )
    at_hz = np.geomspace(50.0, 8000.0, 120)
    a = 10.0 ** (gain_db / 40.0)
    _, analogue = ss.freqs([1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0], worN=at_hz / 1000.0)
    assert np.abs(settled_response_db(block, at_hz) - 20.0 * np.log10(np.abs(analogue))).max() < 0.1


@pytest.mark.source("definition: takes off what its band has above the threshold, at most its gain")
@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
def test_a_dynamic_bell_moves_when_its_band_is_loud(gain_db: float) -> None:
    block = made("dynamic-bell", frequency="1 kHz", threshold="-40 dBFS", gain=f"{gain_db} dB", q=2)
    sign = np.sign(gain_db)
    for over_db, wanted_db in ((-10.0, 0.0), (2.0, 2.0), (4.0, 4.0), (20.0, 6.0)):
        sound = sine(1000.0, 1.0, level_dbfs=-40.0 + over_db)[None]
        assert gains_db(through(sound, block), sound)[0] == pytest.approx(sign * wanted_db, abs=0.1)
    # as loud, but elsewhere: three octaves off, a q of 2 hears 24 dB less
    sound = sine(8000.0, 1.0, level_dbfs=-20.0)[None]
    assert gains_db(through(sound, block), sound)[0] == pytest.approx(0.0, abs=0.02)


@few
@given(
    seed=st.integers(0, 99),
    gain_db=st.sampled_from([-9.0, -3.0, 4.0]),
    detector=st.sampled_from(["linked", "dual", "mid-side"]),
)
def test_a_dynamic_bell_stays_within_its_gain(seed: int, gain_db: float, detector: str) -> None:
    block = made("dynamic-bell", frequency="500 Hz", threshold="-60 dBFS", gain=f"{gain_db} dB", detector=detector)
    chain = Chain([block], channels=2, sample_rate_hz=RATE_HZ)
    chain.process(playing(seed))
    taken_db = chain.blocks[0].reduction_db
    assert taken_db is not None
    assert (-np.sign(gain_db) * taken_db >= -1e-12).all()
    assert np.abs(taken_db).max() <= abs(gain_db) + 1e-9


# curves


def curve(path: Path, text: str | bytes, **keys: Any) -> Any:
    (path / "curve.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return made("curve", file="curve.csv", **keys)


@pytest.mark.source("definition: straight lines in dB over the logarithm of frequency, flat beyond both ends")
@pytest.mark.parametrize("phase", ["minimum", "linear"])
@pytest.mark.parametrize(
    "text",
    [
        "100,-3\n1000,0\n4000,3\n16000,-6\n",
        "# measured\nfrequency,level\n100,-3\n1000,0\n\n4000,3\n# more\n16000,-6\n",
        "100, -3.0\r\n1000, 0\r\n4000, 3, ignored\r\n16000, -6",
    ],
    ids=["plain", "comments-and-names", "windows"],
)
def test_curve_files(text: str, phase: str, tmp_path: Path) -> None:
    block = curve(tmp_path, text, phase=phase)
    at = 9000
    sound = np.zeros((1, 20000))
    sound[0, at] = 1.0
    out = run(sound, [block], sample_rate_hz=RATE_HZ, folder=tmp_path)[0]
    at_hz = np.geomspace(50.0, 20000.0, 200)
    _, response = ss.freqz(out, worN=at_hz, fs=RATE_HZ)
    wanted_db = np.interp(np.log(at_hz), np.log([100.0, 1000.0, 4000.0, 16000.0]), [-3.0, 0.0, 3.0, -6.0])
    assert np.abs(20.0 * np.log10(np.abs(response)) - wanted_db).max() < 0.2
    assert np.argmax(np.abs(out)) == pytest.approx(at, abs=1)
    if phase == "linear":
        assert out[at - 3000 : at] == pytest.approx(out[at + 3000 : at : -1], abs=1e-9)
    else:
        assert np.abs(out[:at]).max() < 1e-9


BAD_CURVES: Final = {
    "empty": "",
    "one-point": "100,-3\n",
    "falling": "1000,0\n100,-3\n",
    "twice": "100,0\n100,-3\n",
    "from-zero": "0,0\n100,-3\n",
    "words-inside": "100,0\n1000,loud\n2000,3\n",
    "one-column": "100,0\n1000\n",
    "not-a-number": "100,0\n1000,nan\n",
    "without-end": "100,0\n1000,inf\n",
    "semicolons": "100;0\n1000;3\n",
    "louder-than-numbers-go": "100,0\n1000,1e50\n",
    "no-text": b"\xff\xfe\x00\x01 100,0",
}


@pytest.mark.parametrize("name", BAD_CURVES)
def test_bad_curve_files(name: str, tmp_path: Path) -> None:
    with pytest.raises(HouseError) as caught:
        run(np.zeros((1, 100)), [curve(tmp_path, BAD_CURVES[name])], sample_rate_hz=RATE_HZ, folder=tmp_path)
    said = str(caught.value)
    assert "curve.csv" in said
    assert "\n" not in said
    if name in {"words-inside", "one-column"}:
        assert "line 2" in said


def test_a_curve_file_of_one_endless_line(tmp_path: Path) -> None:
    with pytest.raises(HouseError):
        run(np.zeros((1, 100)), [curve(tmp_path, "1" * 200000)], sample_rate_hz=RATE_HZ, folder=tmp_path)


def test_a_curve_file_with_a_byte_order_mark(tmp_path: Path) -> None:
    text = "100,-12\n1000,0\n4000,0\n"
    sound = np.r_[1.0, np.zeros(20000)][None]
    plain = run(sound, [curve(tmp_path, text)], sample_rate_hz=RATE_HZ, folder=tmp_path)
    marked = run(sound, [curve(tmp_path, "\ufeff" + text)], sample_rate_hz=RATE_HZ, folder=tmp_path)
    assert np.array_equal(plain, marked)


def test_a_curve_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(HouseError, match=r"nowhere\.csv") as caught:
        run(np.zeros((1, 100)), [made("curve", file="nowhere.csv")], sample_rate_hz=RATE_HZ, folder=tmp_path)
    assert "\n" not in str(caught.value)


# what is refused


@pytest.mark.parametrize(
    "block",
    [
        made("mid-side", side="1 dB"),
        made("bell", frequency="1 kHz", gain="1 dB", on="side"),
        made("trim", gain="1 dB", on="mid"),
    ],
    ids=["mid-side", "side", "mid"],
)
def test_sides_of_one_channel(block: Any, rng: np.random.Generator) -> None:
    with pytest.raises(HouseError, match="one channel") as caught:
        Chain([block], channels=1, sample_rate_hz=RATE_HZ)
    assert "\n" not in str(caught.value)
    # a pan makes two channels of one: behind it the same block is in its place
    sound = white(rng, 0.1, -20.0)[None]
    assert through(sound, made("pan", position=30), block).shape == (2, sound.shape[1])
