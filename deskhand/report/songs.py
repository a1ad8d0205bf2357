"""Songs that were played in kept weeks, in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.recording.names import dated
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.baseline.songs import RecognisedSong
    from deskhand.result import CheckResult

_MOST_SONGS: Final = 6
"""Songs told in one line; the others are counted. Common practice, no source."""
_OTHER_TEMPO: Final = 0.03
"""Share of the tempo from which on another one is told: less is a matter of the evening. Common practice, no source."""


_SONGS: Final = "{count}{total} songs were played in kept weeks: {listed}."


def songs_line(result: CheckResult) -> str:
    """Songs of this take that were played in kept weeks, with the newest week; empty where none was."""
    songs = result.songs
    if songs is None or not songs.recognised:
        return ""
    count = len(songs.recognised)
    listed = [_song_text(song) for song in songs.recognised[:_MOST_SONGS]]
    if count > _MOST_SONGS:
        listed.append(phrase("and {others} more", others=count - _MOST_SONGS))
    total = phrase(" of {total}", total=len(songs.named)) if len(songs.named) > count else ""
    alone = count == 1 and not total
    entry = "{count}{total} song was played in kept weeks: {listed}." if alone else _SONGS
    return phrase(entry, count=count, total=total, listed="; ".join(listed))


def _song_text(song: RecognisedSong) -> str:
    """Song with its time, and the newest week in which it was played."""
    newest = song.kept[0]
    name = f"{song.name} " if song.name else ""
    when = newest.date or dated(newest.show, None)
    text = phrase(
        "{name}{begin:clock}–{end:clock} as on {when}", name=name, begin=song.from_s, end=song.to_s, when=when
    )
    changes = []
    if newest.transpose_semitones:
        steps = abs(newest.transpose_semitones)
        direction = phrase("higher" if newest.transpose_semitones > 0 else "lower")
        changes.append(phrase("{steps} semitone{steps:plural} {direction}", steps=steps, direction=direction))
    if abs(newest.tempo_ratio - 1.0) >= _OTHER_TEMPO:
        share_pct = 100.0 * abs(newest.tempo_ratio - 1.0)
        changes.append(f"{number(share_pct, 0)} % {phrase('faster' if newest.tempo_ratio > 1.0 else 'slower')}")
    weeks = len({kept.take for kept in song.kept})
    if weeks > 1:
        changes.append(phrase("in {weeks} kept weeks", weeks=weeks))
    return text + (f" ({', '.join(changes)})" if changes else "")
