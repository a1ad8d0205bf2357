"""How recordings are read, whole and cut: every container and coding that four writers make, against other programs.

`make test` reads a seeded part of the same files (tests/recording/test_encodings.py).
"""

from __future__ import annotations

import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.support.encodings import CHANNELS, CUTS, NotWritten, encodings, outcomes
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.support.encodings import Outcome

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-recordings.md"
VERDICTS: Final = ("right", "refused", "wrong", "unsaid", "false alarm", "less than is there")


def _table(head: str, rows: dict[str, Counter[str]]) -> Iterator[str]:
    yield f"| {head} | files | " + " | ".join(VERDICTS) + " |"
    yield "|---|" + "---|" * (1 + len(VERDICTS))
    for name, counts in rows.items():
        yield f"| {name} | {counts.total()} | " + " | ".join(str(counts[verdict]) for verdict in VERDICTS) + " |"


def _kind_outcomes(index: int) -> list[tuple[int, list[tuple[float, str, Outcome]] | None]]:
    """Outcomes of one kind by number of channels; None where no program writes or decodes it."""
    results: list[tuple[int, list[tuple[float, str, Outcome]] | None]] = []
    with tempfile.TemporaryDirectory() as folder:
        for channels in CHANNELS:
            try:
                results.append((channels, list(outcomes(encodings()[index], channels, Path(folder)))))
            except NotWritten:
                results.append((channels, None))
    return results


def page() -> str:
    """All files read and counted."""
    by_share: dict[str, Counter[str]] = defaultdict(Counter)
    by_container: dict[str, Counter[str]] = defaultdict(Counter)
    by_peer: Counter[str] = Counter()
    total: Counter[str] = Counter()
    refused: dict[str, set[str]] = defaultdict(set)
    faults = []
    without = 0
    with ProcessPoolExecutor() as pool:
        every = list(pool.map(_kind_outcomes, range(len(encodings()))))
    for kind, by_channels in zip(encodings(), every, strict=True):
        for channels, results in by_channels:
            without += results is None
            for share, peer, outcome in results or ():
                extent = "whole" if share == 1.0 else "cut"
                by_share["whole" if share == 1.0 else f"cut at {share:.0%}"][outcome.verdict] += 1
                by_container[kind.container][outcome.verdict] += 1
                by_peer[peer] += 1
                total[outcome.verdict] += 1
                if outcome.verdict == "refused":
                    line = outcome.detail.partition(": ")[2]
                    refused[line].add(f"{kind.container} {kind.coding}, {kind.writer}, {extent}")
                elif outcome.verdict != "right":
                    name = f"{kind.container} {kind.coding} ({kind.writer}, {channels} ch, {share:.0%})"
                    faults.append(f"- {name}: {outcome.verdict}: {outcome.detail}")
    others = by_peer["bytes"] + by_peer["input"]
    cuts = ", ".join(f"{cut:.0%}" for cut in CUTS)
    lines = [
        "# Validation: reading recordings",
        "",
        "Made by `python -m validations.encodings`. Every container and coding that soundfile, ffmpeg and sox write, and the same",
        "written byte by byte after the published layouts, with 1, 2 and 6 channels, whole and with the end cut off at",
        f"{cuts} of its bytes. The samples are compared with what ffmpeg or sox decodes from the whole file",
        f"({by_peer['ffmpeg']} and {by_peer['sox']} files), or with the words that were written ({others}); never with the",
        "library that deskhand stands on.",
        f"{without} combinations are left out: no program writes or decodes them.",
        "",
        "- right: equal to half a step of float32 (adaptive codings: two steps of 16 bits; IMA packets, whose predictors decoders",
        "  carry along differently: 1/256), all that is left of the audio up to the last whole block, and a file without its end",
        "  is said to be so.",
        "- refused: not read, with one line that names the file. Listed below.",
        "- wrong: other samples than the peer's, or an error that is no plain line. Unsaid: a cut file read without a word.",
        "  False alarm: a whole file called cut.",
        "",
        *_table("files", {**by_share, "all": total}),
        "",
        *_table("container", by_container),
        "",
        "## Refused",
        "",
        *(f"- “{line}”: {'; '.join(sorted(kinds))}" for line, kinds in sorted(refused.items())),
        "",
    ]
    if faults:
        lines += ["## Not right", "", *faults, ""]
    return "\n".join(lines)


def main() -> None:
    """Write the page."""
    write_page(TARGET, page(), __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
