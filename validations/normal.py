"""What is normal here: how often a clean show is called unusual, how often something wrong is found, by kept shows.

Seasons of the invented venue, other song, key, tempo and players each week (`season_data`): 200 clean shows, and 120 in
which half of the sources have one thing wrong and two inputs are exchanged. A house keeps 1, 3, 10 or 30 shows drawn at
random from the clean ones, and judges others. Once more with shows made from real samples, where these can be had.
`make test` judges a seeded fortieth (tests/baseline/test_season.py).
"""

from __future__ import annotations

import functools
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.judgements import SHOW_BUDGET
from tests.support.normals import (
    HOUSES,
    JUDGED_CLEAN,
    JUDGED_PLANTED,
    SEED,
    Outcome,
    Show,
    raised,
    season,
    study,
)
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Sequence


DOCS: Final = Path(__file__).parent.parent / "docs"
TARGET: Final = DOCS / "validation-normal.md"
KEPT: Final = (1, 3, 10, 30)
FAULTS: Final = {"side gone": "one-sided", "side upside down": "polarity"}


def budget_for(outcome: Outcome, share: float) -> float:
    """The budget at which this share of clean shows has any raised finding."""
    least = sorted(min((value for value, *_ in tests), default=np.inf) for tests in outcome.clean)
    return float(least[int(share * len(least))])


def _percent(values: Sequence[bool], digits: int = 0) -> str:
    return f"{100 * float(np.mean(values)):.{digits}f} %" if len(values) else "-"


def _tables(kind: str, outcomes: dict[int, Outcome], clean: Sequence[Show], planted: Sequence[Show]) -> list[str]:
    lines = [
        f"## {kind}: {len(clean)} clean shows, {len(planted)} with things wrong",
        "",
        "| kept shows | tests a show | false findings a clean show | clean shows with none | false findings a year of weeks | most often |",
        "|---|---|---|---|---|---|",
    ]
    for kept, outcome in outcomes.items():
        found = [raised(tests) for tests in outcome.clean]
        often = ", ".join(f"{a} {b}" for (a, b), _ in Counter(x for one in found for x in one).most_common(2)) or "-"
        mean = float(np.mean([len(one) for one in found]))
        lines.append(
            f"| {kept} | {np.mean([len(tests) for tests in outcome.clean]):.0f} | {mean:.2f} | "
            f"{_percent([not one for one in found])} | {52 * mean:.1f} | {often} |"
        )
    kinds = sorted({what for outcome in outcomes.values() for what in outcome.planted})
    head = "| planted | " + " | ".join(f"{kept} kept" for kept in outcomes) + " | cases |"
    lines += [
        "",
        "Found as a judgement, at the operating point where one clean show in ten has any raised finding:",
        "",
        head,
        "|---|" + "---|" * (len(outcomes) + 1),
    ]
    for what in kinds:
        cells = [
            _percent([least < budget_for(outcome, 0.1) for least, _ in outcome.planted[what]])
            for outcome in outcomes.values()
        ]
        lines.append(f"| {what} | {' | '.join(cells)} | {sum(len(one.planted[what]) for one in outcomes.values())} |")
    lines += ["", "The same at the product's own operating point:", "", head, "|---|" + "---|" * (len(outcomes) + 1)]
    for what in kinds:
        cells = [_percent([least < SHOW_BUDGET for least, _ in one.planted[what]]) for one in outcomes.values()]
        lines.append(f"| {what} | {' | '.join(cells)} | |")
    lines += [
        "",
        "Two inputs exchanged: at least one of them named as another source, a fault; and sides upside down, against the kept takes:",
        "",
        "| kept shows | unlike sources | two singers | two who speak | clean inputs taken for another | upside down | clean ones said to be | clean inputs |",
        "|---|---|---|---|---|---|---|---|",
    ]
    singers, speakers = {"lead voice", "voice 2", "voice 3"}, {"lectern", "handheld"}
    for kept, outcome in outcomes.items():
        groups: dict[str, list[bool]] = defaultdict(list)
        for pair, named in outcome.pairs.items():
            group = "sing" if set(pair) <= singers else "speak" if set(pair) <= speakers else "unlike"
            groups[group] += named
        lines.append(
            f"| {kept} | {_percent(groups['unlike'], 1)} of {len(groups['unlike'])} | {_percent(groups['sing'])} of "
            f"{len(groups['sing'])} | {_percent(groups['speak'])} of {len(groups['speak'])} | {len(outcome.mistaken)} | "
            f"{_percent(outcome.turned, 1)} of {len(outcome.turned)} | {len(outcome.turned_clean)} | {outcome.inputs} |"
        )
    lines += [
        "",
        "Faults that need no baseline:",
        "",
        "| planted | found | said of clean source-shows |",
        "|---|---|---|",
    ]
    for what, fault in FAULTS.items():
        told = [
            fault in show.findings[source] for show in planted for source, one in show.planted.items() if one == what
        ]
        false = sum(fault in kinds for show in clean for kinds in show.findings.values())
        lines.append(
            f"| {what} | {sum(told)} of {len(told)} | {false} of {sum(len(show.findings) for show in clean)} |"
        )
    lines += [
        "",
        "Share of clean readings inside their 95 % range:",
        "",
        "| number | " + " | ".join(f"{kept} kept" for kept in outcomes) + " |",
        "|---|" + "---|" * len(outcomes),
    ]
    for name in sorted({name for outcome in outcomes.values() for name in outcome.covered}):
        cells = [
            f"{100 * np.mean(outcome.covered[name]):.1f} %" if outcome.covered[name] else "-"
            for outcome in outcomes.values()
        ]
        lines.append(f"| {name}{', each octave' if name == 'tone' else ''} | {' | '.join(cells)} |")
    everything = [[value for values in outcome.covered.values() for value in values] for outcome in outcomes.values()]
    lines.append(f"| all | {' | '.join(f'{100 * np.mean(values):.1f} %' for values in everything)} |")
    return [*lines, ""]


