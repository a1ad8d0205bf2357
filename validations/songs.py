"""Songs known again: passages of performances against kept rehearsals, in other keys, tempi, by others, and songs like them.

python -m validations.songs --audio FOLDER --half tune --work FOLDER

The recordings are no part of the project (`tests/support/stage/library.py`). What was counted is written to a file a half in the
work folder; the page is made from both.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, get_args

import numpy as np

from deskhand.baseline.passages import SURE_LIKENESS, passages
from deskhand.files import write_atomically
from deskhand.measure.fingerprint import Fingerprint, FingerprintReader, unpacked
from tests.support.stage.library import VARIABLE, Half, folder_given, open_library
from tests.support.stage.score import seeded
from tests.support.stage.songbook import COUSINS, RATE_HZ, Piece, Rendition, SongPlace, rehearsal, song_of
from tools.provenance import write_page

if TYPE_CHECKING:
    from deskhand.baseline.passages import Passage
    from tests.support.stage.library import Library

WORK: Final = Path(tempfile.gettempdir()) / "deskhand-songs"
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-songs.md"
THRESHOLDS: Final = (0.46, 0.5, SURE_LIKENESS, 0.62)
"""Likenesses among which one was chosen on the half to tune on; the other half is counted with it alone."""
SONGS: Final = 60
KEPT_SONGS: Final = 45
"""Songs of the repertoire that are kept; the others are strangers."""
LENGTHS_S: Final = (20, 40, 80)
KEPT_WEEKS: Final = (5, 10, 30)
REPERTOIRES: Final = (25, 60)
EVENINGS: Final = 6
"""Evenings that are set against the kept weeks, a repertoire."""
CONDITIONS: Final[dict[str, Rendition]] = {
    "as it was, another evening": Rendition(),
    "8 % faster": Rendition(tempo=1.08),
    "8 % slower": Rendition(tempo=1 / 1.08),
    "in another key": Rendition(transpose=1),
    "other players and instruments": Rendition(arrangement=1),
    "another singer, freely": Rendition(freedom=3.0),
    "all of these": Rendition(transpose=1, tempo=1.06, arrangement=1, freedom=2.0),
    "nobody sings": Rendition(sings=False),
}
"""How a passage differs from the kept performance; transpose 1 stands for any other key."""


@dataclass(slots=True)
class Count:
    """Passages told and looked for."""

    looked_for: int = 0
    found: int = 0
    told: int = 0
    wrong_song: int = 0
    wrong_place: int = 0

    def add(self, other: Count) -> None:
        """Add another count."""
        for name, value in asdict(other).items():
            setattr(self, name, getattr(self, name) + value)


@dataclass(frozen=True, slots=True, eq=False)
class Evening:
    """Rehearsal with its pieces."""

    pieces: list[Piece]
    fingerprint: Fingerprint


def evening_of(
    library: Library, plays: list[tuple[int, Rendition, int, int | None]], repertoire: int, seed: int
) -> Evening:
    """Rehearsal of some songs of a repertoire, read and packed as a kept take is."""
    songs = [(song_of(repertoire, number), rendition, first, beats) for number, rendition, first, beats in plays]
    pieces, sums = rehearsal(library, songs, seed)
    reader = FingerprintReader(float(RATE_HZ))
    for start in range(0, sums.shape[1], RATE_HZ):
        reader.take(sums[:, start : start + RATE_HZ])
    return Evening(pieces, unpacked(reader.fingerprint().packed()))


def judged(passage: Passage, tonight: Evening, kept: Evening) -> tuple[float, float]:
    """Shares of a passage in which the same song, and the same place of it, is played in both."""
    times_s = np.arange(passage.from_s + 1.0, passage.to_s - 1.0)
    slope = (passage.kept_to_s - passage.kept_from_s) / passage.length_s
    same_song = same_place = 0
    for time_s in times_s:
        here = _place(tonight, time_s)
        there = _place(kept, passage.kept_from_s + (time_s - passage.from_s) * slope)
        if here is not None and there is not None and here.song == there.song:
            same_song += 1
            same_place += here.is_like(there)
    return same_song / len(times_s), same_place / len(times_s)


def _place(evening: Evening, time_s: float) -> SongPlace | None:
    """Place in a song at a time of an evening; None between songs."""
    piece = next((piece for piece in evening.pieces if piece.begin_s <= time_s <= piece.end_s), None)
    return None if piece is None else piece.place_at(time_s)


def counted(
    tonight: Evening, kept: dict[int, Evening], sure: float, *, least_s: float = 35.0
) -> tuple[Count, list[tuple[float, float]]]:
    """Passages told and found of an evening, and the stretches of it that are rightly recognised.

    A performance is looked for in each kept take that holds `least_s` of the same beats; it is found where half of what both play is told.
    """
    told = passages(
        tonight.fingerprint, {number: evening.fingerprint for number, evening in kept.items()}, sure_likeness=sure
    )
    count, right = Count(told=len(told)), []
    for passage in told:
        same_song, same_place = judged(passage, tonight, kept[passage.take_id])
        if same_song < 0.5:
            count.wrong_song += 1
        elif same_place < 0.75:
            count.wrong_place += 1
        else:
            right.append(passage)
    for piece in tonight.pieces:
        for number, evening in kept.items():
            for other in evening.pieces:
                shared_s = _shared_s(piece, other)
                if shared_s is None or shared_s[1] - shared_s[0] < least_s:
                    continue
                spans = [(passage.from_s, passage.to_s) for passage in right if passage.take_id == number]
                count.looked_for += 1
                count.found += covered(spans, *shared_s) >= 0.5
    return count, [(passage.from_s, passage.to_s) for passage in right]


def _shared_s(piece: Piece, other: Piece) -> tuple[float, float] | None:
    """Stretch of a piece, in its rehearsal, whose beats another performance has too."""
    mine, theirs = piece.performance, other.performance
    if mine.song != theirs.song:
        return None
    first = max(mine.first_beat, theirs.first_beat)
    last = min(mine.first_beat + mine.beat_times_s.size, theirs.first_beat + theirs.beat_times_s.size) - 1
    if last <= first:
        return None
    begin_s, end_s = np.interp(
        [first, last], mine.first_beat + np.arange(mine.beat_times_s.size), piece.begin_s + mine.beat_times_s
    )
    return float(begin_s), float(end_s)


def covered(spans: list[tuple[float, float]], begin_s: float, end_s: float) -> float:
    """Share of a stretch that some spans cover."""
    times_s = np.arange(begin_s, end_s, 0.5)
    return float(np.mean([any(first <= time_s <= last for first, last in spans) for time_s in times_s]))


def kept_evenings(library: Library) -> dict[int, Evening]:
    """Kept rehearsals of the passage study: every kept song twice, by its own band, in its own key."""
    order = [number for turn in (0, 1) for number in seeded("order", turn).permutation(KEPT_SONGS)]
    weeks = [order[first : first + 5] for first in range(0, len(order), 5)]
    return {
        week: evening_of(library, [(int(number), Rendition(players=week), 0, None) for number in numbers], 1, week)
        for week, numbers in enumerate(weeks, 1)
    }


def varied(rendition: Rendition, rng: np.random.Generator, players: int) -> Rendition:
    """Rendition of a condition for one passage: which key and which arrangement is drawn."""
    keys = [key for key in range(-5, 7) if key]
    return Rendition(
        transpose=int(rng.choice(keys)) if rendition.transpose else 0, tempo=rendition.tempo,
        arrangement=int(rng.integers(1, 90)) if rendition.arrangement else 0, players=players,
        freedom=rendition.freedom, sings=rendition.sings,
    )  # fmt: skip


def passage_study(library: Library) -> dict[str, dict[str, Count]]:
    """Counts by condition and length, at the product's threshold; and of strangers, and by threshold, at 40 s."""
    kept = kept_evenings(library)
    thresholds = THRESHOLDS if library.half == "tune" else (SURE_LIKENESS,)
    tables: dict[str, dict[str, Count]] = defaultdict(lambda: defaultdict(Count))
    for condition, rendition in CONDITIONS.items():
        for length_s in LENGTHS_S:
            rng = seeded("passages", condition, length_s)
            for first in range(0, KEPT_SONGS, 3):
                plays: list[tuple[int, Rendition, int, int | None]] = []
                for number in range(first, first + 3):
                    song, played = song_of(1, number), varied(rendition, rng, 1000 + first)
                    beats = round(length_s / song.beat_s * played.tempo)
                    begin = int(rng.integers(16, max(17, song.beats - beats)))
                    plays.append((number, played, begin, beats))
                tonight = evening_of(library, plays, 1, 5000 + first)
                for sure in thresholds if length_s == 40 else (SURE_LIKENESS,):
                    count, _ = counted(tonight, kept, sure, least_s=0.8 * length_s)
                    if sure == SURE_LIKENESS:
                        tables[condition][f"{length_s}"].add(count)
                    if length_s == 40 and condition != "nobody sings":
                        tables["threshold"][f"{sure:g}"].add(count)
        print(
            condition,
            {name: (count.found, count.looked_for, count.told) for name, count in tables[condition].items()},
            flush=True,
        )
    strangers = [*(COUSINS + number for number in range(KEPT_SONGS)), *range(KEPT_SONGS, SONGS)]
    for number in strangers:
        rendition = varied(CONDITIONS["other players and instruments"], seeded("stranger", number), 2000 + number)
        tonight = evening_of(library, [(number, rendition, 0, None)], 1, 7000 + number)
        for sure in thresholds:
            count, _ = counted(tonight, kept, sure)
            tables["threshold"][f"{sure:g}"].add(count)
            if sure == SURE_LIKENESS:
                tables["strangers"]["cousins" if number >= COUSINS else "others"].add(
                    Count(looked_for=1, told=count.told)
                )
    tables["strangers"]["nobody sings"] = _nobody_sings(library, kept)
    print(
        "strangers", {name: (count.looked_for, count.told) for name, count in tables["strangers"].items()}, flush=True
    )
    return tables


