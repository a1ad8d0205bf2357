"""Tracks of a recording matched to the sources of a house."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.recording.names import key

if TYPE_CHECKING:
    from deskhand.house.model import HouseFile


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedTracks:
    """Tracks of a recording by the source they belong to."""

    by_source: dict[str, tuple[int | None, ...]]
    """Source name to track positions (from 0); None where the recording has no such track."""
    seats: dict[str, int]
    """Seat to its track (from 0), for those that the recording has."""
    mix: tuple[int, ...]
    """Tracks that hold the desk's own mix."""
    unmatched: tuple[int, ...]
    """Tracks that no source claims."""


def match_tracks(house: HouseFile, track_names: list[str]) -> MatchedTracks:
    """Match sources to tracks; case, numbering and punctuation are ignored; a number is a channel of the recording.

    A source of one track that the recording does not have is looked for under its earlier names.
    """
    positions: dict[str, int] = {}
    for position, name in enumerate(track_names):
        positions.setdefault(key(name), position)
    claimed: set[int] = set()

    def find(track: str | int) -> int | None:
        position = track - 1 if isinstance(track, int) else positions.get(key(track))
        if position is None or not 0 <= position < len(track_names):
            return None
        claimed.add(position)
        return position

    by_source = {source.name: tuple(find(track) for track in source.tracks) for source in house.source}
    for source in house.source:
        # a recording made before a source was renamed may hold its one track under an earlier name
        for former in source.was if by_source[source.name] == (None,) else ():
            under_former = positions.get(key(former))
            if under_former is not None and under_former not in claimed:
                by_source[source.name] = (under_former,)
                claimed.add(under_former)
    seats = {seat.name: find(seat.tracks[0]) for seat in house.seat if seat.used}
    mix = tuple(position for position in map(find, house.desk.mix) if position is not None)
    for seat in house.seat:
        find(seat.tracks[0])  # one that is not used is nobody else's either
    unmatched = tuple(position for position in range(len(track_names)) if position not in claimed)
    return MatchedTracks(
        by_source=by_source,
        seats={name: position for name, position in seats.items() if position is not None},
        mix=mix,
        unmatched=unmatched,
    )
