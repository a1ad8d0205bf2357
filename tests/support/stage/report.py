"""Tables of the study of clean shows and of planted faults."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.support.stage.advice import EQUALISER
from tests.support.stage.plants import PLANTS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tests.support.stage.faulty import FaultRow
    from tests.support.stage.season import Raised, ShowRow


def _share(count: int, total: int) -> str:
    return f"{count} of {total} ({100 * count / total:.1f} %)" if total else "-"


def clean_lines(rows: Sequence[ShowRow], half: str) -> list[str]:
    """Lines of the part about clean shows."""
    clean = [row for row in rows if not row.notes]
    groups: list[tuple[str, Callable[[ShowRow], bool]]] = [
        ("nothing kept", lambda row: row.kept == 0),
        ("1 to 4 kept", lambda row: 1 <= row.kept < 5),
        ("5 and more kept", lambda row: row.kept >= 5),
        ("all", lambda _: True),
    ]
    lines = [
        f"## {len(clean)} clean shows of the half `{half}`",
        "",
        "| weeks kept | shows | nothing raised | a false *fix* | faults alone: something false | a setting asked for |",
        "|---|---|---|---|---|---|",
    ]
    for name, among in groups:
        shows = [row for row in clean if among(row)]
        quiet = sum(not row.raised for row in shows)
        fix = sum(any(finding.severity == "fix" for finding in row.raised) for row in shows)
        faults = sum(any(finding.is_fault for finding in row.raised) for row in shows)
        lines.append(
            f"| {name} | {len(shows)} | {_share(quiet, len(shows))} | {_share(fix, len(shows))} | {_share(faults, len(shows))} | "
            f"{_share(sum(bool(row.moves) for row in shows), len(shows))} |"
        )
    if len(clean) < len(rows):
        lines += ["", f"Left out, since the audit found them not clean: {len(rows) - len(clean)}."]
    lines += [
        "",
        "Everything false, and where:",
        "",
        "| kind | severity | needs kept weeks | findings | shows | most frequent cause | others |",
        "|---|---|---|---|---|---|---|",
    ]
    by_kind: dict[tuple[str, str, bool], list[tuple[ShowRow, Raised]]] = defaultdict(list)
    for row in clean:
        for finding in row.raised:
            by_kind[finding.kind, finding.severity, finding.is_fault].append((row, finding))
    for (kind, severity, is_fault), several in sorted(by_kind.items(), key=lambda entry: -len(entry[1])):
        causes = Counter(f"{finding.source} ({finding.rig})" for _, finding in several).most_common()
        others = ", ".join(f"{name} {count}" for name, count in causes[1:4]) or "-"
        show_count = len({(row.season, row.week) for row, _ in several})
        lines.append(
            f"| {kind} | {severity} | {'no' if is_fault else 'yes'} | {len(several)} | {show_count} | {causes[0][0]} {causes[0][1]} | {others} |"
        )
    return lines


MOST_NAMED: Final = 60
"""False findings that are named one by one: about two screens."""

INTRODUCTION: Final = """\
# Validation: clean stage, and planted faults

Made by `python -m validations.clean_stage` (`make test-all` runs it where the recordings are). Weekly shows of 30 s with 14 to 19 inputs. What sounds is real: single
notes, hits and spoken lines of openly licensed recordings and one real singer a half, triggered from invented songs; the
recordings are split by source into a half to tune on and a half to verify, which is never looked into while tuning. The
recordings are no part of the project: who has the folder names it in `DESKHAND_STAGE_AUDIO`.

Rigs: kit (real hits heard by all its microphones), the same with gates; bass by DI and microphone, with an octave effect,
clean and driven; guitar with a noise gate, with a ping-pong echo, at a near and a far microphone; acoustic guitar by
pickup and microphone as one pair; a wind instrument at two microphones; keys through a rotating speaker, through a chorus,
at a near and a far pair; two singers, who in each fifth week change microphones on purpose; somebody who speaks between
the songs, or the singer does; electronic pads whose samples repeat to the bit, hand percussion, or loops with the
players' click; a spare input with a guest in each fourth week. People tune and noodle between the songs; in each third
week somebody new plays. Open microphones hear the other rigs, each at a distance that stays for the season, and the
room. A note that is played higher than it was recorded keeps a recording's band of 20 kHz: without that its transients become
shorter than any recorded one, and are digital clicks. The effects are plain numpy (`tests/support/stage/effects.py`), each
measured by tests.

