"""Songs of a take that were played in kept takes: passages of many takes put together, with names where somebody wrote them down."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.baseline.passages import passages
from deskhand.measure.fingerprint import unpacked

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.baseline.passages import Passage
    from deskhand.measure.fingerprint import Fingerprint
    from deskhand.store import TakeRow
    from deskhand.store.fingerprints import KeptFingerprint

_ONE_SONG: Final = 0.5
"""Share of the shorter of two passages that they share when they are of one song. Common practice, no source."""

Names = tuple[tuple[str, float], ...]
"""Names of songs and where each begins, in the order of time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSong:
    """Passage of a kept take that is played again."""

    take: int
    """Number of the kept take."""
    show: str
    date: str | None
    from_s: float
    """Where it begins in this recording."""
    to_s: float
    kept_from_s: float
    """Where it begins in the kept recording."""
    kept_to_s: float
    transpose_semitones: int
    """By how much it is higher than it was then."""
    tempo_ratio: float
    """Its tempo over that of then."""
    likeness: float
    """How like what is sung is to what was sung then: 1 for the same notes, 0 for strangers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecognisedSong:
    """Song of this take that was played in kept ones."""

    name: str | None
    """Name that this show's note or that of a kept one gives it; null where none does."""
    from_s: float
    to_s: float
    kept: tuple[KeptSong, ...]
    """Where it was played before, the newest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SongsResult:
    """Songs of a take against the kept ones."""

    kept: int
    """Kept takes in which they were looked for."""
    named: tuple[str, ...]
    """Songs that this show's note names, in the order of time."""
    recognised: tuple[RecognisedSong, ...]


def passages_in(fingerprint: Fingerprint, kept: Mapping[int, KeptFingerprint]) -> list[Passage]:
    """Passages of a take that were played in kept takes; a damaged fingerprint, or one of another version, is passed over.

    Parameters
    ----------
    fingerprint : Fingerprint
    kept : mapping
        Number of a kept take to its fingerprint as it was kept.
    """
    readable = {}
    for take, kept_fingerprint in kept.items():
        try:
            readable[take] = unpacked(kept_fingerprint.packed)
        except ValueError:
            continue
    return passages(fingerprint, readable)


def songs_result(
    sure: Sequence[Passage],
    takes: Sequence[TakeRow],
    kept: Mapping[int, KeptFingerprint],
    *,
    start_s: float,
    names: Names,
) -> SongsResult:
    """Songs of a take, from its passages.

    Parameters
    ----------
    sure : sequence of Passage
        Passages, in seconds from the start of the stretch.
    takes : sequence of TakeRow
        Kept takes, oldest first.
    kept : mapping
        Number of a kept take to its fingerprint.
    start_s : float
        Where the stretch begins in its recording.
    names : tuple of (str, float)
        Songs that the show's note names, in seconds from the start of the recording.
    """
    return SongsResult(
        kept=len(kept),
        named=tuple(name for name, _ in names),
        recognised=tuple(_song(group, takes, kept, start_s, names) for group in _by_song(sure)),
    )


def _by_song(sure: Sequence[Passage]) -> list[list[Passage]]:
    """Passages of each song, in the order of time: those that share most of their time are of one."""
    groups: list[list[Passage]] = []
    for passage in sorted(sure, key=lambda passage: passage.from_s):
        near = [group for group in groups if any(_of_one_song(passage, other) for other in group)]
        merged = [other for group in near for other in group]
        groups = [*(group for group in groups if group not in near), [*merged, passage]]
    return sorted(groups, key=lambda group: min(passage.from_s for passage in group))


def _of_one_song(first: Passage, second: Passage) -> bool:
    """True where two passages share most of the shorter one's time."""
    shared_s = min(first.to_s, second.to_s) - max(first.from_s, second.from_s)
    return shared_s >= _ONE_SONG * min(first.length_s, second.length_s)


def _song(
    group: Sequence[Passage],
    takes: Sequence[TakeRow],
    kept: Mapping[int, KeptFingerprint],
    start_s: float,
    names: Names,
) -> RecognisedSong:
    """Song of some passages."""
    order = {row.id: position for position, row in enumerate(takes)}
    group = sorted(group, key=lambda passage: (-order[passage.take_id], passage.from_s))
    from_s, to_s = min(passage.from_s for passage in group), max(passage.to_s for passage in group)
    tonight = name_between(names, start_s + from_s, start_s + to_s)
    earlier = Counter(
        name
        for passage in group
        if (name := name_between(kept[passage.take_id].songs, passage.kept_from_s, passage.kept_to_s)) is not None
    )
    return RecognisedSong(
        name=tonight or (earlier.most_common(1)[0][0] if earlier else None),
        from_s=round(start_s + from_s, 1),
        to_s=round(start_s + to_s, 1),
        kept=tuple(_kept_song(passage, takes[order[passage.take_id]], start_s) for passage in group),
    )


def _kept_song(passage: Passage, row: TakeRow, start_s: float) -> KeptSong:
    """Passage as the result tells it, its times from the start of both recordings."""
    kept_start_s = row.start_s or 0.0
    return KeptSong(
        take=row.id,
        show=row.show,
        date=row.date,
        from_s=round(start_s + passage.from_s, 1),
        to_s=round(start_s + passage.to_s, 1),
        kept_from_s=round(kept_start_s + passage.kept_from_s, 1),
        kept_to_s=round(kept_start_s + passage.kept_to_s, 1),
        transpose_semitones=passage.transpose_semitones,
        tempo_ratio=round(passage.tempo_ratio, 3),
        likeness=round(passage.score, 2),
    )


def name_between(names: Names, from_s: float, to_s: float) -> str | None:
    """Name of the song that most of a stretch belongs to; each lasts until the next begins.

    Examples
    --------
    >>> songs = (("Harbour lights", 40.0), ("Slow train", 310.0))
    >>> name_between(songs, 35.0, 250.0), name_between(songs, 320.0, 400.0), name_between(songs, 0.0, 30.0)
    ('Harbour lights', 'Slow train', None)
    """
    ends_s = [begin_s for _, begin_s in names[1:]] + [float("inf")]
    shares = {
        (begin_s, name): min(to_s, end_s) - max(from_s, begin_s)
        for (name, begin_s), end_s in zip(names, ends_s, strict=False)
    }
    (_, name), shared_s = max(shares.items(), key=lambda item: item[1], default=((0.0, ""), 0.0))
    return name if shared_s > _ONE_SONG * (to_s - from_s) else None
