"""Fingerprints in the history: written with a take, read for some takes, and what is damaged in them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa

from deskhand.errors import HistoryError
from deskhand.store.fingerprints import KeptFingerprint, fingerprints
from tests.support.folders import TAKE, opened

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.store.history import History

SONGS = (("Harbour lights", 40.0), ("Søvn", -2.5))


@pytest.fixture
def history(tmp_path: Path) -> History:
    return opened(f"sqlite:///{tmp_path}/history.sqlite")


def test_written_with_a_take_and_read_for_some(history: History) -> None:
    first = history.keep(replace(TAKE, fingerprint=b"\x01\x00\xff", songs=SONGS))
    history.keep(replace(TAKE, date="2026-03-08"))
    third = history.keep(replace(TAKE, date="2026-03-15", fingerprint=b"\x01", tones=b"\x01\xfe"))
    assert fingerprints(history, [1, 2, 3]) == {
        first: KeptFingerprint(packed=b"\x01\x00\xff", songs=SONGS),
        third: KeptFingerprint(packed=b"\x01", songs=(), tones=b"\x01\xfe"),
    }
    assert list(fingerprints(history, [third])) == [third]
    assert fingerprints(history, []) == {}


@pytest.mark.parametrize("songs", ["{", "3", "[[1]]", '[["a", "soon"]]', "[3]"])
def test_damaged_names_are_one_line(history: History, songs: str) -> None:
    history.keep(replace(TAKE, fingerprint=b"\x01"))
    with history.transaction(writes=True) as connection:
        connection.execute(sa.text("UPDATE fingerprint SET songs = :songs"), {"songs": songs})
    with pytest.raises(HistoryError, match="cannot be used") as caught:
        fingerprints(history, [1])
    assert "\n" not in str(caught.value)
