"""Way of the words to the seats whose rooms are kept, with the voice as it is heard in today's feed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.seat.room_change import VERSION, checked_content
from deskhand.seat.words_path import WordsPath, kept_words_path

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.baseline.kept import KeptTakes
    from deskhand.mix.clearance import Clearance


def feed_of(voices: Sequence[Clearance], lead: str | None) -> tuple[float, str] | None:
    """Audible share of the voice whose words matter most, and its word; speech goes before singing."""
    spoken = [voice for voice in voices if voice.source != lead]
    voice = next(iter((*spoken, *(voice for voice in voices if voice.source == lead))), None)
    return None if voice is None else (voice.audible_pct.mono, voice.words.word(voice.audible_pct.mono))


def words_at_seats(takes: KeptTakes | None, voices: Sequence[Clearance], lead: str | None) -> tuple[WordsPath, ...]:
    """Way of the words to each seat whose room is kept; none while nobody is heard, or no room is kept.

    Raises
    ------
    HistoryError
        What is kept of a room is damaged.
    """
    feed = feed_of(voices, lead)
    if takes is None or feed is None:
        return ()
    paths = [
        kept_words_path(
            checked_content(record.content, seat=seat, measured_at=record.measured_at),
            seat=seat,
            measured_at=record.measured_at,
            feed=feed,
        )
        for seat, record in takes.rooms.items()
        if record.version == VERSION
    ]
    return tuple(path for path in paths if path is not None)