Clean means: levels within 1.5 dB of nominal (normal distribution of 0.7 dB, cut off), set by a measure written for this
study (of what is struck and of overheads the mean power of the loud strokes); peaks below -3.5 dBTP, offsets below 0.1 %, sides of a pair within 10 dB, by an audit in plain numpy; a show that
does not pass is left out and counted. A season has 20 weeks; each is checked as `deskhand check` does it, against the
weeks kept before it; each fifth season keeps none. Seeds fix everything. Every finding that is *listen* or *fix* is false.

Planted faults: five in a show at sources of their own, in seasons of other seeds with twelve kept weeks, strengths drawn
from the list; a digital click only where the sound within 8 ms does not mask it in all of the ear's bands (Glasberg and Moore
1990; Moore et al. 1988). Found: *listen* or *fix* at that source; of the right kind; each moment within 0.2 s of a span that
is named.
"""


def page_text(
    halves: Mapping[str, tuple[Sequence[ShowRow], Sequence[FaultRow]]], *, verify_runs: int, remark: str = ""
) -> str:
    """Page of the study, from all rows of both halves."""
    lines = [INTRODUCTION, f"The half to verify was run {verify_runs} times so far. {remark}".strip(), ""]
    for half, (rows, faults) in halves.items():
        if rows:
            lines += [*clean_lines(rows, half), "", *_named(rows), ""]
        if faults:
            lines += [*fault_lines(faults, half), ""]
    return "\n".join(lines)


def _named(rows: Sequence[ShowRow]) -> list[str]:
    """Every false finding with its show, up to a number."""
    named = [
        f"- {row.season}:{row.week}, {row.kept} kept: {finding.severity} {finding.source} ({finding.rig}): {finding.text}"
        for row in rows
        if not row.notes
        for finding in row.raised
    ]
    if not named:
        return ["Nothing false was raised."]
    return [f"Named, {min(MOST_NAMED, len(named))} of {len(named)}, by season and week:", "", *named[:MOST_NAMED]]


def half_found(rows: Sequence[FaultRow]) -> str:
    """Strength, without its sign, at which the share that is found crosses a half; empty where it never does."""
    by_strength: dict[float, list[bool]] = defaultdict(list)
    for row in rows:
        by_strength[abs(row.strength)].append(row.right_kind)
    shares = [(strength, sum(several) / len(several)) for strength, several in sorted(by_strength.items())]
    for (first, before), (second, after) in pairwise(shares):
        if (before - 0.5) * (after - 0.5) < 0.0:
            return f"{first + (second - first) * (0.5 - before) / (after - before):.3g}"
    return ""


def fault_lines(rows: Sequence[FaultRow], half: str) -> list[str]:
    """Lines of the part about planted faults."""
    units = {plant.kind: plant.unit for plant in PLANTS}
    by_kind: dict[str, list[FaultRow]] = defaultdict(list)
    for row in rows:
        by_kind[row.kind].append(row)
    lines = [
        f"## {len(rows)} planted faults of the half `{half}`",
        "",
        "| planted | strengths | cases | anything raised at its source | right kind | right kind and time | half are found at | said elsewhere instead or too |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for kind, several in [*sorted(by_kind.items()), ("all", list(rows))]:
        strengths = sorted({row.strength for row in several})
        span = (
            f"{strengths[0]:g} to {strengths[-1]:g} {units.get(kind, '')}"
            if kind != "all" and len(strengths) > 1
            else "-"
        )
        lines.append(
            f"| {kind} | {span} | {len(several)} | {_share(sum(row.found for row in several), len(several))} | "
            f"{_share(sum(row.right_kind for row in several), len(several))} | "
            f"{_share(sum(row.right_time for row in several), len(several))} | {half_found(several) if kind != 'all' else ''} | "
            f"{sum(row.elsewhere > 0 for row in several)} |"
        )
    lines += ["", *demanded_lines(rows), "", *advice_lines(rows)]
    lines += ["", "Found with the right kind, by strength:", "", "| planted | strength: found of cases |", "|---|---|"]
    for kind, several in sorted(by_kind.items()):
        counts = defaultdict(list)
        for row in several:
            counts[row.strength].append(row.right_kind)
        curve = ", ".join(f"{strength:g}: {sum(right)} of {len(right)}" for strength, right in sorted(counts.items()))
        lines.append(f"| {kind} ({units.get(kind) or '-'}) | {curve} |")
    missed: dict[str, Counter[str]] = defaultdict(Counter)
    for row in rows:
        if not row.right_kind:
            missed[row.kind][f"{row.rig}{': said ' + ', '.join(row.said) if row.said else ''}"] += 1
    lines += ["", "Missed most often:", "", "| planted | where, and what was said there |", "|---|---|"]
    for kind, rigs in sorted(missed.items()):
        lines.append(f"| {kind} | {'; '.join(f'{name} {count}' for name, count in rigs.most_common(4))} |")
    return lines


DEMANDED: Final[tuple[tuple[str, str, Callable[[FaultRow], bool]], ...]] = (
    ("dead side", "20 dB down and more", lambda row: row.strength >= 20.0),
    ("inverted pair of one signal", "all", lambda _: True),
    ("level", "6 dB off and more", lambda row: abs(row.strength) >= 6.0),
    ("hum", "30 dB below and louder", lambda row: row.strength >= -30.0),
    ("dropout", "5 ms and longer", lambda row: row.strength >= 5.0),
    ("wireless burst", "20 to 250 ms", lambda row: row.strength >= 20.0),
    ("digital click", "30 dB below and louder", lambda row: row.strength >= -30.0),
)
"""Planted kinds that have to be found, and from where on."""


def demanded_lines(rows: Sequence[FaultRow]) -> list[str]:
    """Lines of the table of what has to be found in 95 of 100."""
    lines = [
        "What has to be found, in 95 of 100:",
        "",
        "| planted | of these | right kind | right kind and time |",
        "|---|---|---|---|",
    ]
    for kind, words, counts in DEMANDED:
        several = [row for row in rows if row.kind == kind and counts(row)]
        if several:
            lines.append(
                f"| {kind} | {words} | {_share(sum(row.right_kind for row in several), len(several))} | "
                f"{_share(sum(row.right_time for row in several), len(several))} |"
            )
    return lines


def advice_lines(rows: Sequence[FaultRow]) -> list[str]:
    """Lines about advice that was carried out by numpy, sox and scipy."""
    levels = [row.advice for row in rows if row.advice is not None and row.kind == "level" and row.right_kind]
    tones = [
        row.advice
        for row in rows
        if row.advice is not None and row.kind != "level" and set(row.advice.controls) & EQUALISER
    ]
    if not levels and not tones:
        return []
    lines = ["Advice, carried out by numpy, sox and scipy and measured by the study's own measures:", ""]
    if levels:
        within = sum(abs(advice.level_off_db[1]) <= 1.0 for advice in levels)
        worse = sum(abs(advice.level_off_db[1]) > abs(advice.level_off_db[0]) + 1.0 for advice in levels)
        lines.append(
            f"- faults of level with a move: {len(levels)}; level within 1 dB of nominal afterwards {_share(within, len(levels))}; worse by more than 1 dB {worse}"
        )
    if tones:
        closer = sum(advice.tone_off_db[1] < advice.tone_off_db[0] for advice in tones)
        worse = sum(advice.tone_off_db[1] > advice.tone_off_db[0] + 1.0 for advice in tones)
        level = sum(abs(advice.level_off_db[1]) <= 1.0 for advice in tones)
        before_db, after_db = (float(np.median([advice.tone_off_db[number] for advice in tones])) for number in (0, 1))
        lines.append(
            f"- faults of tone with a move of the equaliser: {len(tones)}; octaves closer to the unfaulted than before {_share(closer, len(tones))}, "
            f"median distance {before_db:.1f} dB before and {after_db:.1f} dB afterwards; worse by more than 1 dB {worse}; level within 1 dB of the unfaulted {_share(level, len(tones))}"
        )
    return lines


def false_list(rows: Sequence[ShowRow], half: str, weeks: int) -> str:
    """Every false finding with its words and how to make it again."""
    lines = [
        f"# False findings on clean shows, half {half}", "",
        (f"Make one again: `python -m validations.clean_stage --audio FOLDER --half {half} --again SEASON:WEEK` prints all that is said of the show, "
        "notes too; with `--kept` it plays and keeps the weeks before it first (needed for judgements), with `--write FOLDER` it writes the "
        "recording with its house file, for `deskhand check`."), "",
        *clean_lines(rows, half), "",
    ]  # fmt: skip
    by_kind: dict[str, list[tuple[ShowRow, Raised]]] = defaultdict(list)
    for row in rows:
        for finding in row.raised:
            by_kind[finding.kind].append((row, finding))
    for kind, several in sorted(by_kind.items(), key=lambda entry: -len(entry[1])):
        lines += [f"## {kind}: {len(several)}", ""]
        for row, finding in several:
            kept = "" if finding.is_fault else f", {row.kept} kept"
            lines.append(
                f"- `--again {row.season}:{row.week}`{kept}: {finding.severity} **{finding.source}** ({finding.rig}): {finding.text}"
            )
        lines.append("")
    not_clean = [(row.season, row.week, row.notes) for row in rows if row.notes]
    return "\n".join([*lines, f"Not clean by the audit: {not_clean or 'none'}. Seasons of {weeks} weeks.", ""])
