"""Lead sounds in full bands: inputs by cable go up by 3 to 10 dB in level alone, beside the same take without it.

python -m validations.lead_steps --audio FOLDER --half tune --count 200 --work FOLDER

Bands out of real notes need the folder of recordings of `validations/clean_stage.py`; without it only synthesised bands are run. Each
case is a line of a file in the work folder, so that the study goes on where it was stopped; the page is written from all lines.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import Final, get_args

import numpy as np

from tests.support.lead_steps import LINE_ROLES, LeadRow, has_presets, lead_rows, made_band, real_band
from tests.support.stage.library import VARIABLE, Half, folder_given, open_library
from tools.provenance import write_page

COUNT: Final = 200
"""Cases of each kind of band."""
WORK: Final = Path(tempfile.gettempdir()) / "deskhand-lead-steps"
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-lead-steps.md"
NEAR_SHARE: Final = 0.05
NEAR_DB: Final = 1.0
NAMED_FROM_DB: Final = 5.0


def stored(work: Path, kind: str) -> list[LeadRow]:
    """Cases that were run before."""
    file = work / f"{kind}.jsonl"
    return [LeadRow(**json.loads(line)) for line in file.read_text("utf-8").splitlines()] if file.exists() else []


def run(kind: str, count: int, work: Path, audio: Path | None) -> None:
    """Run what is still to be run of a kind of band."""
    rows = stored(work, kind)
    library = None if kind == "synthesised" or audio is None else open_library(audio, kind)  # type: ignore[arg-type]
    band = max((row.band for row in rows), default=-1) + 1
    while len(rows) < count:
        made = made_band(band) if library is None else real_band(library, band)
        with tempfile.TemporaryDirectory() as name:
            new = list(lead_rows(made, band, Path(name)))
        with (work / f"{kind}.jsonl").open("a", encoding="utf-8") as lines:
            lines.write("".join(json.dumps(row.values()) + "\n" for row in new))
        for row in new:
            print(
                f"{kind} {band} {row.source} {row.step_db:+.1f} dB: share {row.share_without:.2f} to {row.share:.2f}, level "
                f"{row.level_without_dbfs:.1f} to {row.level_dbfs:.1f}, clean {row.clean_off_db:+.1f}, "
                f"{'named ' + str(row.step_lu) if row.named else '-'} {row.told}",
                flush=True,
            )
        rows += new
        band += 1


def _of(part: int, whole: int) -> str:
    """Count of a whole, with its share."""
    return f"{part} of {whole} ({100 * part / whole:.0f} %)" if whole else "none"


def summary(rows: list[LeadRow]) -> dict[str, str]:
    """Counts of a kind of band."""
    playing = [row for row in rows if row.share_without > 0]
    presets = [row for row in rows if has_presets(row.role)]
    far = [row for row in presets if row.step_db >= NAMED_FROM_DB]
    steps = [row.step_lu - row.step_db for row in far if row.step_lu is not None]
    return {
        "cases": str(len(rows)),
        "active share within 5 points": _of(
            sum(abs(row.share - row.share_without) <= NEAR_SHARE for row in playing), len(playing)
        ),
        "clean sound's level within 1 dB": _of(sum(abs(row.clean_off_db) <= NEAR_DB for row in playing), len(playing)),
        f"`sound-step` at {NAMED_FROM_DB:g} dB and more": _of(sum(row.named for row in far), len(far)),
        "`sound-step` below that": _of(
            sum(row.named for row in presets if row.step_db < NAMED_FROM_DB), len(presets) - len(far)
        ),
        "`sound-step` without a step": _of(sum(row.named_without for row in presets), len(presets)),
        "told step against the planted one, median": f"{np.median(steps):+.1f} LU" if steps else "none",
        "a level that is to be turned for the lead: *fix*": _of(
            sum(row.told.startswith("fix") for row in playing), len(playing)
        ),
        "the same, *listen*": _of(sum(row.told.startswith("listen") for row in playing), len(playing)),
    }


def page_text(kinds: dict[str, list[LeadRow]]) -> str:
    """Page of the study, its lines not yet wrapped."""
    summaries = {kind: summary(rows) for kind, rows in kinds.items() if rows}
    names = list(next(iter(summaries.values()), {}))
    lines = [
        "# Validation: lead sounds by cable",
        "",
        "Made by `python -m validations.lead_steps`. In full bands of a minute, inputs that come by cable go up in level alone, by 3 to 10 dB, for a solo of",
        "14 to 22 s, each at a moment of its own; half of them come back to the clean sound. The same take without the step is checked beside it.",
        "Real: single notes and hits of real instruments, the half to tune on and the half that is only counted; synthesised: the demo's band. Level of the",
        "clean sound: of the sound that is heard most outside the solo, as the check tells it, against the take without a step; a player's sounds are told",
        "apart from half a minute of playing on.",
        "",
        "| | " + " | ".join(summaries) + " |",
        "|---|" + "---|" * len(summaries),
        *(f"| {name} | " + " | ".join(values[name] for values in summaries.values()) + " |" for name in names),
        "",
        "By role, all bands:",
        "",
        "| role | cases | share within 5 points | clean level within 1 dB | `sound-step` at 5 dB and more |",
        "|---|---|---|---|---|",
    ]
    for role in LINE_ROLES:
        rows = [row for of_kind in kinds.values() for row in of_kind if row.role == role]
        if rows:
            values = summary(rows)
            lines.append("| " + " | ".join([role, *list(values.values())[:4]]) + " |")
    return "\n".join([*lines, ""])


def main(words: list[str] | None = None) -> None:
    """Run what is still to be run, and write the page."""
    parser = argparse.ArgumentParser(description="Lead sounds in full bands.")
    parser.add_argument("--audio", type=Path, help=f"folder of the recordings, else ${VARIABLE}")
    parser.add_argument("--half", choices=get_args(Half), default="tune")
    parser.add_argument("--count", type=int, default=COUNT, help="cases of each kind of band")
    parser.add_argument("--made", type=int, default=None, help="cases of synthesised bands, else as many")
    parser.add_argument("--work", type=Path, default=WORK, help="folder for what was run so far")
    parser.add_argument("--page", type=Path, default=TARGET, help="page that is written from all that was run")
    options = parser.parse_args(words or [])
    options.work.mkdir(parents=True, exist_ok=True)
    audio = folder_given(options.audio)
    if audio is not None:
        run(options.half, options.count, options.work, audio)
    run("synthesised", options.count if options.made is None else options.made, options.work, None)
    kinds = {kind: stored(options.work, kind) for kind in (*get_args(Half), "synthesised")}
    write_page(options.page, page_text(kinds), __file__)
    print(options.page)


if __name__ == "__main__":
    main(sys.argv[1:])
