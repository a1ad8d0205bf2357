"""Array that grows: rows come back as they were appended, in memory or from the file, also where the disk takes no more."""

from __future__ import annotations

import tempfile
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.chain import growing
from deskhand.chain.growing import GrowingArray
from tests.support.hypotheses import examples


@settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)
@given(
    st.lists(st.integers(0, 40), max_size=12),
    st.integers(1, 4),
    st.sampled_from([(), (8,), (3, 8)]),
    st.integers(0, 4000),
)
def test_rows_are_what_was_appended(lengths: list[int], rows: int, inner: tuple[int, ...], held_bytes: int) -> None:
    rng = np.random.default_rng(len(lengths))
    parts = [rng.standard_normal((rows, length, *inner)).astype(np.float32) for length in lengths]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(growing, "_HELD_BYTES", held_bytes)
        growing_array = GrowingArray((rows, *inner))
        for part in parts:
            growing_array.append(part)
        whole = np.concatenate([np.empty((rows, 0, *inner), np.float32), *parts], axis=1)
        for row in range(rows):
            np.testing.assert_array_equal(growing_array.row(row), whole[row])
            assert growing_array.row(row).dtype == np.float32


def test_little_is_held_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(growing, "_HELD_BYTES", 10_000)
    growing_array = GrowingArray((4, 8))
    for _ in range(200):
        growing_array.append(np.ones((4, 10, 8), np.float32))
        assert sum(part.nbytes for part in growing_array._held) <= 10_000


def test_a_full_disk_leaves_it_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(growing, "_HELD_BYTES", 100)
    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    growing_array = GrowingArray((1, 8))
    for value in range(20):
        growing_array.append(np.full((1, 5, 8), value, np.float32))
    np.testing.assert_array_equal(growing_array.row(0)[:, 0], np.repeat(np.arange(20.0, dtype=np.float32), 5))
