"""Sample words to float32: every kernel against numpy's own reading of the same bytes."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.dsp.unpack import first_not_finite, unpack_16, unpack_24, unpack_32, unpack_float

# 256 frames is the kernels' tile: below, at and above it, and no frame at all
FRAMES: Final = (0, 1, 255, 256, 257, 1000)
CHANNELS: Final = (1, 2, 3, 5, 32)
SHAPES: Final = [pytest.param(c, f, id=f"{c}-channels-{f}-frames") for c in CHANNELS for f in FRAMES]


def blank(channels: int, frames: int) -> np.ndarray:
    # longer than asked for, so that a frame too many shows
    return np.full((channels, frames + 3), 7.0, np.float32)


def with_extremes(words: np.ndarray, low: int, high: int) -> np.ndarray:
    flat = words.reshape(-1)
    for place, value in enumerate((low, high, 0, -1, 1)):
        if place < flat.size:
            flat[place] = value
    return words


@pytest.mark.source("numpy")
@pytest.mark.parametrize(("channels", "frames"), SHAPES)
def test_16_bit(rng: np.random.Generator, channels: int, frames: int) -> None:
    words = with_extremes(rng.integers(-(2**15), 2**15, (frames, channels), dtype=np.int16), -(2**15), 2**15 - 1)
    out = blank(channels, frames)
    unpack_16(np.ascontiguousarray(words).reshape(-1), out, frames)
    # 16 bits fit float32: equal to the last bit
    np.testing.assert_array_equal(out[:, :frames], (words.T / 2.0**15).astype(np.float32))
    assert (out[:, frames:] == 7.0).all()


@pytest.mark.source("numpy")
@pytest.mark.parametrize(("channels", "frames"), SHAPES)
def test_24_bit(rng: np.random.Generator, channels: int, frames: int) -> None:
    words = with_extremes(rng.integers(-(2**23), 2**23, (frames, channels), dtype=np.int32), -(2**23), 2**23 - 1)
    raw = np.ascontiguousarray(words.astype("<i4").reshape(-1, 1).view(np.uint8)[:, :3]).reshape(-1)
    out = blank(channels, frames)
    unpack_24(raw, out, frames)
    # 24 bits fit float32: equal to the last bit
    np.testing.assert_array_equal(out[:, :frames], (words.T / 2.0**23).astype(np.float32))
    assert (out[:, frames:] == 7.0).all()


@pytest.mark.source("numpy")
@pytest.mark.parametrize(("channels", "frames"), SHAPES)
def test_32_bit(rng: np.random.Generator, channels: int, frames: int) -> None:
    words = with_extremes(rng.integers(-(2**31), 2**31, (frames, channels), dtype=np.int32), -(2**31), 2**31 - 1)
    out = blank(channels, frames)
    unpack_32(np.ascontiguousarray(words).reshape(-1), out, frames)
    # rounded to float32 once, as numpy does from float64
    np.testing.assert_array_equal(out[:, :frames], (words.T / 2.0**31).astype(np.float32))
    assert (out[:, frames:] == 7.0).all()


@pytest.mark.source("numpy")
@pytest.mark.parametrize("dtype", [pytest.param(np.float32, id="float32"), pytest.param(np.float64, id="float64")])
@pytest.mark.parametrize(("channels", "frames"), SHAPES)
def test_float(rng: np.random.Generator, channels: int, frames: int, dtype: type) -> None:
    words = rng.standard_normal((frames, channels)).astype(dtype)
    out = blank(channels, frames)
    unpack_float(np.ascontiguousarray(words).reshape(-1), out, frames)
    np.testing.assert_array_equal(out[:, :frames], words.T.astype(np.float32))
    assert (out[:, frames:] == 7.0).all()


@pytest.mark.parametrize("value", [pytest.param(v, id=str(v)) for v in (np.nan, np.inf, -np.inf)])
@pytest.mark.parametrize("at", [pytest.param(at, id=f"at-{at}") for at in (0, 1, 499, 998, 999)])
def test_first_value_that_is_not_finite(rng: np.random.Generator, value: float, at: int) -> None:
    signal = rng.standard_normal(1000).astype(np.float32)
    signal[at] = value
    signal[999] = np.nan
    assert first_not_finite(signal) == at


@pytest.mark.parametrize("value", [pytest.param(v, id=str(v)) for v in (0.0, -0.0, 1e-45, 9e11, -9e11)])
def test_all_values_are_finite(value: float) -> None:
    assert first_not_finite(np.full(100, value, np.float32)) == -1
    assert first_not_finite(np.empty(0, np.float32)) == -1