def _nobody_sings(library: Library, kept: dict[int, Evening]) -> Count:
    """Count of the passages told where nobody sings, in the take and in the kept ones; the microphones are open."""
    silent = {}
    for week, evening in kept.items():
        numbers = [piece.performance.song.number for piece in evening.pieces]
        rendition = Rendition(players=week, sings=False)
        silent[week] = evening_of(library, [(number, rendition, 0, None) for number in numbers], 1, week)
    total = Count()
    for week in list(silent)[:6]:
        others = {number: other for number, other in silent.items() if number != week}
        count, _ = counted(silent[week], others, SURE_LIKENESS)
        total.add(Count(looked_for=1, told=count.told))
    return total


def evenings_of(library: Library, repertoire: int, count: int) -> list[Evening]:
    """Weekly rehearsals of a house: three to six songs, some in part, now and then in another key or with other players."""
    evenings = []
    for week in range(count):
        rng = seeded("week of songs", repertoire, week)
        plays: list[tuple[int, Rendition, int, int | None]] = []
        for number in rng.choice(repertoire, int(rng.integers(3, 7)), replace=False):
            song = song_of(100 + repertoire, int(number))
            rendition = Rendition(
                transpose=0 if rng.random() < 0.8 else int(rng.choice([-3, -2, -1, 1, 2, 3])),
                tempo=float(np.exp(np.clip(rng.normal(0.0, 0.03), -0.08, 0.08))),
                arrangement=0 if rng.random() < 0.7 else int(rng.integers(1, 90)), players=week,
                freedom=float(rng.uniform(1.0, 3.0)),
            )  # fmt: skip
            whole = rng.random() < 0.7
            first = 0 if whole else int(rng.integers(0, song.beats // 2))
            plays.append((int(number), rendition, first, None if whole else int(rng.integers(60, 200))))
        evenings.append(evening_of(library, plays, 100 + repertoire, 100 * repertoire + week))
    return evenings


def rehearsal_study(library: Library, repertoire: int) -> dict[str, dict[str, float]]:
    """Shares of the time with songs that are recognised, by how many weeks are kept, beside those that were played before at all."""
    evenings = evenings_of(library, repertoire, max(KEPT_WEEKS) + EVENINGS)
    table: dict[str, dict[str, float]] = {}
    for weeks in KEPT_WEEKS:
        kept = {number: evenings[max(KEPT_WEEKS) - weeks + number] for number in range(weeks)}
        music_s = known_s = recognised_s = 0.0
        total = Count()
        for tonight in evenings[max(KEPT_WEEKS) :]:
            count, right = counted(tonight, kept, SURE_LIKENESS)
            total.add(count)
            for piece in tonight.pieces:
                length_s = piece.end_s - piece.begin_s
                earlier = [_shared_s(piece, other) for evening in kept.values() for other in evening.pieces]
                music_s += length_s
                known_s += length_s * covered([span for span in earlier if span], piece.begin_s, piece.end_s)
                recognised_s += length_s * covered(right, piece.begin_s, piece.end_s)
        table[f"{weeks}"] = {
            "known": known_s / music_s, "recognised": recognised_s / music_s, "told": total.told,
            "wrong_song": total.wrong_song, "wrong_place": total.wrong_place,
        }  # fmt: skip
        print(repertoire, weeks, table[f"{weeks}"], flush=True)
    return table


def speed_s(library: Library) -> tuple[float, float, float]:
    """Seconds of processor time to match an hour against 60 kept hours, kilobytes a kept hour, passages told."""
    hours = [packed_hour(evenings_of(library, 25, 36), number) for number in range(61)]
    tonight, *kept = hours
    before_s = time.process_time()
    told = passages(unpacked(tonight), {number: unpacked(packed) for number, packed in enumerate(kept)})
    return time.process_time() - before_s, float(np.mean([len(packed) for packed in hours])) / 1000, len(told)


def packed_hour(evenings: list[Evening], number: int) -> bytes:
    """Packed fingerprint of an hour, put together from several evenings."""
    rng, frames = seeded("hour", number), 7200
    order = rng.permutation(len(evenings))
    chroma = np.concatenate([evenings[index].fingerprint.chroma for index in order], axis=1)[:, :frames]
    level_db = np.concatenate([evenings[index].fingerprint.level_db for index in order], axis=1)[:, :frames]
    return Fingerprint(chroma=chroma, level_db=level_db).packed()


def page_text(halves: dict[str, dict[str, Any]], verify_runs: int) -> str:
    """Page of what was counted, by half."""
    lines = [
        "# Validation: songs known again",
        "",
        (
            "Made by `make test-all` (`validations/songs.py`). Songs are invented: verse, chorus and bridge, each with a loop of four chords "
            "out of twelve common ones and a sung line of its own. They are played from notes of openly licensed recordings (chords, "
            "bass) and a synthesised voice, with talk and stray notes between them. Kept are 18 rehearsals with 45 songs, each "
            "song twice; each fifth song shares chords, key and tempo with another. Thresholds were chosen on the half to tune on; the "
            f"other half was counted {verify_runs} time{'' if verify_runs == 1 else 's'}. A passage is rightly told where the same place of the same song is played "
            "in both for three quarters of it; it is found where half of what both takes play is told. Real singers and arrangements may differ "
            "more than these: no recordings of one band over several weeks were at hand, so a real house may recognise less."
        ),
        "",
    ]
    for half, tables in halves.items():
        lines += [f"## Half to {half}" if half == "verify" else "## Half to tune on", ""]
        lines += _passage_lines(tables["passages"])
        lines += _rehearsal_lines({name: tables[name] for name in tables if name.startswith("repertoire")})
    return "\n".join(lines)


def _passage_lines(tables: dict[str, dict[str, dict[str, float]]]) -> list[str]:
    """Tables of passages found, of strangers and of thresholds."""
    lines = [
        "| passage | "
        + " | ".join(f"found, {length_s} s" for length_s in LENGTHS_S)
        + " | told | another song | another place |"
    ]
    lines.append("|---|" + "---|" * (len(LENGTHS_S) + 3))
    for condition in CONDITIONS:
        counts = tables[condition]
        cells = [
            f"{100 * count['found'] / max(1, count['looked_for']):.0f} % of {count['looked_for']:.0f}"
            for count in (counts[f"{length_s}"] for length_s in LENGTHS_S)
        ]
        sums = [sum(count[name] for count in counts.values()) for name in ("told", "wrong_song", "wrong_place")]
        lines.append(f"| {condition} | {' | '.join(cells)} | {' | '.join(f'{value:.0f}' for value in sums)} |")
    strangers = tables["strangers"]
    sung = [tables[condition] for condition in CONDITIONS if condition != "nobody sings"]
    at_40_s = {name: sum(counts["40"][name] for counts in sung) for name in ("found", "looked_for")}
    told = {
        name: sum(count[name] for counts in sung for count in counts.values())
        for name in ("told", "wrong_song", "wrong_place")
    }
    lines += [
        "",
        (
            f"All ways of playing in which somebody sings: of 40 s, {100 * at_40_s['found'] / at_40_s['looked_for']:.1f} % found; of the passages "
            f"told, {100 * (1 - told['wrong_song'] / told['told']):.1f} % are of the right song, "
            f"{100 * (1 - (told['wrong_song'] + told['wrong_place']) / told['told']):.1f} % at the right place of it. Passages of 20 s are not told: "
            "the shortest are of 30 s."
        ),
        "",
        (
            f"Songs that are not kept: of {strangers['cousins']['looked_for']:.0f} that share chords, key and tempo with a kept one, "
            f"{strangers['cousins']['told']:.0f} passages were told; of {strangers['others']['looked_for']:.0f} others, {strangers['others']['told']:.0f}. In {strangers['nobody sings']['looked_for']:.0f} evenings in which nobody sings, against kept ones in which nobody sang "
            f"either (the microphones are open, the band 15 dB down in them): {strangers['nobody sings']['told']:.0f}."
        ),
        "",
        "By the likeness of what is sung from which on a passage is told (40 s, all ways of playing but the last, and the strangers):",
        "",
        "| likeness | found | told | right song | right place |",
        "|---|---|---|---|---|",
    ]
    for sure, count in tables["threshold"].items():
        count_told = max(1, count["told"])
        lines.append(
            f"| {sure} | {100 * count['found'] / count['looked_for']:.1f} % of {count['looked_for']:.0f} | {count['told']:.0f} | "
            f"{100 * (1 - count['wrong_song'] / count_told):.1f} % | {100 * (1 - (count['wrong_song'] + count['wrong_place']) / count_told):.1f} % |"
        )
    return [*lines, ""]


def _rehearsal_lines(tables: dict[str, dict[str, dict[str, float]]]) -> list[str]:
    """Table of the shares of rehearsals that are recognised."""
    lines = [
        "Share of the time with songs in a rehearsal (3 to 6 songs) that is recognised in at least one kept week:",
        "",
        "| repertoire | kept weeks | played before at all | recognised | passages told | another song | another place |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, table in tables.items():
        lines += [
            f"| {name.removeprefix('repertoire ')} songs | {weeks} | {100 * row['known']:.0f} % | {100 * row['recognised']:.0f} % | "
            f"{row['told']:.0f} | {row['wrong_song']:.0f} | {row['wrong_place']:.0f} |"
            for weeks, row in table.items()
        ]
    return [*lines, ""]


def main(words: list[str] | None = None) -> None:
    """Count one half, and write the page from both."""
    parser = argparse.ArgumentParser(description="Songs known again in kept rehearsals.")
    parser.add_argument("--audio", type=Path, help=f"folder of the recordings, else ${VARIABLE}")
    parser.add_argument("--half", choices=get_args(Half), default="tune")
    parser.add_argument("--work", type=Path, default=WORK, help="folder for what was counted")
    parser.add_argument("--page", type=Path, default=TARGET)
    parser.add_argument("--verify-runs", type=int, default=0, help="how often the half to verify was run, for the page")
    parser.add_argument(
        "--speed", action="store_true", help="only the time it takes to match an hour against 60 kept hours"
    )
    parser.add_argument("--page-only", action="store_true", help="write the page from what was counted before")
    options = parser.parse_args(words or [])
    folder = folder_given(options.audio)
    if folder is None:
        print(f"songs: no folder of recordings; name it with --audio or ${VARIABLE}. Nothing was run.")
        return
    library = open_library(folder, options.half)
    if options.speed:
        print("{:.2f} s, {:.0f} kB an hour, {} passages".format(*speed_s(library)))
        return
    options.work.mkdir(parents=True, exist_ok=True)
    if not options.page_only:
        count_half(library, options.work)
    files = {half: options.work / f"songs-{half}.json" for half in get_args(Half)}
    halves = {half: json.loads(file.read_text("utf-8")) for half, file in files.items() if file.exists()}
    write_page(options.page, page_text(halves, options.verify_runs), __file__)
    print(options.page)


def count_half(library: Library, work: Path) -> None:
    """Count passages and rehearsals of a half, and write the counts into the work folder."""
    tables: dict[str, object] = {
        "passages": {
            name: {key: asdict(count) for key, count in table.items()} for name, table in passage_study(library).items()
        }
    }
    tables |= {f"repertoire {songs}": rehearsal_study(library, songs) for songs in REPERTOIRES}
    write_atomically(work / f"songs-{library.half}.json", json.dumps(tables, indent=1).encode())


if __name__ == "__main__":
    main(sys.argv[1:])
