"""How far clean inputs and planted faults lie from each limit of the findings.

python -m validations.limits --audio FOLDER --half tune --shows 20 --work FOLDER

For each limit that separates what is clean from what is faulty, the quantity that it is compared with is read of all inputs of
clean shows, and of inputs with a fault of graded strength. The recordings are no part of the project
(`tests/support/stage/library.py`). Lines of what was run are appended to a file in the work folder; the page is written anew
from all lines.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, get_args

import numpy as np

from deskhand.findings import KINDS
from deskhand.measure.leak import find_leak
from deskhand.units import dbfs_from_mean_square, number
from tests.support.feed import figures_of
from tests.support.stage.effects import RATE_HZ
from tests.support.stage.library import VARIABLE, Half, folder_given, open_library
from tests.support.stage.limit_plants import (
    LIMIT_PLANTS,
    TOGETHER,
    failed_together,
    mixes_with_click,
    planted_everywhere,
)
from tests.support.stage.plants import Scene
from tests.support.stage.quantities import (
    Values,
    dropout_spread_s,
    measured_show,
    mix_leak_db,
    mix_values,
    values_of,
)
from tests.support.stage.score import seeded
from tests.support.stage.show import clean_show
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tests.support.stage.library import Library
    from tests.support.stage.show import StageShow

SHOWS: Final = 16
FIRST_SEASON: Final = 3000
"""Seasons of this study are others than those of the clean shows and of the planted faults."""
WEEKS: Final = 2
"""Weeks of a season that are taken: the first has no newcomer, the second a guest."""
TIMES_FAULTY: Final = 3
"""Each show is read so often with faults, other ones each time."""
TOGETHER_EACH: Final = 6
"""In each so many shows all inputs fail at once, too."""
TOGETHER_STRENGTHS: Final = {"recorder dropout": (5.0, 20.0, 100.0), "word clock": (0.0, -10.0, -20.0)}
MIX_STRENGTHS: Final = (-30.0, -40.0, -50.0, -60.0, -70.0)
IN_THE_MIX: Final = "click in the mix"
WORK: Final = Path(tempfile.gettempdir()) / "deskhand-limits"
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-limits.md"


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Quantity that a limit is compared with."""

    limit: str
    """As "kind.limit"."""
    words: str
    faults: tuple[str, ...]
    """Planted faults that it tells."""
    is_low: bool = False
    """True where the finding needs it at the limit or below."""
    factor: float = 1.0
    """From its unit to the one it is printed in."""
    unit: str = ""

    @property
    def value(self) -> float:
        """Limit itself."""
        kind, limit = self.limit.split(".")
        return KINDS[kind][limit]

    def is_beyond(self, reading: float) -> bool:
        """True where a reading lies on the finding's side of the limit."""
        return reading <= self.value if self.is_low else reading >= self.value

    def told(self, reading: float) -> str:
        """Reading in its unit; what stands for nothing as a dash."""
        shown = reading * self.factor
        return (
            "none"
            if shown <= -100.0
            else f"{number(shown, 1 if abs(shown) >= 1.0 else 2 if self.unit else 4)}{self.unit}"
        )


