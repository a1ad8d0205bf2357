"""Silence, one sample, less than a block, constants, full scale: each gives numbers or reasons, never NaN.

Warnings are errors here, so a logarithm of nothing that slips through fails too.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from tests.support.feed import RATE_HZ, figures_of, reading_of
from tests.support.signals import pink, sine, white

if TYPE_CHECKING:
    from collections.abc import Callable


def padded(*parts: tuple[float, float]) -> np.ndarray:
    """Noise and digital silence: (seconds, level or -inf) after each other."""
    rng = np.random.default_rng(31)
    return np.concatenate([white(rng, s, db) if np.isfinite(db) else np.zeros(round(s * RATE_HZ)) for s, db in parts])


MONO: Final[dict[str, Callable[[], np.ndarray]]] = {
    "one-sample": lambda: np.array([0.5]),
    "ten-samples": lambda: np.full(10, 0.1),
    "one-step": lambda: padded((0.01, -20.0)),
    "a-sample-less-than-a-block": lambda: padded((0.1, -20.0))[:-1],
    "one-block": lambda: padded((0.1, -20.0)),
    "two-blocks": lambda: padded((0.2, -20.0)),
    "three-blocks": lambda: padded((0.3, -20.0)),
    "0.4-s": lambda: padded((0.4, -20.0)),
    "0.5-s": lambda: padded((0.5, -20.0)),
    "a-sample-less-than-a-second": lambda: padded((1.0, -20.0))[:-1],
    "one-second": lambda: padded((1.0, -20.0)),
    "a-sample-more-than-a-second": lambda: padded((1.0, -20.0), (1 / RATE_HZ, -np.inf)),
    "1.2-s": lambda: padded((1.2, -20.0)),
    "1.5-s": lambda: padded((1.5, -20.0)),
    "2.9-s": lambda: padded((2.9, -20.0)),
    "3.1-s": lambda: padded((3.1, -20.0)),
    "silence-of-one-block": lambda: padded((0.1, -np.inf)),
    "silence-of-5-s": lambda: padded((5.0, -np.inf)),
    "constant": lambda: np.full(5 * RATE_HZ, 0.25),
    "smallest-constant": lambda: np.full(5 * RATE_HZ, 2.0**-23),
    "denormals": lambda: np.full(5 * RATE_HZ, 1e-40),
    "full-scale-constant": lambda: np.full(5 * RATE_HZ, -1.0),
    "full-scale-square": lambda: np.where(np.arange(5 * RATE_HZ) // 48 % 2, 1.0, -1.0),
    "far-over-full-scale": lambda: sine(1000.0, 5.0, level_dbfs=60.0),
    "one-impulse": lambda: np.where(np.arange(5 * RATE_HZ) == 100000, 1.0, 0.0),
    "every-other-sample": lambda: np.where(np.arange(5 * RATE_HZ) % 2, 0.5, -0.5),
    "noise-then-silence": lambda: padded((3.0, -20.0), (5.0, -np.inf)),
    "silence-then-noise": lambda: padded((5.0, -np.inf), (3.0, -20.0)),
    "noise-between-silences": lambda: padded(
        (4.0, -np.inf), (3.0, -20.0), (4.0, -np.inf), (3.0, -20.0), (4.0, -np.inf)
    ),
    "very-soft-noise": lambda: padded((5.0, -110.0)),
}


def assert_sound(reading: object) -> None:
    """No NaN and no infinity anywhere; what is missing has a reason; all of it goes into JSON."""
    found = asdict(reading.readings)  # type: ignore[attr-defined]
    why = found.pop("not_measured")
    pair = len(reading.tracks) == 2  # type: ignore[attr-defined]
    only_pairs = ("width", "balance", "correlation", "mono_loss", "delay", "side_tone", "side_scatter")
    for name, value in found.items():
        for number in value.values() if isinstance(value, dict) else [value]:
            assert number is None or math.isfinite(number), f"{name} is {number}"
        # how sure a reading is, is asked for only where there is one
        wanted = (
            found[name.removesuffix("_pm")] is not None
            if name.endswith("_pm")
            else pair or not name.startswith(only_pairs)
        )
        if value is None and wanted:
            assert why.get(name), f"{name} is missing without a reason"
        if value is not None:
            assert name not in why, f"{name} is there and has a reason not to be"
    assert 0.0 <= found["active_fraction"] <= 1.0
    json.dumps(found, allow_nan=False)


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in MONO])
@pytest.mark.parametrize("strikes", [pytest.param(False, id="plays"), pytest.param(True, id="strikes")])
def test_readings_are_sound(kind: str, strikes: bool) -> None:
    assert_sound(reading_of(MONO[kind](), strikes=strikes))


STEREO: Final[dict[str, Callable[[], np.ndarray]]] = {
    "both-silent": lambda: np.zeros((2, 5 * RATE_HZ)),
    "right-silent": lambda: np.stack([padded((5.0, -20.0)), np.zeros(5 * RATE_HZ)]),
    "left-silent": lambda: np.stack([np.zeros(5 * RATE_HZ), padded((5.0, -20.0))]),
    "equal": lambda: np.stack([padded((5.0, -20.0))] * 2),
    "opposite": lambda: np.stack([padded((5.0, -20.0)), -padded((5.0, -20.0))]),
    "constants": lambda: np.stack([np.full(5 * RATE_HZ, 0.1), np.full(5 * RATE_HZ, -0.2)]),
    "never-together": lambda: np.stack([padded((3.0, -20.0), (3.0, -np.inf)), padded((3.0, -np.inf), (3.0, -20.0))]),
    "one-sample": lambda: np.array([[0.5], [0.1]]),
    "one-block": lambda: np.stack([padded((0.1, -20.0))] * 2),
    "1-s": lambda: np.stack([padded((1.0, -20.0))] * 2),
    "one-far-softer": lambda: np.stack([padded((5.0, -20.0)), padded((5.0, -140.0))]),
}


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind) for kind in STEREO])
def test_readings_of_pairs_are_sound(kind: str) -> None:
    assert_sound(reading_of(STEREO[kind]()))


@pytest.mark.parametrize(
    "rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 88200, 96000, 176400, 192000)]
)
def test_readings_at_every_rate(rng: np.random.Generator, rate_hz: int) -> None:
    # a stereo source of 3.3 s; levels are arithmetic
    signal = np.stack([pink(rng, 3.3, -20.0, rate_hz=rate_hz), pink(rng, 3.3, -20.0, rate_hz=rate_hz)])
    reading = reading_of(signal, sample_rate_hz=rate_hz)
    assert_sound(reading)
    assert reading.readings.rms_dbfs == pytest.approx(-20.0, abs=0.01)


def test_silence_says_so() -> None:
    reading = reading_of(np.zeros(5 * RATE_HZ)).readings
    assert reading.active_fraction == 0.0
    for name in ("rms_dbfs", "peak_dbfs", "true_peak_dbtp"):
        assert getattr(reading, name) is None
        assert reading.not_measured[name] == "digital silence"
    assert reading.not_measured["level_dbfs"] == "it never plays"


def test_peak_of_the_rest_that_fills_no_block() -> None:
    # half a block at the end holds the loudest sample
    signal = padded((1.0, -40.0), (0.05, -40.0))
    signal[-100] = 0.7
    reading = reading_of(signal).readings
    assert reading.peak_dbfs == pytest.approx(20 * np.log10(0.7), abs=1e-5)
    figures = figures_of(signal)
    assert figures.blocks == 10
    assert figures.tracks[0].frames == signal.size
    assert figures.duration_s == pytest.approx(1.05)


def test_true_peak_is_at_least_the_last_samples() -> None:
    signal = np.zeros(RATE_HZ)
    signal[-1] = 0.9
    assert reading_of(signal).readings.true_peak_dbtp == pytest.approx(20 * np.log10(0.9), abs=1e-5)
