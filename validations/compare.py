"""What a processor did: random settings of independent tools on real music, found again by `compare`.

Linear processors are sox and ffmpeg; their truth is what they make of an impulse. Compressors are our own model (so that its settings can be compared), in
front of which sox shapes the tone; ffmpeg's compressor moves its gain otherwise, and only its gain over time is compared. All seeded.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.support.processors import (
    CASES,
    LENGTH_S,
    SEED,
    Case,
    cases,
)
from tools.provenance import write_page

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-compare.md"
KINDS: Final = ("linear", "compressor", "shapes and compressor", "legs", "foreign compressor", "all together")


def main() -> None:
    """Run the study and write the page."""
    found = []
    for case in cases(CASES):
        found.append(case)
        print(
            len(found), case.kind, f"worst {case.worst_db:.2f} covered {np.mean(case.covered):.2f} delay {case.delay_off:.3f} shapes",
            [(round(a, 3), round(b, 2)) for a, b in case.shapes], f"thr {case.threshold_off_db:.2f} ratio {case.ratio_off:.2f} times",
            [round(t, 2) for t in case.times_off], f"fair {case.fair} gain {case.gain_off_db:.3f} legs {case.legs_right} chain {case.chain_db}",
            flush=True,
        )  # fmt: skip
    write_page(TARGET, "\n".join(page(found)), __file__)
    print(TARGET)


def page(found: list[Case]) -> list[str]:
    """The tables."""

    def share(values: list[bool]) -> str:
        return f"{sum(values)} of {len(values)}" if values else "-"

    linear = [one for one in found if one.kind == "linear"]
    behind = [one for one in found if one.kind != "linear"]
    bands = [error for one in behind for error in one.errors_db]
    shapes = [pair for one in found for pair in one.shapes]
    fair = [one for one in found if one.fair and not np.isnan(one.threshold_off_db)]
    gains = [one.gain_off_db for one in found if not np.isnan(one.gain_off_db)]
    legs = [one.legs_right for one in found if one.legs_right is not None]
    lines = [
        "# Validation: compare",
        "",
        f"Made by `make test-all` (`validations/compare.py`). {len(found)} cases on real songs and guitars of {LENGTH_S:.0f} s, random settings, seed {SEED}. Shapes are put on by sox,",
        "the truth of the response is what sox makes of an impulse; compressors whose settings are compared are our own model, ffmpeg's is compared by its gain over time only.",
        "",
        "| | |",
        "|---|---|",
        f"| response of linear processors, worst excited third-octave within 0.1 dB | {share([one.worst_db <= 0.1 for one in linear])} (worst {max(one.worst_db for one in linear):.2f} dB) |",
        f"| response behind a compressor, third-octaves within 0.5 dB | {100 * np.mean(np.array(bands) <= 0.5):.1f} % of {len(bands)} |",
        f"| points of the response inside their 95 % interval, linear / behind a compressor | {100 * np.mean([c for one in linear for c in one.covered]):.0f} % / {100 * np.mean([c for one in behind for c in one.covered]):.0f} % |",
        f"| latency within 0.05 sample | {share([one.delay_off <= 0.05 for one in found])} (median {np.median([one.delay_off for one in found]):.3f}) |",
        f"| planted shapes named | {share([not np.isnan(a) for a, _ in shapes])} |",
        f"| of those, frequency within 1/12 octave | {share([a <= 1 / 12 for a, _ in shapes if not np.isnan(a)])} |",
        f"| of those, gain within 0.3 dB | {share([b <= 0.3 for a, b in shapes if not np.isnan(a)])} |",
        f"| compressors above their threshold for 10 to 90 % of the playing, over 10 dB | {len(fair)} |",
        f"| of those, threshold within 1 dB | {share([one.threshold_off_db <= 1.0 for one in fair])} |",
        f"| ratio within 15 % | {share([one.ratio_off <= 0.15 for one in fair])} |",
        f"| attack and release within 30 % | {share([t <= 0.3 for one in fair for t in one.times_off])} |",
        f"| gain over time within 0.25 dB RMS | {share([g <= 0.25 for g in gains])} (worst {max(gains, default=0.0):.2f} dB) |",
        f"| the legs it acts on | {share(legs)} |",
        f"| nearest chain of our blocks leaves, linear, median | {np.median([one.chain_db for one in linear]):.0f} dB |",
        f"| the same behind our compressor, median | {np.median([one.chain_db for one in behind if one.kind in ('compressor', 'shapes and compressor', 'legs')]):.0f} dB |",
        "",
        "## Case by case",
        "",
        "| | kind | response, worst dB | inside | delay off | shapes off (octave, dB) | threshold off, dB | ratio off | times off | gain off, dB | legs |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]

    def told(value: float, digits: int = 2) -> str:
        return "-" if np.isnan(value) else f"{value:.{digits}f}"

    for at, one in enumerate(found, 1):
        pairs = "; ".join("not named" if np.isnan(a) else f"{a:.3f}, {b:.2f}" for a, b in one.shapes) or "-"
        times = ", ".join(f"{100 * t:.0f} %" for t in one.times_off) or "-"
        ratio = "-" if np.isnan(one.ratio_off) else f"{100 * one.ratio_off:.0f} %"
        right = "-" if one.legs_right is None else "right" if one.legs_right else "wrong"
        lines.append(
            f"| {at} | {one.kind} | {told(one.worst_db)} | {100 * np.mean(one.covered):.0f} % | {told(one.delay_off, 3)} | {pairs} | "
            f"{told(one.threshold_off_db)} | {ratio} | {times} | {told(one.gain_off_db, 3)} | {right} |"
        )
    lines += [
        "",
        "All together: a high-pass or shelf, bells, a soft compressor on both sides and one on the middle behind it. The two compressors are told as one gain for the",
        "middle and one for the sides; their settings are not told apart.",
        "",
    ]
    return lines


if __name__ == "__main__":
    main()
