"""Fingerprints of kept takes and the names of their songs, written with a take and read for those that are compared with."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from deskhand.store.tables import FINGERPRINT

if TYPE_CHECKING:
    from collections.abc import Collection

    from deskhand.store.history import History


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFingerprint:
    """Fingerprint of a kept take."""

    packed: bytes
    songs: tuple[tuple[str, float], ...]
    """Names of its songs and where each begins, in seconds from the start of the take."""
    tones: bytes | None = None
    """Packed courses of its sources' tones, by the names they had then; None where they were not kept."""


def fingerprints(history: History, takes: Collection[int]) -> dict[int, KeptFingerprint]:
    """Number of a kept take to its fingerprint, for those of some takes that have one.

    Parameters
    ----------
    history : History
    takes : collection of int

    Raises
    ------
    HistoryError
        A row is damaged.
    """
    query = sa.select(FINGERPRINT).where(FINGERPRINT.c.take_id.in_(list(takes))).order_by(FINGERPRINT.c.take_id)
    with history.transaction() as connection:
        return {
            row.take_id: KeptFingerprint(
                packed=bytes(row.packed),
                songs=_songs_of(row.songs),
                tones=None if row.tones is None else bytes(row.tones),
            )
            for row in connection.execute(query)
        }


def _songs_of(text: Any) -> tuple[tuple[str, float], ...]:
    """Names and begins of songs from their JSON.

    Raises
    ------
    ValueError
        It holds something else.
    """
    songs = json.loads(text)
    if not isinstance(songs, list):
        raise ValueError("the songs of a take are no list")  # noqa: TRY004 - damaged data, not a caller's mistake
    try:
        return tuple((str(name), float(begin_s)) for name, begin_s in songs)
    except TypeError as error:
        raise ValueError("the songs of a take are no names and times") from error
