"""Songs that were played in kept weeks, in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.recording.names import dated
from deskhand.units import clock, number

if TYPE_CHECKING:
    from deskhand.baseline.songs import RecognisedSong
    from deskhand.result import CheckResult

_MOST_SONGS: Final = 6
"""Songs told in one line; the others are counted. Common practice, no source."""
_OTHER_TEMPO: Final = 0.03
"""Share of the tempo from which on another one is told: less is a matter of the evening. Common practice, no source."""


def songs_line(result: CheckResult) -> str:
    """Songs of this take that were played in kept weeks, with the newest week; empty where none was."""
    songs = result.songs
    if songs is None or not songs.recognised:
        return ""
    count = len(songs.recognised)
    listed = [_song_text(song) for song in songs.recognised[:_MOST_SONGS]]
    if count > _MOST_SONGS:
        listed.append(f"and {count - _MOST_SONGS} more")
    total = f" of {len(songs.named)}" if len(songs.named) > count else ""
    verb = "was" if count == 1 and not total else "were"
    return f"{count}{total} song{'s' if count > 1 or total else ''} {verb} played in kept weeks: {'; '.join(listed)}."


def _song_text(song: RecognisedSong) -> str:
    """Song with its time, and the newest week in which it was played."""
    newest = song.kept[0]
    name = f"{song.name} " if song.name else ""
    text = f"{name}{clock(song.from_s)}–{clock(song.to_s)} as on {newest.date or dated(newest.show, None)}"
    changes = []
    if newest.transpose_semitones:
        steps = abs(newest.transpose_semitones)
        direction = "higher" if newest.transpose_semitones > 0 else "lower"
        changes.append(f"{steps} semitone{'s' if steps > 1 else ''} {direction}")
    if abs(newest.tempo_ratio - 1.0) >= _OTHER_TEMPO:
        share_pct = 100.0 * abs(newest.tempo_ratio - 1.0)
        changes.append(f"{number(share_pct, 0)} % {'faster' if newest.tempo_ratio > 1.0 else 'slower'}")
    weeks = len({kept.take for kept in song.kept})
    if weeks > 1:
        changes.append(f"in {weeks} kept weeks")
    return text + (f" ({', '.join(changes)})" if changes else "")
