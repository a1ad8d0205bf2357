"""Room for the voice: mixes in which it is covered, brought back by the product, and by turning the whole band down.

Half of the mixes are of the synthesised venue, half of real samples. In each the voice's fader is too low, or one to three others
are too high, by random amounts. What is wanted is what the same show has with the faders of the house file. The same is asked
of a dense search over the faders of the four sources that cover it most, in whole decibels.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from tests.support.space import (
    MIXES,
    SEED,
    mixes,
)
from tools.prose import wrapped

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-space.md"


def main() -> None:
    """Run the study and write the page."""
    found = mixes(MIXES)
    reached = [one for one in found if one.after_pct >= one.wanted_pct - 1.0]
    others = [one for one in found if one not in reached]
    both = [one for one in found if one.plain_db is not None]
    dense = [one for one in found if one.dense_db is not None]
    lines = [
        "# Validation: room for the voice",
        "",
        "Made by `make test-all` (`validations/space.py`). Invented venue and real samples, half each; the voice's fader 3 to 10 dB too low, or one",
        f"to three others 3 to 9 dB too high, seed {SEED}. Wanted is the clearance of the same show with the faders of the house file.",
        '"Change" is the sum over the sources of the RMS change of their level, over the third-octaves 160 Hz to 8 kHz.',
        "",
        "| | |",
        "|---|---|",
        f"| mixes | {len(found)} |",
        f"| clearance wanted / before, median | {np.median([m.wanted_pct for m in found]):.1f} / {np.median([m.before_pct for m in found]):.1f} % |",
        f"| within a point of it, run through the chains again | {len(reached)} of {len(found)} |",
        f"| of the others: below what 6 dB less of everything gives, most | {max((m.most_pct - m.after_pct for m in others), default=0.0):.1f} points |",
        f"| predicted against measured again, worst | {max(abs(m.predicted_pct - m.after_pct) for m in found):.1f} points |",
        f"| sources that give way, median | {np.median([m.sources for m in found]):.0f} |",
        f"| change, median | {np.median([m.change_db for m in found]):.1f} dB |",
        f"| the same by turning the whole band down, median | {np.median([m.plain_db for m in both]):.1f} dB ({len(both)} mixes in which 12 dB are enough) |",
        f"| no larger than that | {sum(m.change_db <= (m.plain_db or 0) + 1e-6 for m in both)} of {len(both)} |",
        f"| least that a dense search over four faders finds, median | {np.median([m.dense_db for m in dense]):.1f} dB ({len(dense)} mixes in which they are enough) |",
        f"| ours in the same mixes | {np.median([m.change_db for m in dense]):.1f} dB; larger by at most {max((m.change_db - (m.dense_db or 0) for m in dense), default=0.0):.1f} dB |",
        f"| time to read the feed and search, median | {np.median([m.seconds for m in found]):.1f} s |",
        "",
    ]
    TARGET.write_text(wrapped("\n".join(lines)), "utf-8")
    print(TARGET)


if __name__ == "__main__":
    main()