def roc_picture(outcomes: dict[int, Outcome], target: Path) -> None:
    """Found, over the share of clean shows with any finding, for each kind and number of kept shows."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "deskhand"
    from matplotlib import pyplot as plt

    kinds = sorted({what for outcome in outcomes.values() for what in outcome.planted})
    figure, axes = plt.subplots(2, -(-len(kinds) // 2), figsize=(11, 5.2), sharex=True, sharey=True)
    for axis, what in zip(axes.flat, kinds, strict=False):
        for (kept, outcome), style in zip(outcomes.items(), (":", "-.", "--", "-"), strict=True):
            shares = np.linspace(0.0, 0.5, 51)
            budgets = [budget_for(outcome, share) for share in shares]
            found = [np.mean([least < budget for least, _ in outcome.planted[what]]) for budget in budgets]
            axis.plot(shares, found, style, color="#345", label=f"{kept} kept")
        axis.set_title(what, fontsize=9)
        axis.axvline(0.1, color="#aaa", linewidth=0.8)
        axis.set_ylim(0, 1.02)
    axes.flat[0].legend(fontsize=7)
    for axis in axes[-1]:
        axis.set_xlabel("clean shows with any finding", fontsize=8)
    for axis in axes[:, 0]:
        axis.set_ylabel("found", fontsize=8)
    figure.tight_layout()
    figure.savefig(target, metadata={"Date": None})
    plt.close(figure)


def level_table() -> list[str]:
    """A level error found against nominal, by how much the level varies from week to week anyway."""
    rng = np.random.default_rng(SEED)
    lines = [
        "## Level at the tap: a set-point, not a statistic",
        "",
        "Share of sources said to be off by 2 dB and more (listen), and by 4 dB and more (fix), for a source that sits at nominal but",
        "for people's weekly spread, and for one whose gain is wrong as well (200,000 draws; the reading itself is sure to 0.3 dB):",
        "",
        "| gain error | spread 0.5 dB | 1 dB | 2.5 dB |",
        "|---|---|---|---|",
    ]
    for error in (0, 2, 3, 6):
        cells = []
        for spread in (0.5, 1.0, 2.5):
            off = np.abs(error + rng.normal(0, np.hypot(spread, 0.3), 200_000))
            cells.append(f"{100 * np.mean(off >= 2):.0f} % listen, {100 * np.mean(off >= 4):.0f} % fix")
        lines.append(f"| {error} dB | {' | '.join(cells)} |")
    return [*lines, "", "Where players vary by 2.5 dB, no method tells a gain error of 3 dB from a player.", ""]


def main() -> None:
    """Run the study and write the page."""
    lines = [
        "# Validation: what is normal here",
        "",
        "Made by `make test-all` (`validations/normal.py`). Everything is synthesised or made from openly licensed samples; the season,",
        "its people and its songs are invented. Each take has 45 s: real ones are longer, and surer.",
        f"Every row: {HOUSES} houses that kept other shows each, seed {SEED}; {JUDGED_CLEAN} clean and {JUDGED_PLANTED} planted shows a house.",
        "What is planted is made with scipy: bell of +4 dB at 3 kHz (Q 1), shelf of -6 dB above 4 kHz, reverberation of 1.2 s 5 dB below",
        "the sound, onsets above 1.5 kHz halved in dB, one side gone or upside down, sides 8 dB down, two single inputs exchanged.",
        "",
    ]
    for kind, title in (("synthesised", "Synthesised season"), ("samples", "Season from real samples")):
        clean, planted = season(kind)
        with ProcessPoolExecutor() as pool:
            outcomes = dict(zip(KEPT, pool.map(functools.partial(study, clean, planted), KEPT), strict=True))
        lines += _tables(title, outcomes, clean, planted)
        roc_picture(outcomes, DOCS / f"normal-roc-{kind}.svg")
        lines += [f"![Found over the share of clean shows with any finding](normal-roc-{kind}.svg)", ""]
    lines += level_table()
    write_page(TARGET, "\n".join(lines), __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
