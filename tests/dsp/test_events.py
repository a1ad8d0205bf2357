"""The kernels that look for faults, on short signals made by hand: what they report, where, and from which stretch.

Whole recordings go through `tests/measure/test_events.py`; here is what the kernels promise their caller: that neighbouring
stretches report each event once, that state carries over, that a full list is not overrun.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.dsp.events import bursts_and_mutes, dropouts, flat_tops
from deskhand.dsp.growing_tones import COLUMNS, LEVELS, RATIOS, TONES, growing_tones

FLOOR: Final = np.float32(0.03)
NEAR: Final = 240  # 5 ms at 48 kHz


def flats(signal: np.ndarray, first: int, last: int, *, most: int = 100) -> tuple[list[int], list[float]]:
    starts, levels, lengths = np.full(most, -1, np.int64), np.full(most, -1.0, np.float32), np.full(most, -1, np.int64)
    found = flat_tops(np.ascontiguousarray(signal, dtype=np.float32), first, last, FLOOR, starts, levels, lengths)
    assert (starts[found:] == -1).all()
    return starts[:found].tolist(), levels[:found].tolist()


def noise_with_plateau(rng: np.random.Generator, at: int, length: int, *, level: float = 0.5) -> np.ndarray:
    signal = 0.05 * rng.standard_normal(2000)
    signal[at : at + length] = level
    return signal


@pytest.mark.parametrize("sign", [pytest.param(1.0, id="up"), pytest.param(-1.0, id="down")])
@pytest.mark.parametrize("length", [pytest.param(n, id=f"{n}-samples") for n in (3, 4, 10, 37, 39, 60, 100, 400)])
def test_a_plateau_is_found_where_it_begins(rng: np.random.Generator, length: int, sign: float) -> None:
    # "runs of three or more equal samples": no upper end is stated, and low notes make long ones
    starts, levels = flats(sign * noise_with_plateau(rng, 700, length), 300, 1500)
    assert starts == [700]
    assert levels == pytest.approx([0.5])


@pytest.mark.parametrize(
    ("length", "level"),
    [
        pytest.param(2, 0.5, id="two-samples"),
        pytest.param(1, 0.5, id="one-sample"),
        pytest.param(8, 0.02, id="below-floor"),
    ],
)
def test_what_is_no_plateau(rng: np.random.Generator, length: int, level: float) -> None:
    signal = noise_with_plateau(rng, 700, length, level=level)
    if level < FLOOR:
        signal[:700], signal[700 + length :] = 0.1 * signal[:700], 0.1 * signal[700 + length :]
    assert flats(signal, 300, 1500) == ([], [])


def test_each_plateau_belongs_to_one_stretch(rng: np.random.Generator) -> None:
    for at in range(980, 1021):
        signal = noise_with_plateau(rng, at, 9)
        together = [flats(signal, first, last)[0] for first, last in ((300, 1000), (1000, 1700))]
        assert sum(together, []) == [at]
        assert together[int(at >= 1000)] == [at]


def test_a_full_list_of_plateaus_is_not_overrun(rng: np.random.Generator) -> None:
    signal = 0.05 * rng.standard_normal(2000)
    signal.reshape(-1, 20)[:, :4] = 0.5
    assert len(flats(signal, 300, 1500, most=7)[0]) == 7


def gaps(signal: np.ndarray, pieces: list[int], *, most: int = 50) -> list[list[float]]:
    """Dropouts of a signal looked at piece by piece, with state carried."""
    held = np.ascontiguousarray(signal, dtype=np.float32)
    state, out = np.zeros(4), np.empty((most, 2))
    told: list[list[float]] = []
    for first, last in zip(pieces, pieces[1:], strict=False):
        found = dropouts(held, first, last, 5000, NEAR, state, out)
        told += out[:found].tolist()
    return told


def test_a_dropout_is_told_in_samples_of_the_take(rng: np.random.Generator) -> None:
    signal = 0.1 * rng.standard_normal(4000)
    signal[1500:1700] = 0.0
    assert gaps(signal, [300, 3600]) == [[6500.0, 6700.0]]


@pytest.mark.parametrize("zeros", [16, 20, 31])
def test_a_third_of_a_millisecond_of_zeros_is_a_dropout(rng: np.random.Generator, zeros: int) -> None:
    # a driver that loses a packet loses 16 samples at the least (common practice, no source)
    signal = 0.1 * rng.standard_normal(4000)
    signal[1500 : 1500 + zeros] = 0.0
    assert gaps(signal, [300, 3600]) == [[6500.0, 6500.0 + zeros]]


@pytest.mark.parametrize(
    "split", [pytest.param(at, id=f"split-at-{at}") for at in (1499, 1500, 1501, 1600, 1699, 1700, 1701)]
)
def test_a_dropout_over_two_stretches_is_one(rng: np.random.Generator, split: int) -> None:
    signal = 0.1 * rng.standard_normal(4000)
    signal[1500:1700] = 0.0
    assert gaps(signal, [300, split, 3600]) == [[6500.0, 6700.0]]


@pytest.mark.parametrize(
    "kind",
    [pytest.param(kind, id=kind) for kind in ("fifteen-zeros", "fade-out", "fade-in", "silence-before", "never-back")],
)
def test_what_is_no_dropout(rng: np.random.Generator, kind: str) -> None:
    signal = 0.1 * rng.standard_normal(4000)
    signal[1500:1700] = 0.0
    ramp = np.linspace(1.0, 0.0, 300)
    if kind == "fifteen-zeros":
        signal[1515:1700] = 0.1
    elif kind == "fade-out":
        signal[1200:1500] *= ramp**3
    elif kind == "fade-in":
        signal[1700:2000] *= ramp[::-1] ** 3
    elif kind == "silence-before":
        signal[:1500] = 0.0
    elif kind == "never-back":
        signal[1500:] = 0.0
    assert gaps(signal, [300, 3600]) == []


def test_a_dropout_that_begins_in_a_soft_tail_and_hides_a_stroke(rng: np.random.Generator) -> None:
    # a snare's tail at -65 dBFS RMS, then a gap of 10 ms, then the stroke that began in it
    signal = np.r_[10.0 ** (-65 / 20) * rng.standard_normal(2000), 0.1 * rng.standard_normal(2000)]
    signal[1700:2180] = 0.0
    assert gaps(signal, [300, 3600]) == [[6700.0, 7180.0]]


def test_a_low_note_cut_where_it_passes_through_zero() -> None:
    # its last half millisecond holds under a hundredth of the power, but a good part of the slope
    phase = 2 * np.pi * 41.2 * (np.arange(4000) - 1700) / 48000
    note = 0.3 * (np.sin(phase) - 0.4 * np.sin(2 * phase))
    note[1700:1940] = 0.0
    # the sample at its zero belongs to the gap
    assert gaps(note, [300, 3600]) == [[6700.0, 6940.0]]


def test_a_soft_low_tail_in_16_bit_words_is_no_dropout() -> None:
    # 20 Hz at -67 dBFS RMS: rounding leaves some 18 zeros at each passage
    tail = np.round(20.7 * np.sin(2 * np.pi * 20.0 * (np.arange(9600) + 0.5) / 48000)) / 32768
    assert gaps(tail, [300, 9000]) == []


def test_a_full_list_of_dropouts_is_not_overrun(rng: np.random.Generator) -> None:
    signal = 0.1 * rng.standard_normal(40000)
    for at in range(1000, 39000, 1000):
        signal[at : at + 100] = 0.0
    assert len(gaps(signal, [300, 39000], most=5)) == 5


def steps(*parts: tuple[int, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """10 ms steps: (how many, mean square, whiteness) after each other."""
    power = np.concatenate([np.full(count, level) for count, level, _ in parts])
    white = np.concatenate([np.full(count, ratio) for count, _, ratio in parts])
    return power.astype(np.float32), (power * white).astype(np.float32)


def bursts(parts: list[tuple[int, float, float]]) -> list[list[float]]:
    power, sharp = steps(*parts)
    out = np.empty((50, 4))
    return out[: bursts_and_mutes(power, sharp, 60, 160, out)].tolist()


@pytest.mark.parametrize("length", [pytest.param(n, id=f"{10 * n}-ms") for n in (2, 4, 8, 16, 24, 26)])
def test_a_burst_of_white_noise(length: int) -> None:
    # white noise has 70 times its power in the fourth difference; music of this level a hundredth of it
    found = bursts([(100, 1e-3, 0.01), (length, 2e-3, 70.0), (120 - length, 1e-3, 0.01)])
    assert [row[:3] for row in found] == [[100.0, 100.0 + length, 1.0]]
    assert found[0][3] == pytest.approx(70.0, rel=1e-5)


@pytest.mark.source("arithmetic: noise to 17 kHz at 48 kHz has 18 times its power in the fourth difference")
@pytest.mark.parametrize("length", [pytest.param(n, id=f"{10 * n}-ms") for n in (1, 4, 12, 25)])
@pytest.mark.parametrize("full", [pytest.param(0.4, id="begins-late-in-a-block"), pytest.param(0.8, id="begins-early")])
def test_a_burst_that_fills_its_first_and_last_block_in_part(length: int, full: float) -> None:
    # in place of a loud voice of which a part is left in the first and the last block
    first = (1, full * 1e-3 + (1 - full) * 8e-3, full * 18.0 / (full + (1 - full) * 8))
    last = (1, (1 - full) * 1e-3 + full * 8e-3, (1 - full) * 18.0 / ((1 - full) + full * 8))
    found = bursts([(100, 8e-3, 0.0005), first, (length, 1e-3, 18.0), last, (118 - length, 8e-3, 0.0005)])
    assert [row[2] for row in found] == [1.0]
    assert found[0][3] == pytest.approx(18.0, rel=1e-5)


@pytest.mark.parametrize("length", [pytest.param(n, id=f"{10 * n}-ms") for n in (5, 10, 30, 45)])
def test_a_mute_that_is_not_digital_silence(length: int) -> None:
    found = bursts([(100, 1e-3, 0.01), (length, 1e-9, 20.0), (120 - length, 1e-3, 0.01)])
    assert [row[:3] for row in found] == [[100.0, 100.0 + length, 2.0]]
    assert found[0][3] == pytest.approx(1e-9, rel=1e-5)


@pytest.mark.parametrize(
    "parts",
    [
        pytest.param([(220, 1e-3, 0.01)], id="steady"),
        pytest.param([(100, 1e-3, 0.01), (120, 2e-3, 70.0)], id="noise-that-stays"),
        pytest.param([(100, 1e-3, 0.01), (8, 2e-3, 2.0), (112, 1e-3, 0.01)], id="bright-but-not-white"),
        pytest.param([(100, 1e-3, 0.01), (8, 1e-6, 70.0), (112, 1e-3, 0.01)], id="too-soft"),
        pytest.param([(100, 1e-3, 0.01), (120, 1e-9, 20.0)], id="mute-that-stays"),
        pytest.param([(100, 1e-3, 0.01), (10, 1e-5, 0.01), (110, 1e-3, 0.01)], id="20-db-down-only"),
        pytest.param([(100, 1e-6, 0.01), (10, 1e-12, 20.0), (110, 1e-6, 0.01)], id="mute-of-what-is-soft"),
    ],
)
def test_what_is_neither_burst_nor_mute(parts: list[tuple[int, float, float]]) -> None:
    assert bursts(parts) == []


def test_an_edge_whose_difference_reaches_into_digital_silence_is_no_burst() -> None:
    power, sharp = steps((100, 1e-3, 0.01), (120, 0.0, 0.0))
    sharp[100] = 1e-2
    assert bursts_and_mutes(power, sharp, 60, 160, np.empty((50, 4))) == 0


@pytest.mark.parametrize("kind", [pytest.param(1e-9, id="mute"), pytest.param(2e-3, id="burst")])
def test_stretches_of_a_hundred_steps_report_each_event_once(kind: float) -> None:
    # a second is a hundred steps; the caller shifts them along and looks at [60, 160) each time
    for at in range(200, 301):
        power, sharp = steps((at, 1e-3, 0.01), (9, kind, 70.0), (600 - at - 9, 1e-3, 0.01))
        out = np.empty((50, 4))
        told = []
        for shift in range(0, 400, 100):
            found = bursts_and_mutes(power[shift : shift + 220].copy(), sharp[shift : shift + 220].copy(), 60, 160, out)
            told += [(shift + row[0], shift + row[1]) for row in out[:found]]
        assert told == [(at, at + 9)], f"at step {at}"


def spectra(frames: int, *, at: int, level_db: np.ndarray, floor: float = 1e-9, bins: int = 400) -> np.ndarray:
    """A steady line of a Hann window, three bins wide, whose level moves from frame to frame."""
    power = np.full((frames, bins), floor)
    for offset, share in ((-1, 0.25), (0, 1.0), (1, 0.25)):
        power[:, at + offset] += share * 10.0 ** (level_db / 10.0)
    return power.astype(np.float32)


def howls(power: np.ndarray, *, block: int = 10) -> list[list[float]]:
    tones, levels = np.full((TONES, COLUMNS), -1.0), np.zeros((TONES, LEVELS))
    partials = np.zeros((TONES, RATIOS))
    loudest, rises = np.zeros(power.shape[1]), np.empty((20, 5))
    told: list[list[float]] = []
    for frame in range(0, power.shape[0], block):
        piece = np.ascontiguousarray(power[frame : frame + block])
        told += rises[: growing_tones(piece, 20, 350, frame, tones, levels, partials, loudest, rises)].tolist()
    return told


def test_a_tone_that_grows_20_db_in_two_seconds() -> None:
    found = howls(spectra(30, at=150, level_db=np.r_[np.full(5, -50.0), np.linspace(-50, -30, 20), np.full(5, -30.0)]))
    assert found
    assert all(place == pytest.approx(150, abs=0.5) for _, _, place, *_ in found)
    # half a second is seen of it before a tone that stood is one that grows
    assert min(begin for begin, *_ in found) <= 10
    assert max(end for _, end, *_ in found) >= 24


@pytest.mark.parametrize(
    "kind",
    [pytest.param(kind, id=kind) for kind in ("steady", "falls", "grows-5-db", "too-quick", "moves", "has-a-harmonic")],
)
def test_what_is_no_howl(kind: str) -> None:
    rise = np.r_[np.full(5, -50.0), np.linspace(-50, -30, 20), np.full(5, -30.0)]
    level_db = {
        "steady": np.full(30, -30.0),
        "falls": rise[::-1],
        "grows-5-db": np.clip(rise, -50.0, -45.0),
        # 20 dB in 0.3 s is a note that is struck
        "too-quick": np.r_[np.full(5, -50.0), (-43.0, -37.0), np.linspace(-30.0, -45.0, 23)],
    }.get(kind, rise)
    power = spectra(30, at=150, level_db=level_db)
    if kind == "moves":
        power = np.stack([np.roll(row, 2 * place) for place, row in enumerate(power)])
    elif kind == "has-a-harmonic":
        power[:, 299:302] += 0.1 * power[:, 149:152]
    assert howls(np.ascontiguousarray(power)) == []
