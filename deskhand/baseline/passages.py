"""Passages of a take that were played in kept takes: an index of patches names candidates, an alignment of chroma decides.

A candidate's transposition and shift are those of the greatest correlation (the optimal transposition index of Serrà, Serrà &
Andrzejak, New J. Phys. 11 (2009), 093017, over time as well), and a local alignment around it tells from where to where. Songs
that share a loop of chords, a key and a tempo differ in what is sung: a passage is told where the voices agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.patches import PATCH, VOICE_WEIGHT, BandFeatures, band_features, candidates
from deskhand.dsp import alignment, chroma
from deskhand.measure.fingerprint import STEP_S

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from deskhand.measure.fingerprint import Fingerprint

    Array32 = NDArray[np.float32]

LEAST_S: Final = 30.0
"""Shortest passage that is told."""
_REACH: Final = 16
"""Frames by which a candidate is shifted either way: patches of the index begin 6 s apart, and tempi differ."""
_GATE: Final = 0.4
"""Correlation of a patch from which on it is aligned. Set by validations/songs.py, half to tune on."""
_LEAST_LIKE: Final = 0.5
"""Likeness of two frames with a voice in both, 1 for equal ones and 0 for strangers, that adds to a path. Set by validations/songs.py, half to tune on."""
_LEAST_LIKE_BAND: Final = 0.6
"""Likewise without a voice in one of them. Set by validations/songs.py, half to tune on."""
_SKIP_COST: Final = 0.2
"""Cost of a frame that a path skips: against paths that go from one like frame to the next. Set by validations/songs.py, half to tune on."""
_NARROW: Final = 6
"""Frames that a path may leave the diagonal of its candidate by: what shifts and tempi leave over. Common practice, no source."""
_WIDENING: Final = 10
"""Frames after which it may leave it by one more: a tempo of 10 % more or less."""
_LONGEST: Final = 300
"""Frames looked at on either side of a candidate: two and a half minutes; passages that meet are joined."""
_MOST_TEMPO: Final = 0.12
"""Natural logarithm of the tempo ratio: 8 %, and the tempo's own wandering."""
SURE_LIKENESS: Final = 0.54
"""Likeness of what is sung from which on a stretch is the same. Set by validations/songs.py, half to tune on."""
_SURE_BAND: Final = 0.5
"""Likeness of the band over a passage, in which players and arrangements may differ. Set by validations/songs.py, half to tune on."""
_AROUND: Final = 24
"""Steps on either side over which that likeness is the mean."""
_LEAST_SUNG: Final = 16
"""Steps with a voice among them that tell."""
_SOON_S: Final = 10.0
"""Gap between two passages that are one: a break of some bars. Common practice, no source."""
_SAME_PLACE_S: Final = 3.0
"""By so much two passages of one performance may lie apart from one line: the tempo wanders. Common practice, no source."""
_MOST_SHARED: Final = 0.34
"""Share of a passage that a better one of the same take may cover."""
_FIRST_LOOK: Final = 80
"""Frames on either side at which a candidate is looked at first: what is a passage is one there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """Passage of a take that was played in a kept take."""

    from_s: float
    to_s: float
    take_id: int
    """Number of the kept take."""
    kept_from_s: float
    kept_to_s: float
    transpose_semitones: int
    """By how much the take is higher than the kept one, -5 to 6."""
    tempo_ratio: float
    """Tempo of the take over that of the kept one."""
    score: float
    """How like the two are, 0 to 1."""

    @property
    def length_s(self) -> float:
        """Length in the take."""
        return self.to_s - self.from_s


class _Aligner:
    """Aligns a take with kept ones around candidates."""

    def __init__(self, own: BandFeatures) -> None:
        self._own = own
        classes = own.rows.reshape(-1, 2, chroma.CLASSES)
        # rotation r: pitch class k of the take, r semitones lower
        self._rotated = np.stack(
            [
                np.ascontiguousarray(np.roll(classes, -rotation, axis=2)).reshape(len(own.rows), -1)
                for rotation in range(chroma.CLASSES)
            ]
        )
        self._sums = np.zeros((chroma.CLASSES, 2 * _REACH + 1), np.float32)
        self._path = np.zeros((2 * _LONGEST, 2), np.int64)
        self._terms = np.array([1.0 / (1.0 - VOICE_WEIGHT), _LEAST_LIKE_BAND, _LEAST_LIKE, _SKIP_COST], np.float32)

    def path(self, kept: BandFeatures, start: int, kept_start: int) -> tuple[int, NDArray[np.int64]] | None:
        """Transposition and (steps, 2) frames of the best path through a candidate; None where it is too unlike."""
        alignment.correlations(
            self._rotated, kept.rows, start, kept_start, min(PATCH, len(self._own.rows) - start), self._sums
        )
        rotation, shift = np.unravel_index(int(np.argmax(self._sums)), self._sums.shape)
        if self._sums[rotation, shift] < _GATE:
            return None
        middle, kept_middle = start + PATCH // 2, kept_start + PATCH // 2 + int(shift) - _REACH
        path = self._local(int(rotation), kept, middle, kept_middle, _FIRST_LOOK)
        if _length_s(path) >= LEAST_S:
            path = self._local(int(rotation), kept, middle, kept_middle, _LONGEST)
        return int(rotation), path

    def _local(self, rotation: int, kept: BandFeatures, middle: int, kept_middle: int, reach: int) -> NDArray[np.int64]:
        """(steps, 2) frames of the best path within so many frames of a candidate."""
        first, last = max(0, middle - reach), min(len(self._own.rows), middle + reach)
        columns = 2 * (_NARROW + reach // _WIDENING) + 1
        count = alignment.local_path(
            self._rotated[rotation],
            kept.rows,
            self._own.voiced,
            kept.voiced,
            np.array([first, last, middle, kept_middle, _NARROW, _WIDENING]),
            self._terms,
            np.empty((last - first, columns), np.float32),
            np.empty((last - first, columns), np.int8),
            self._path,
        )
        return self._path[:count][::-1].copy()

    def passages(
        self, kept: BandFeatures, take_id: int, rotation: int, path: NDArray[np.int64], sure_likeness: float
    ) -> list[Passage]:
        """Passages of a path: its stretches along which the voices agree."""
        products = self._rotated[rotation][path[:, 0]] * kept.rows[path[:, 1]]
        voiced = self._own.voiced[path[:, 0]] & kept.voiced[path[:, 1]]
        voice = products[:, chroma.CLASSES :].sum(axis=1) / VOICE_WEIGHT
        passages = []
        stretches = [
            straight for stretch in _agreeing(voice, voiced, sure_likeness) for straight in _straight(path, *stretch)
        ]
        for first, last in stretches:
            (begin, kept_begin), (end, kept_end) = path[first], path[last - 1] + 1
            sung = voiced[first:last]
            band = float(products[first:last, : chroma.CLASSES].sum(axis=1).mean()) / (1.0 - VOICE_WEIGHT)
            passage = Passage(
                from_s=float(begin * STEP_S),
                to_s=float(end * STEP_S),
                take_id=take_id,
                kept_from_s=float(kept_begin * STEP_S),
                kept_to_s=float(kept_end * STEP_S),
                transpose_semitones=(rotation + 5) % chroma.CLASSES - 5,
                tempo_ratio=float((kept_end - kept_begin) / (end - begin)),
                score=float((voice[first:last] * sung).sum() / max(1, sung.sum())),
            )
            if passage.length_s >= LEAST_S and band >= _SURE_BAND and abs(np.log(passage.tempo_ratio)) <= _MOST_TEMPO:
                passages.append(passage)
        return passages


def _straight(path: NDArray[np.int64], first: int, last: int) -> list[tuple[int, int]]:
    """First and last steps (excluded) of pieces of a stretch that keep to one line each: parted where it is left by most."""
    if last - first < 2:
        return []
    rows = path[first:last]
    line = np.interp(rows[:, 0], rows[[0, -1], 0], rows[[0, -1], 1])
    away = np.abs(rows[:, 1] - line)
    corner = int(np.argmax(away))
    if away[corner] * STEP_S <= _SAME_PLACE_S:
        return [(first, last)]
    return [*_straight(path, first, first + corner), *_straight(path, first + corner, last)]


def _agreeing(voice: Array32, voiced: NDArray[np.bool_], sure_likeness: float) -> list[tuple[int, int]]:
    """First and last step (excluded) of the stretches of a path along which what is sung is alike.

    Parameters
    ----------
    voice : (steps,) array
        Likeness of the voices.
    voiced : (steps,) array
        Steps at which somebody sings in both.
    """
    edges = np.arange(len(voice))
    low, high = np.maximum(edges - _AROUND, 0), np.minimum(edges + _AROUND + 1, len(voice))

    def windowed(values: NDArray[np.float64]) -> NDArray[np.float64]:
        sums = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(sums[high] - sums[low])

    sung = windowed(voiced.astype(np.float64))
    likeness = windowed(np.where(voiced, voice, 0.0).astype(np.float64)) / np.maximum(sung, 1.0)
    enough = sung >= _LEAST_SUNG
    sure = enough & (likeness >= sure_likeness)
    unsure = enough & ~sure
    stretches = []
    begin = None
    last_sure = 0
    for step in range(len(voice)):
        if sure[step]:
            begin = step if begin is None else begin
            last_sure = step
        elif unsure[step] and begin is not None:
            stretches.append((begin, last_sure + 1))
            begin = None
    if begin is not None:
        stretches.append((begin, last_sure + 1))
    return stretches


def passages(
    fingerprint: Fingerprint, kept: Mapping[int, Fingerprint], *, sure_likeness: float = SURE_LIKENESS
) -> list[Passage]:
    """Passages of a take that were played in kept takes, in the order of time; one of the take may be in several kept ones.

    Parameters
    ----------
    fingerprint : Fingerprint
    kept : mapping
        Number of a kept take to its fingerprint.
    sure_likeness : float
        Likeness of what is sung from which on a passage is told.
    """
    kept_features = {take: band_features(kept_print) for take, kept_print in kept.items() if kept_print.frames >= PATCH}
    if fingerprint.frames < PATCH or not kept_features:
        return []
    own = band_features(fingerprint)
    aligner = _Aligner(own)
    paths: dict[int, list[NDArray[np.int64]]] = {}
    sure: list[Passage] = []
    for start, take, kept_start in candidates(own, kept_features):
        if any(_covers(path, start + PATCH // 2, kept_start + PATCH // 2) for path in paths.get(take, ())):
            continue
        aligned = aligner.path(kept_features[take], start, kept_start)
        if aligned is None:
            continue
        rotation, path = aligned
        if _length_s(path) < LEAST_S:
            continue
        paths.setdefault(take, []).append(path)
        sure += aligner.passages(kept_features[take], take, rotation, path, sure_likeness)
    return _without_rivals(_joined(sure))


def _joined(passages: list[Passage]) -> list[Passage]:
    """Passages, those in one that go on where another of the same kept take and key ends."""
    by_key: dict[tuple[int, int], list[Passage]] = {}
    for passage in sorted(passages, key=lambda passage: passage.from_s):
        joined = by_key.setdefault((passage.take_id, passage.transpose_semitones), [])
        earlier = next((before for before in joined if _goes_on(before, passage)), None)
        if earlier is None:
            joined.append(passage)
        else:
            joined[joined.index(earlier)] = _both(earlier, passage)
    return [passage for joined in by_key.values() for passage in joined]


def _both(earlier: Passage, later: Passage) -> Passage:
    """Passage from the start of one to the end of both."""
    to_s, kept_to_s = max((earlier.to_s, earlier.kept_to_s), (later.to_s, later.kept_to_s))
    return replace(
        earlier,
        to_s=to_s,
        kept_to_s=kept_to_s,
        tempo_ratio=(kept_to_s - earlier.kept_from_s) / (to_s - earlier.from_s),
        score=float(np.average((earlier.score, later.score), weights=(earlier.length_s, later.length_s))),
    )


def _goes_on(earlier: Passage, passage: Passage) -> bool:
    """True where a passage begins within an earlier one or soon after its end, at the same place of the kept take."""
    if not earlier.from_s <= passage.from_s <= earlier.to_s + _SOON_S:
        return False
    share = (passage.from_s - earlier.from_s) / earlier.length_s
    expected_s = earlier.kept_from_s + share * (earlier.kept_to_s - earlier.kept_from_s)
    return abs(passage.kept_from_s - expected_s) <= _SAME_PLACE_S


def _without_rivals(passages: list[Passage]) -> list[Passage]:
    """Passages without those that a better one of the same kept take covers for the most part, in the order of time."""
    chosen: list[Passage] = []
    for passage in sorted(passages, key=lambda passage: -passage.score * passage.length_s):
        rivals = [rival for rival in chosen if rival.take_id == passage.take_id]
        shared_s = sum(max(0.0, min(passage.to_s, rival.to_s) - max(passage.from_s, rival.from_s)) for rival in rivals)
        if shared_s <= _MOST_SHARED * passage.length_s:
            chosen.append(passage)
    return sorted(chosen, key=lambda passage: (passage.from_s, passage.take_id))


def _length_s(path: NDArray[np.int64]) -> float:
    """Length of a path in the take; 0 for none."""
    return float(path[-1, 0] + 1 - path[0, 0]) * STEP_S if len(path) else 0.0


def _covers(path: NDArray[np.int64], row: int, kept_row: int) -> bool:
    """True where a path runs past a candidate, by the shift of a patch at most."""
    if not path[0, 0] <= row <= path[-1, 0]:
        return False
    return abs(int(np.interp(row, path[:, 0], path[:, 1])) - kept_row) <= _REACH
