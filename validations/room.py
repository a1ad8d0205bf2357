"""Room for the voice: how many hands are asked for it, in shows in which it is low, a stray microphone is open, or a guitar left its weeks.

Half of the shows are of the synthesised venue, half of real samples. Each is planned for by the product, the moves are written into the week's
house file, and the feed of that file is run past the voice again.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.support.room import (
    KEPT_WEEKS,
    LOUD_DB,
    MARGIN_DB,
    SEED,
    Kind,
    RoomCase,
    loud_cases,
    low_cases,
    measured_show,
    stray_case,
)
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Sequence

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-room.md"
SHOWS: Final = 50
LOUD_SHOWS: Final = 42
"""Each with three guitars: 126 cases, of which some leave the voice as it is."""
STRAY_SHOWS: Final = 20
LENGTH_S: Final = 25.0
MATERIALS: Final = ("synthesised", "samples")


def gathered() -> dict[Kind, list[RoomCase]]:
    """Cases of all shows, by what is wrong."""
    cases: dict[Kind, list[RoomCase | None]] = {"low": [], "unknown": [], "loud": [], "stray": []}
    for order, material in enumerate(MATERIALS):
        rng = np.random.default_rng([SEED, order])
        for number in range(SHOWS // 2):
            show = measured_show(material, 3000 + number, LENGTH_S)
            for kind, case in low_cases(show, rng).items():
                cases[kind].append(case)
            if number < LOUD_SHOWS // 2:
                cases["loud"] += loud_cases(show)
            print(material, number, flush=True)
        for number in range(STRAY_SHOWS // 2):
            cases["stray"].append(stray_case(measured_show(material, 4000 + number, LENGTH_S, stray=True), rng))
    return {kind: [case for case in several if case is not None] for kind, several in cases.items()}


def share(cases: Sequence[RoomCase], true_of: Sequence[bool]) -> str:
    """Number and share of the cases of which something is true."""
    return f"{sum(true_of)} of {len(cases)}" + (f" ({100 * sum(true_of) / len(cases):.0f} %)" if cases else "")


def main() -> None:
    """Run the study and write the page."""
    by_kind = gathered()
    low, unknown, loud, stray = (by_kind[kind] for kind in ("low", "unknown", "loud", "stray"))
    every = [*low, *unknown, *loud, *stray]
    rows = [
        ("**the voice alone low by 2 to 8 dB, margin stated**", ""),
        ("solved", share(low, [case.solved for case in low])),
        ("solved by one move", share(low, [case.solved and case.hands == 1 for case in low])),
        ("that move is the voice's own fader", share(low, [case.moved == ("voice",) for case in low])),
        ("**the same, margin unknown**", ""),
        ("the voice goes up by 3 dB at most", share(unknown, [case.voice_up_db <= 3.0 for case in unknown])),
        ("solved by it alone", share(unknown, [case.solved and case.hands == 1 for case in unknown])),
        ("solved by it and one source down", share(unknown, [case.solved and case.hands == 2 for case in unknown])),
        ("solved by three hands", share(unknown, [case.solved and case.hands == 3 for case in unknown])),
        ("not reached, and said so", share(unknown, [not case.solved for case in unknown])),
        (f"**one guitar {LOUD_DB:g} dB up against {KEPT_WEEKS} kept weeks**", ""),
        ("that guitar goes back, the voice stays", share(loud, [_goes_back(case) for case in loud])),
        ("solved by it alone", share(loud, [case.solved and case.hands == 1 for case in loud])),
        ("**a lectern's microphone open in the song, the voice low as well**", ""),
        ("its mute comes first", share(stray, [case.moved[:1] == ("mute",) for case in stray])),
        ("solved", share(stray, [case.solved for case in stray])),
        ("**all of them**", ""),
        ("faders of speech moved for a song", str(sum(case.speech_moved for case in every))),
        ("more than three hands", str(sum(case.hands > 3 for case in every))),
        (
            "told against run again from the week's file, worst",
            f"{max(abs(case.predicted_pct - case.after_pct) for case in every):.1f} points",
        ),
    ]
    lines = [
        "# Validation: room for the voice",
        "",
        "Made by `make test-all` (`validations/room.py`). Shows of the invented venue and of real samples, half each, 25 s long.",
        "Wanted is the speech intelligibility index of the same show with the faders of the house file; solved is within the",
        f"point that is shown. A stated margin is {MARGIN_DB:g} dB. Cases in which the voice misses less than 2 points are left out. The",
        "stray microphone hears the whole stage, late and dull, 0 to 6 dB below speech at its nominal level; wanted there is the",
        "show without it.",
        "",
        "| | |",
        "|---|---|",
        *(f"| {label} | {value} |" for label, value in rows),
        "",
    ]
    write_page(TARGET, "\n".join(lines), __file__)
    print(TARGET)
    for case in every:
        if not case.solved or case.hands > 1:
            print(case)


def _goes_back(case: RoomCase) -> bool:
    """True where the guitar that was planted is moved first, and the voice is not."""
    return case.moved[:1] == (case.planted.rpartition(" +")[0],) and case.voice_up_db == 0.0


if __name__ == "__main__":
    main()
