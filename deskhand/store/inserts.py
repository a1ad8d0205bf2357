"""Rows of a kept take as they are inserted, each value with the version of its definition."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from deskhand.store.months import count_month
from deskhand.store.people import stand_ins_of
from deskhand.store.rows import PART_NAMES
from deskhand.store.tables import FINGERPRINT, PART, TAKE, VALUE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.store.records import KeptTake

FIRST_VERSION: Final = 1
"""Version of a reading that none is named of, and of all that were kept before versions were."""
_LISTS: Final = ("left_out", "faults")
"""Columns of a take that hold a list of names, as JSON."""
_WRITTEN_LATER: Final = frozenset({"id", "kept_at", "forgotten_by", "forgotten_at", "replaced_by", "restored_by", "restored_at"})  # fmt: skip


def version_of(metric: str, versions: Mapping[str, int]) -> int:
    """Version of a reading.

    Parameters
    ----------
    metric : str
    versions : mapping
        Name of a reading to its version; one that ends in a dot stands for all its bands.

    Examples
    --------
    >>> version_of("tone_db.1000", {"tone_db.": 3}), version_of("tail_s", {"tone_db.": 3})
    (3, 1)
    """
    stem, dot, _ = metric.partition(".")
    return versions.get(metric, versions.get(stem + dot, FIRST_VERSION) if dot else FIRST_VERSION)


def insert_take(connection: sa.Connection, take: KeptTake, *, kept_at: str) -> int:
    """Write a take with its parts and values, in the caller's transaction; its number."""
    columns = {column.name: getattr(take, column.name) for column in TAKE.columns if column.name not in _WRITTEN_LATER}
    columns |= {name: json.dumps(list(columns[name])) for name in _LISTS}
    stand_ins = stand_ins_of(connection.dialect)
    if stand_ins is not None:
        stand_ins.meet((part.player, part.role) for part in take.parts if part.player is not None)
    number = connection.execute(sa.insert(TAKE).values(columns | {"kept_at": kept_at})).inserted_primary_key
    assert number is not None
    rows: list[dict[str, Any]] = []
    for part in take.parts:
        key = connection.execute(
            sa.insert(PART).values(take_id=number[0], **{name: getattr(part, name) for name in PART_NAMES})
        ).inserted_primary_key
        assert key is not None
        rows += [
            {
                "part_id": key[0],
                "metric": metric,
                "value": value,
                "pm": pm,
                "version": version_of(metric, take.versions),
            }
            for metric, (value, pm) in part.values.items()
        ]
    if rows:
        connection.execute(sa.insert(VALUE), rows)
    if take.fingerprint is not None:
        songs = json.dumps([[name, begin_s] for name, begin_s in take.songs])
        values = {"take_id": number[0], "packed": take.fingerprint, "songs": songs, "tones": take.tones}
        connection.execute(sa.insert(FINGERPRINT).values(values))
    count_month(connection, house=take.house, date=take.date)
    return int(number[0])
