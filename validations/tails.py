"""How near the observed decay comes to the reverberation that real dry playing was put into.

Notes of an electric guitar, recorded directly, played in patterns of which every seed is another; two people singing alone.
Each goes through rooms whose reverberation is known: noise that dies away exponentially. `make test` runs two songs and three
rooms (tests/measure/test_notes.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.figures import TAIL_OCTAVES_HZ
from deskhand.measure.notes import LEAST_DECAYS
from tests.support import material
from tests.support.notes import guitar, in_rooms, singing
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from tests.support.notes import Heard, Sound

TAILS_S: Final = (0.4, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0)
SONGS: Final = 16
LENGTH_S: Final = 90.0
TIMES: Final = 8
"""How often a voice's recording is repeated."""
ROOMS: Final = 4
"""Rooms of each tail that a voice is heard in."""
COLUMNS: Final = (
    "room, s",
    "told",
    "cannot tell",
    "median error",
    "median size of error",
    "90th percentile",
    "RMS error, s",
    "within its ±",
    "decays",
    "articulation, dB",
)
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-tails.md"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """All takes in rooms of one tail; None is no room."""

    tail_s: float | None
    takes: tuple[Heard, ...]

    def told_s(self) -> np.ndarray:
        """What was told."""
        return np.array([take.tail.tail_s for take in self.takes if take.tail.tail_s is not None])

    def off(self) -> np.ndarray:
        """Relative errors of what was told."""
        assert self.tail_s is not None
        return self.told_s() / self.tail_s - 1.0

    def covered(self) -> int:
        """How many told tails lie within their own half width of the truth."""
        assert self.tail_s is not None
        return sum(
            abs(take.tail.tail_s - self.tail_s) <= take.tail.tail_s_pm
            for take in self.takes
            if take.tail.tail_s is not None and take.tail.tail_s_pm is not None
        )

    def decays(self) -> float:
        """Median number of decays in a take."""
        return float(np.median([take.tail.decays for take in self.takes]))

    def articulation_db(self) -> str:
        """Median."""
        known = [take.articulation_db for take in self.takes if take.articulation_db is not None]
        return f"{np.median(known):.1f}" if known else "-"


def songs() -> Iterator[tuple[Sound, int, int]]:
    """Guitar: sound, sample rate, seed."""
    for seed in range(SONGS):
        yield *guitar(1000 + seed, LENGTH_S), 1000 + seed


def voices() -> Iterator[tuple[Sound, int, int]]:
    """Both voices, in several rooms."""
    for number, name in enumerate(material.VOICES):
        for seed in range(ROOMS):
            yield *singing(name, TIMES), 2000 + 100 * number + seed


def study(takes: Iterable[tuple[Sound, int, int]]) -> list[Row]:
    """Every take in every room."""
    tails_s = (None, *TAILS_S)
    found = []
    for sound, rate_hz, seed in takes:
        found.append(in_rooms(sound, rate_hz, tails_s, seed))
        print(seed, [take.tail.tail_s and round(take.tail.tail_s, 2) for take in found[-1]], flush=True)
    return [
        Row(tail_s=tail_s, takes=tuple(column))
        for tail_s, column in zip(tails_s, zip(*found, strict=True), strict=True)
    ]


def table(rows: list[Row]) -> list[str]:
    """All bands together."""
    lines = [
        f"| {' | '.join(COLUMNS)} |",
        "|---" * len(COLUMNS) + "|",
    ]
    for row in rows:
        told = row.told_s()
        kept = f"{len(told)} of {len(row.takes)} | {len(row.takes) - len(told)}"
        if row.tail_s is None:
            heard = f"reads {np.median(told):.2f} s ({told.min():.2f} to {told.max():.2f})" if len(told) else "-"
            errors = f"{heard} | - | - | - | -"
        elif not len(told):
            errors = "- | - | - | - | -"
        else:
            off = row.off()
            rms_s = row.tail_s * np.sqrt(np.mean(off**2))
            errors = (
                f"{100 * np.median(off):+.0f} % | {100 * np.median(np.abs(off)):.0f} % |"
                f" {100 * np.percentile(np.abs(off), 90):.0f} % | {rms_s:.2f} | {row.covered()} of {len(told)}"
            )
        name = "none" if row.tail_s is None else f"{row.tail_s:g}"
        lines.append(f"| {name} | {kept} | {errors} | {row.decays():.0f} | {row.articulation_db()} |")
    return lines


def octave_table(rows: list[Row]) -> list[str]:
    """Each octave: how many takes it could be told in, and the median size of its error."""
    names = [f"{hz:g}" for hz in TAIL_OCTAVES_HZ]
    lines = [
        "| room, s | " + " | ".join(f"{name} Hz" for name in names) + " |",
        "|---" * (len(names) + 1) + "|",
    ]
    for row in rows:
        if row.tail_s is None:
            continue
        cells = []
        for name in names:
            told = [take.octaves_s[name] for take in row.takes if take.octaves_s and name in take.octaves_s]
            size = f", {100 * np.median(np.abs(np.array(told) / row.tail_s - 1.0)):.0f} %" if told else ""
            cells.append(f"{len(told)}{size}")
        lines.append(f"| {row.tail_s:g} | " + " | ".join(cells) + " |")
    return lines


def main() -> None:
    """Run the study and write the page."""
    played, sung = study(songs()), study(voices())
    packages = {name: material.ARCHIVES[name].file_name for name in ("notes", "voices")}
    lines = [
        "# Validation: tails",
        "",
        "Made by `python -m validations.tails`. What `tail_s` reads is the observed decay: how notes that end freely die away in",
        "the signal, by whatever makes them do so (the string, an effect, the room). It is no measurement of a room.",
        "",
        "Here the truth is known: dry recordings are convolved with noise that dies away exponentially, wet only, so that the",
        "60 dB time is the one that went in. Noise 60 dB below the level is added, as inputs have it. All goes through the one",
        "pass like any recording. The recordings are real; the rooms are not, and they decay alike in all octaves.",
        "",
        f"- Guitar: {SONGS} songs of {LENGTH_S:.0f} s. The 14 lowest notes of a direct-recorded electric guitar",
        f"  (package `{packages['notes']}`), lengths 0.15 to 1 s, each stopped within",
        "  20 ms, pauses 0 to 1.2 s, levels within 6 dB, drawn anew for each song; each song in a room of its own.",
        f"- Voices: two people singing alone (package `{packages['voices']}`), 9 and 12 s, each repeated {TIMES} times,",
        f"  in {ROOMS} rooms of each length. The repeats bring no new endings: 40 decays are five, heard eight times. So the ± is",
        "  too small here, a wrong answer is as steady as a right one, and without the repeats next to nothing would be told.",
        "",
        f"Cannot tell: fewer than {LEAST_DECAYS} free decays, or decays that do not agree. Errors are relative to the room and of",
        "what was told only; the row without a room reads the playing's own decay.",
        "",
        "## Guitar",
        "",
        *table(played),
        "",
        "In how many songs each octave is told, and the median size of its error:",
        "",
        *octave_table(played),
        "",
        "## Voices",
        "",
        *table(sung),
        "",
        *octave_table(sung),
    ]
    write_page(TARGET, "\n".join(lines) + "\n", __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
