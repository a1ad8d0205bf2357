"""Values packed and unpacked: round trips by property, numpy's own type sizes, and bytes that are damaged or of somebody else."""

from __future__ import annotations

import hashlib
import pickle
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deskhand.house import make_block
from deskhand.house.chain_blocks import BLOCK_TYPES
from deskhand.reuse import pack, unpack
from tests.support.hypotheses import examples

few = settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """Dataclass as readings are."""

    level_db: Any
    parts: list[Any] = field(default_factory=list)


numbers = st.one_of(st.none(), st.booleans(), st.integers(-(2**60), 2**60), st.floats(), st.text(max_size=5))
arrays = hnp.arrays(
    st.sampled_from(["<f4", "<f8", "<c8", "<c16", "<i8", "<u2", "|u1", "|b1"]), hnp.array_shapes(min_dims=0, min_side=0)
)
values = st.recursive(
    st.one_of(numbers, arrays),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.lists(inner, max_size=3).map(tuple),
        st.dictionaries(st.tuples(st.integers(0, 9), st.text(max_size=2)), inner, max_size=3),
        st.builds(lambda first, rest: Held(level_db=first, parts=rest), inner, st.lists(inner, max_size=2)),
    ),
    max_leaves=8,
)


def same(left: Any, right: Any) -> bool:
    """True where two values are of one type and alike to the last bit."""
    if type(left) is not type(right):
        return False
    if isinstance(left, np.ndarray):
        return left.dtype == right.dtype and left.shape == right.shape and left.tobytes() == right.tobytes()
    if isinstance(left, float):
        return np.float64(left).tobytes() == np.float64(right).tobytes() or (left != left and right != right)
    if isinstance(left, list | tuple):
        return len(left) == len(right) and all(map(same, left, right))
    if isinstance(left, dict):
        return list(left) == list(right) and all(same(left[key], right[key]) for key in left)
    if isinstance(left, Held):
        return same(left.level_db, right.level_db) and same(left.parts, right.parts)
    return bool(left == right)


@few
@given(values)
def test_a_value_comes_back_to_the_last_bit(value: Any) -> None:
    assert same(unpack(pack(value), [Held]), value)


@few
@given(values, st.data())
def test_a_changed_byte_is_told(value: Any, data: st.DataObject) -> None:
    packed = bytearray(pack(value))
    place = data.draw(st.integers(0, len(packed) - 1))
    packed[place] ^= data.draw(st.integers(1, 255))
    with pytest.raises(ValueError, match="damaged"):
        unpack(bytes(packed), [Held])


@few
@given(values, st.data())
def test_a_file_that_was_cut_short_is_told(value: Any, data: st.DataObject) -> None:
    packed = pack(value)
    with pytest.raises(ValueError, match="damaged"):
        unpack(packed[: data.draw(st.integers(0, len(packed) - 1))], [Held])


def resealed(header: bytes) -> bytes:
    """Bytes with a right digest and any header, as somebody who wants to harm would write them."""
    body = len(header).to_bytes(8, "little") + header
    return pack(None)[: -len(pack(None)) + 24] + hashlib.sha256(body).digest() + body


@pytest.mark.parametrize(
    "header",
    [
        b"not json",
        b"[]",
        b'{"value": {"type": "Path", "fields": {}}, "arrays": []}',
        b'{"value": {"type": "Held", "fields": {"other": 1}}, "arrays": []}',
        b'{"value": {"array": 0, "double": false, "shape": [2]}, "arrays": [["|O", [2], 0]]}',
        b'{"value": {"array": 0, "double": false, "shape": [9]}, "arrays": [["<f4", [900000000000], 0]]}',
        b'{"value": {"array": 0, "double": false, "shape": [2]}, "arrays": [["<f4", [2], -8]]}',
        b'{"value": {"array": 7, "double": false, "shape": [2]}, "arrays": []}',
        b'{"value": ' + b"[" * 100_000 + b"]" * 100_000 + b', "arrays": []}',
    ],
)
def test_what_somebody_else_wrote_is_refused(header: bytes) -> None:
    with pytest.raises(ValueError, match="no kept measurements"):
        unpack(resealed(header), [Held])


def test_no_pickle_is_read() -> None:
    with pytest.raises(ValueError, match="no kept measurements"):
        unpack(pickle.dumps({"level": 1}), [Held])


def test_a_class_with_other_fields_is_another_one() -> None:
    @dataclass
    class Held:
        level_db: float

    with pytest.raises(ValueError, match="other fields"):
        unpack(pack(Held(level_db=1.0)), [globals()["Held"]])


def test_doubles_that_are_single_take_half_the_room() -> None:
    halves = np.random.default_rng(1).standard_normal(4096).astype(np.float32).astype(np.float64)
    assert len(pack(halves)) < 4 * 4096 + 400 < 8 * 4096 < len(pack(halves + 1e-12))


def test_blocks_come_back_as_they_were_read() -> None:
    blocks = (
        make_block({"block": "compressor", "threshold": "-20 dBFS", "ratio": 3}),
        make_block({"block": "bell", "frequency": "1 kHz", "gain": "-3 dB", "q": 2}),
        make_block({"block": "pan", "position": 30}),
    )
    assert unpack(pack(blocks), BLOCK_TYPES.values()) == blocks
