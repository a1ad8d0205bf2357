"""Thresholds for a wanted reduction: random compressors at the sources of synthesised shows and of shows from real samples.

The threshold is found on the product's excerpt of 20 s; what it takes off is then measured over the whole show.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tests.support.reductions import PAIRS, SEED, pairs
from tools.provenance import write_page

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-reduction.md"


def main() -> None:
    """Run the study and write the page."""
    found = list(pairs(PAIRS))
    lines = [
        "# Validation: thresholds for a wanted reduction",
        "",
        f"Made by `make test-all` (`validations/reduction.py`). {len(found)} pairs of a source and a random compressor (ratio 1.5 to 6, knee 0 to 12 dB, attack 2",
        f"to 45 ms, release 64 to 512 ms, peak and RMS), wanted ranges 1 dB wide from 1 to 8 dB, seed {SEED}.",
        "",
        "| | synthesised | real samples |",
        "|---|---|---|",
    ]

    def row(title: str, value: object) -> None:
        cells = [value([one for one in found if one.kind == kind]) for kind in ("synthesised", "samples")]  # type: ignore[operator]
        lines.append(f"| {title} | {cells[0]} | {cells[1]} |")

    row("pairs", len)
    row("a threshold found", lambda some: f"{sum(one.said for one in some)}")
    row(
        "of those, median reduction in the range on the excerpt it was found on",
        lambda some: f"{sum(one.low_db <= one.excerpt_db <= one.low_db + 1 for one in some if one.said)}",
    )
    row(
        "of those, in the range over the whole show too",
        lambda some: f"{sum(one.low_db <= one.whole_db <= one.low_db + 1 for one in some if one.said)}",
    )
    row(
        "over the whole show, outside by at most",
        lambda some: (
            f"{max((max(one.low_db - one.whole_db, one.whole_db - one.low_db - 1, 0.0) for one in some if one.said), default=0.0):.2f} dB"
        ),
    )
    row(
        "none found, and none does it over the whole show",
        lambda some: f"{sum(one.gated for one in some if not one.said)}",
    )
    lines.append("")
    write_page(TARGET, "\n".join(lines), __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
