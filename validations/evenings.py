"""Evenings whose moves are carried out by numpy: what the same take, the next one and another performance still ask for."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.support.evenings import SEED, VOICE_POINTS, Evening, Outcome, evenings
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable

COUNT: Final = 500
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-evenings.md"
_NAMED: Final = 12
"""Evenings that are named where something was asked again: about a screen."""


def main(count: int = COUNT) -> None:
    """Run the study and write the page."""
    with tempfile.TemporaryDirectory() as folder:
        rows = list(evenings(range(count), Path(folder)))
    write_page(TARGET, page_text(rows), __file__)
    print(TARGET)


def page_text(rows: list[tuple[Evening, Outcome]]) -> str:
    """Page of the study, its lines not yet wrapped."""
    count = len(rows)
    with_moves = [outcome for _, outcome in rows if outcome.moves]

    def shows(test: Callable[[Outcome], object], among: Callable[[Outcome], object] = lambda _: True) -> str:
        chosen = [outcome for outcome in with_moves if among(outcome)]
        return f"{sum(bool(test(outcome)) for outcome in chosen)} of {len(chosen)}"

    voices = [abs(outcome.voice_off_pct) for outcome in with_moves if outcome.voice_off_pct is not None]
    left_db = [abs(value) for outcome in with_moves for value in outcome.partial_db]
    return "\n".join(
        [
            "# Validation: moves carried out, and the next take",
            "",
            f"Made by `make test-all` (`validations/evenings.py`): {count} evenings of six sources, seed {SEED}, each with random levels, reversed sides,",
            "compressors and trims, recorded at the preamp, after the gain or after the chain. The moves are carried out by numpy on the audio where they",
            "lie before the tap (a gain is a factor, reversed polarity a sign: arithmetic) and by this week's file where they follow it; then the next",
            "take is recorded and checked. Sounds are made; half of the evenings go on with another performance, the others with a person who did a part,",
            "every second of them one move alone, and then the rest in a second round.",
            "",
            "| evenings with any move in the first take | |",
            "|---|---|",
            f"| evenings with a move, and moves in all | {len(with_moves)}, {sum(outcome.moves for outcome in with_moves)} |",
            f"| the same take, all done: something is asked | {shows(lambda one: one.same_take)} |",
            f"| saving the week twice wrote other bytes | {shows(lambda one: not one.same_bytes)} |",
            f"| the next take of the same performance: something is asked | {shows(lambda one: one.next_take)} |",
            f"| a finding that was answered is raised again | {shows(lambda one: one.uncured)} |",
            f"| what was carried out is said not to be heard | {shows(lambda one: one.contradicted)} |",
            f"| the voice further than {VOICE_POINTS:g} points from what was predicted | {sum(off > VOICE_POINTS for off in voices)} of {len(voices)} (most {max(voices, default=0.0):.1f}) |",
            f"| another performance: something done is asked again | {shows(lambda one: one.other_performance, lambda one: one.is_other)} |",
            f"| another performance: something is asked that the first take did not show | {shows(lambda one: one.other_first, lambda one: one.is_other)} |",
            f"| a part was done: something done is asked again | {shows(lambda one: one.half, lambda one: not one.is_other)} |",
            f"| a part was done: a source that was left is not asked | {shows(lambda one: one.half_lost, lambda one: not one.is_other)} |",
            f"| a second round, in which the rest was done: something is asked | {shows(lambda one: one.second_round, lambda one: not one.is_other)} |",
            f"| a gain turned half-way: what is asked then, against what was left | median {np.median(left_db) if left_db else 0.0:.2f} dB, most {max(left_db, default=0.0):.2f} dB, of {len(left_db)} |",
            "",
            *_named(rows),
            "",
        ]
    )


def _named(rows: list[tuple[Evening, Outcome]]) -> list[str]:
    """The first evenings in which something was asked again, by their number."""
    bad = [
        f"- evening {evening.number} ({evening.tap}): "
        + "; ".join(
            f"{title} {', '.join(values)}"
            for title, values in (
                ("same take", outcome.same_take), ("next take", outcome.next_take), ("raised again", outcome.uncured),
                ("not heard", outcome.contradicted), ("another performance", outcome.other_performance),
                ("first in another performance", outcome.other_first),
                ("done and asked", outcome.half), ("left and not asked", outcome.half_lost),
                ("after a second round", outcome.second_round),
            )
            if values
        )
        for evening, outcome in rows
        if outcome.is_bad or outcome.other_first
    ]  # fmt: skip
    return [f"Named, the first of {len(bad)}:", "", *bad[:_NAMED]] if bad else ["None is left to name."]


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else COUNT)