QUANTITIES: Final = (
    Quantity(limit="silent.went_silent_s", words="seconds for which an input stays 10 dB quieter than ever before, to the end", faults=("no signal",), unit=" s"),
    Quantity(limit="silent.at_once_db", words="fall at that stop, from the lowest of 0.3 s before to the highest of 0.3 s after", faults=("no signal",), unit=" dB"),
    Quantity(limit="silent.dying_db", words="steady fall over the 0.8 s before that stop", faults=("no signal",), is_low=True, unit=" dB"),
    Quantity(limit="one-sided.one_sided_db", words="sides of a pair, apart", faults=("dead side",), unit=" dB"),
    Quantity(limit="one-sided.side_gone_db", words="sides of a pair, apart for 3 s of playing at least", faults=("side down for 8 s",), unit=" dB"),
    Quantity(limit="one-sided.side_gone_s", words="longest time for which the sides are 25 dB apart", faults=("side gone for a while",), unit=" s"),
    Quantity(limit="one-sided.half_gone_db", words="level below nominal of a pair whose sides are 12 dB apart or more", faults=("dead side",), is_low=True, unit=" dB"),
    Quantity(limit="clipped.few", words="peaks cut flat at the top", faults=("clipping", "cut below full scale")),
    Quantity(limit="clipped.many", words="peaks cut flat at the top", faults=("clipping", "cut below full scale")),
    Quantity(limit="clipped.long_share", words="share of flats of five samples and more, where three or more lie at the top, below full scale", faults=("cut below full scale",)),
    Quantity(limit="clipped.at_the_top", words="height of flats against the highest peak, median", faults=("clipping", "cut below full scale")),
    Quantity(limit="dropout.together_s", words="starts of one dropout in all tracks, furthest apart", faults=("recorder dropout",), is_low=True, factor=1000.0, unit=" ms"),
    Quantity(limit="dropout.together_tracks", words="tracks that drop out at once", faults=("dropout", "recorder dropout")),
    Quantity(limit="wireless-hit.fix_count", words="bursts and mutes as a radio link makes them", faults=("wireless burst", "radio mute")),
    Quantity(limit="wireless-hit.below_room_db", words="quietest gap of a voice below its room", faults=("radio mute",), unit=" dB"),
    Quantity(limit="wireless-hit.white_in_a_voice", words="whiteness of the whitest burst in a voice", faults=("wireless burst",)),
    Quantity(limit="wireless-hit.white", words="whiteness of the whitest burst in an instrument on radio", faults=("wireless burst",)),
    Quantity(limit="duplicate.same", words="largest correlation with a track of another input", faults=()),
    Quantity(limit="in-the-mix.leak_listen_db", words="click against the input's level", faults=("click bleed",), unit=" dB"),
    Quantity(limit="in-the-mix.leak_fix_db", words="click against the input's level", faults=("click bleed",), unit=" dB"),
    Quantity(limit="in-the-mix.leak_mix_db", words="click against the mix", faults=(IN_THE_MIX,), unit=" dB"),
    Quantity(limit="hum.listen_db", words="mains lines against the level", faults=("hum", "soft hum"), unit=" dB"),
    Quantity(limit="hum.fix_db", words="mains lines against the level", faults=("hum", "soft hum"), unit=" dB"),
    Quantity(limit="hum.least_dbfs", words="level of mains lines", faults=("hum", "soft hum"), unit=" dBFS"),
    Quantity(limit="clicks.fix_count", words="clicks at the same instants as in another track", faults=("word clock",)),
    Quantity(limit="noise.listen_db", words="steady noise of a line's pauses below its playing", faults=("noise",), is_low=True, unit=" dB"),
    Quantity(limit="delay.least_ms", words="delay of a side, where there is one clear delay", faults=("delay of a side",), unit=" ms"),
    Quantity(limit="dc.listen", words="mean of the samples", faults=("offset",), factor=100.0, unit=" %"),
    Quantity(limit="dc.fix", words="mean of the samples", faults=("offset",), factor=100.0, unit=" %"),
    Quantity(limit="mono-loss.listen_db", words="mono loss of a pair", faults=("inverted pair of one signal",), is_low=True, unit=" dB"),
    Quantity(limit="mono-loss.mix_db", words="mono loss of the mix", faults=(), is_low=True, unit=" dB"),
    Quantity(limit="vocal-covered.covered_share", words="covered share of a voice's words", faults=("voice turned down",), factor=100.0, unit=" %"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class InputRow:
    """Quantities of one input, clean or with a fault."""

    show: int
    source: str
    rig: str
    values: Values
    fault: str = ""
    """Empty for a clean input."""
    strength: float = 0.0


def stored(work: Path, half: Half) -> list[InputRow]:
    """Rows that were run before."""
    file = work / f"limits-{half}.jsonl"
    lines: list[dict[str, Any]] = (
        [json.loads(line) for line in file.read_text("utf-8").splitlines()] if file.exists() else []
    )
    return [InputRow(**line) for line in lines]


def show_rows(library: Library, show_number: int, counts: Counter[tuple[str, float]]) -> Iterator[InputRow]:
    """Rows of one show: clean, with a fault in each input, and in some with what fails everywhere at once."""
    show = clean_show(library, FIRST_SEASON + show_number // WEEKS, 1 + show_number % WEEKS)
    # what the audit of clean shows complains of is not clean
    if show.notes:
        print(f"show {show_number} left out: {'; '.join(show.notes)}", flush=True)
        return
    scene = Scene(
        parts={part.name: part for part in show.parts}, rng=seeded("limits", show.season, show.week),
        nominal_dbfs=show.nominal_dbfs,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        clean = measured_show(show, folder)
        for part in show.parts:
            yield InputRow(show=show_number, source=part.name, rig=part.rig, values=values_of(clean, part.name))
        yield InputRow(show=show_number, source="the mix", rig="", values=mix_values(clean))
        for _ in range(TIMES_FAULTY):
            faulty, planted = planted_everywhere(show, scene, counts)
            measured = measured_show(faulty, folder)
            for source, (fault, strength, moments_s) in planted.items():
                yield InputRow(
                    show=show_number, source=source, rig=show.rig_of(source), fault=fault, strength=strength,
                    values=values_of(measured, source, moments_s if fault == "wireless burst" else ()),
                )  # fmt: skip
        if show_number % TOGETHER_EACH in (0, 1):
            yield from _together_rows(show, show_number, scene, folder)
    if "click" in scene.parts:
        yield from _mix_rows(show, show_number)


def _together_rows(show: StageShow, show_number: int, scene: Scene, folder: Path) -> Iterator[InputRow]:
    """Rows of a show whose inputs all fail at once."""
    fault = TOGETHER[show_number % len(TOGETHER)]
    strengths = TOGETHER_STRENGTHS[fault]
    strength = strengths[show_number // TOGETHER_EACH % len(strengths)]
    measured = measured_show(failed_together(show, scene, fault, strength), folder)
    spread_s = dropout_spread_s(measured.context, 3)
    for part in show.parts:
        values = values_of(measured, part.name)
        if fault == "recorder dropout" and spread_s is not None:
            values["dropout.together_s"] = spread_s
        yield InputRow(show=show_number, source=part.name, rig=part.rig, fault=fault, strength=strength, values=values)


def _mix_rows(show: StageShow, show_number: int) -> Iterator[InputRow]:
    """Rows of mixes without the click, and with it at several levels."""
    tracks = mixes_with_click(show, MIX_STRENGTHS)
    figures = figures_of(tracks, sample_rate_hz=RATE_HZ, origins=[0], threads=1)
    for row, strength in enumerate((0.0, *MIX_STRENGTHS), 1):
        leak = find_leak(figures, 0, row)
        mix_dbfs = float(dbfs_from_mean_square(np.array(figures.tracks[row].overall)))
        yield InputRow(
            show=show_number, source="the mix", rig="", fault=IN_THE_MIX if row > 1 else "", strength=strength,
            values={"in-the-mix.leak_mix_db": mix_leak_db(mix_dbfs, None if leak is None else leak.level_dbfs)},
        )  # fmt: skip


def run(library: Library, shows: int, work: Path) -> None:
    """Run the shows that are still to be run."""
    rows = stored(work, library.half)
    done = {row.show for row in rows}
    counts = Counter((row.fault, row.strength) for row in rows if row.fault not in ("", *TOGETHER))
    for show_number in range(shows):
        if show_number in done:
            continue
        of_show = list(show_rows(library, show_number, counts))
        with (work / f"limits-{library.half}.jsonl").open("a", encoding="utf-8") as lines:
            lines.write("".join(json.dumps(asdict(row)) + "\n" for row in of_show))
        print(f"show {show_number} of {shows}: {len(of_show)} rows", flush=True)


def _share(beyond: Sequence[bool]) -> str:
    return f"{sum(beyond)} of {len(beyond)}"


def _faults_cell(quantity: Quantity, rows: Sequence[InputRow]) -> str:
    """Planted faults beyond a limit, by strength."""
    parts = []
    for fault in quantity.faults:
        by_strength: dict[float, list[bool]] = defaultdict(list)
        for row in rows:
            if row.fault == fault and quantity.limit in row.values:
                by_strength[row.strength].append(quantity.is_beyond(row.values[quantity.limit]))
        unit = _unit_of(fault)
        cells = [f"{number(strength, 1)}: {_share(by_strength[strength])}" for strength in sorted(by_strength)]
        if not unit:
            cells = [_share([beyond for several in by_strength.values() for beyond in several])]
        parts.append(f"{fault}{', ' if unit else ''}{unit}: {', '.join(cells) if by_strength else 'none read'}")
    return "; ".join(parts) or "-"


def _unit_of(fault: str) -> str:
    """Unit of a fault's strength."""
    units = {plant.kind: plant.unit for plant in LIMIT_PLANTS} | {
        "recorder dropout": "ms", "word clock": "dB against the level", IN_THE_MIX: "dB against the mix",
    }  # fmt: skip
    return units[fault]


def quantity_line(quantity: Quantity, rows: Sequence[InputRow]) -> str:
    """Line of the table: limit, quantity, most extreme clean input, clean and planted ones beyond."""
    clean = [row.values[quantity.limit] for row in rows if not row.fault and quantity.limit in row.values]
    kind, limit = quantity.limit.split(".")
    extreme = (min if quantity.is_low else max)(clean, default=None)
    return (
        f"| `{kind}` | `{limit}` | {quantity.words} | {quantity.told(quantity.value)} "
        f"| {'-' if extreme is None else f'{quantity.told(extreme)} of {len(clean)}'} "
        f"| {_share([quantity.is_beyond(reading) for reading in clean]) if clean else '-'} | {_faults_cell(quantity, rows)} |"
    )


INTRODUCTION: Final = """\
# Validation: limits of the findings

How far clean inputs and planted faults lie from each limit. Made by `python -m validations.limits` (`make test-all` runs it
where the recordings are; who has the folder names it in `DESKHAND_STAGE_AUDIO`). The shows are those of
[validation-clean-stage.md](validation-clean-stage.md), in seasons of their own, with nothing kept: 30 s, 14 to 19 inputs, real
notes, hits and voices. Each show is read clean, and three times with a fault in each input that can have one, the strengths in turn;
in each third show all inputs drop out or click at once as well. Shows that the audit of clean shows complains of are left out.

A row a limit: what is compared with it; the most extreme of so many clean inputs (towards the finding; "none" where nothing is
read at all); how many clean ones lie on the finding's side of this limit alone, which is not yet a finding (others have to
agree); and how many planted faults do, by strength. A limit is well placed where the clean ones lie on one side and the faults
that matter on the other.
"""


def page_text(halves: dict[Half, list[InputRow]]) -> str:
    """Page of the study."""
    lines = [INTRODUCTION]
    for half, rows in halves.items():
        if not rows:
            continue
        shows = len({row.show for row in rows})
        faults = sum(bool(row.fault) for row in rows)
        lines += [
            f"## Half `{half}`: {shows} shows, {faults} faults",
            "",
            "| kind | limit | what is compared | limit at | clean, most extreme | clean beyond | planted beyond |",
            "|---|---|---|---|---|---|---|",
            *(quantity_line(quantity, rows) for quantity in QUANTITIES),
            "",
        ]
    return "\n".join(lines)


def main(words: list[str] | None = None) -> None:
    """Run what is still to be run of one half, and write the page."""
    parser = argparse.ArgumentParser(description="How far clean inputs and planted faults lie from each limit.")
    parser.add_argument("--audio", type=Path, help=f"folder of the recordings, else ${VARIABLE}")
    parser.add_argument("--half", choices=get_args(Half), default="tune")
    parser.add_argument("--shows", type=int, default=SHOWS)
    parser.add_argument("--work", type=Path, default=WORK, help="folder for what was run so far")
    parser.add_argument("--page", type=Path, default=TARGET)
    options = parser.parse_args(words or [])
    folder = folder_given(options.audio)
    if folder is None:
        print(f"limits: no folder of recordings; name it with --audio or ${VARIABLE}. Nothing was run.")
        return
    options.work.mkdir(parents=True, exist_ok=True)
    run(open_library(folder, options.half), options.shows, options.work)
    halves = {half: stored(options.work, half) for half in get_args(Half)}
    write_page(options.page, page_text(halves), __file__)
    print(options.page)


if __name__ == "__main__":
    main(sys.argv[1:])
