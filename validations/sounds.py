"""How well a player's sounds are told apart: planted shows, and shows with one sound only.

A player of picked notes (of a real guitar, and plucked strings from arithmetic) goes through two to four stretches of 15 to
45 s, each in another sound than the one before. `make test` runs some such shows (tests/measure/test_sounds.py). The truth
comes from the plan, and the step that was really played from pyloudnorm on the planted stretches.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import pyloudnorm

from tests.support.sounds import BOOST_DB, RATE_HZ, SOUNDS, changes_s, errors_s, read, show, strays_s
from tools.provenance import write_page

KINDS: Final = {"real": "notes of a real guitar", "synthetic": "plucked strings from arithmetic"}
PLANTED: Final = 60
"""Shows of each kind."""
BOOSTED: Final = 16
"""Shows of each kind: clean, boosted, clean."""
SINGLE: Final = 12
"""Shows of each kind and each sound."""
FOUND_S: Final = 3.0
"""A change further from any that was found counts as missed."""
NOTHING: Final = "-"
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-sounds.md"


@dataclass(slots=True)
class Change:
    """Changes from one sound to another, either way."""

    apart_s: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Study:
    """What was found in all planted shows of a kind."""

    changes: dict[tuple[str, str], Change] = field(default_factory=lambda: defaultdict(Change))
    strays: int = 0
    minutes: float = 0.0
    numbers: list[tuple[int, int]] = field(default_factory=list)
    """(planted, found)."""
    once: list[tuple[int, int]] = field(default_factory=list)
    """The same for the shows in which no sound comes back."""


def _plan(rng: np.random.Generator) -> tuple[tuple[str, float], ...]:
    names: list[str] = []
    for _ in range(rng.integers(2, 5)):
        names.append(str(rng.choice([name for name in SOUNDS if not names or name != names[-1]])))
    return tuple((name, float(rng.uniform(15.0, 45.0))) for name in names)


def _step_played(track: np.ndarray, plan: tuple[tuple[str, float], ...], spans: list[tuple[float, float]]) -> float:
    """Of clean and boosted stretches, each heard whole: by pyloudnorm."""
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    by_sound: dict[str, list[np.ndarray]] = defaultdict(list)
    for (name, _), (a, b) in zip(plan, spans, strict=True):
        by_sound[name].append(track[round(a * RATE_HZ) : round(b * RATE_HZ)])
    found = [meter.integrated_loudness(np.concatenate(parts)) for parts in by_sound.values()]
    return max(found) - min(found)


def planted(kind: str) -> Study:
    """All planted shows of a kind."""
    study = Study()
    for number in range(PLANTED):
        rng = np.random.default_rng(90000 + number)
        plan = _plan(rng)
        track, spans = show(kind, 91000 + number, plan)
        reading = read(track)
        planted_s, found_s = [end for _, end in spans[:-1]], changes_s(reading)
        apart_s = errors_s(found_s, planted_s)
        for ((before, _), (after, _)), one in zip(pairwise(plan), apart_s, strict=True):
            first, second = sorted((before, after), key=list(SOUNDS).index)
            study.changes[first, second].apart_s.append(one)
        study.strays += len(strays_s(found_s, planted_s, near_s=FOUND_S))
        study.minutes += spans[-1][1] / 60
        different = len({name for name, _ in plan})
        study.numbers.append((different, len(reading.sounds)))
        if different == len(plan):
            study.once.append((different, len(reading.sounds)))
        print(kind, number, [name for name, _ in plan], np.round(apart_s, 1), len(reading.sounds), flush=True)
    return study


def boosted(kind: str) -> str:
    """A row for shows in which one stretch of three is louder."""
    planted_off, played_off, within, spread = [], [], 0, []
    for number in range(BOOSTED):
        rng = np.random.default_rng(97000 + number)
        plan = tuple((name, float(rng.uniform(20.0, 45.0))) for name in ("clean", "boosted", "clean"))
        track, spans = show(kind, 98000 + number, plan)
        reading = read(track)
        apart_s = errors_s(changes_s(reading), [end for _, end in spans[:-1]])
        within += sum(one <= 1.0 for one in apart_s)
        spread += apart_s
        if reading.step_lu is not None:
            planted_off.append(reading.step_lu - BOOST_DB)
            played_off.append(reading.step_lu - _step_played(track, plan, spans))
        print(kind, "boost", number, np.round(apart_s, 1), reading.step_lu, flush=True)
    worst = [f"{np.mean(off):+.2f} | {np.abs(off).max():.2f}" for off in (planted_off, played_off)]
    return f"| {KINDS[kind]} | {BOOSTED} | {within} of {len(spread)} | {len(planted_off)} | {worst[0]} | {worst[1]} |"


def single(kind: str) -> list[str]:
    """Rows for shows with one sound."""
    rows = []
    for sound in SOUNDS:
        counts, strays, minutes = [], 0, 0.0
        for number in range(SINGLE):
            rng = np.random.default_rng(95000 + number)
            length_s = float(rng.uniform(40.0, 180.0))
            track, _ = show(kind, 96000 + number, ((sound, length_s),))
            reading = read(track)
            counts.append(len(reading.sounds))
            strays += len(changes_s(reading))
            minutes += length_s / 60
        wrong = sum(count != 1 for count in counts)
        rows.append(f"| {KINDS[kind]} | {sound} | {SINGLE} | {minutes:.0f} | {wrong} | {strays} |")
        print(rows[-1], flush=True)
    return rows


def _errors(name: str, apart_s: list[float]) -> str:
    """One row: how many, how many found, and how far off those are."""
    every = np.array(apart_s)
    found = every[every <= FOUND_S]
    middle, most = (f"{np.percentile(found, share):.2f}" if found.size else NOTHING for share in (50, 90))
    within = int(np.sum(every <= 1.0))
    return f"| {name} | {every.size} | {found.size} | {within} ({within / every.size:.0%}) | {middle} | {most} |"


def _study(kind: str, study: Study) -> list[str]:
    lines = [
        "",
        f"### {KINDS[kind].capitalize()}",
        "",
        f"| change between | planted | found within {FOUND_S:g} s | within 1 s | median error, s | 90th percentile, s |",
        "|---|---|---|---|---|---|",
    ]
    lines += [_errors(" and ".join(pair), change.apart_s) for pair, change in sorted(study.changes.items())]
    lines.append(_errors("all", [one for change in study.changes.values() for one in change.apart_s]))
    others = [one for pair, change in study.changes.items() if pair != ("clean", "ambient") for one in change.apart_s]
    lines.append(_errors("all but clean and ambient", others))
    counts = {
        "right": sum(a == b for a, b in study.numbers),
        "more": sum(b > a for a, b in study.numbers),
        "fewer": sum(b < a for a, b in study.numbers),
    }
    once = sum(a == b for a, b in study.once)
    numbers = (
        f"Number of sounds: right in {counts['right']} of {len(study.numbers)} shows, more than planted in {counts['more']}, "
        f"fewer in {counts['fewer']}; of the shows in which no sound comes back, right in {once} of {len(study.once)}."
    )
    strays = f"Changes found where none was planted: {study.strays} in {study.minutes:.0f} min of {len(study.numbers)} shows."
    return [*lines, "", strays, numbers]


def main() -> None:
    """Run both studies and write the page."""
    lines = [
        "# Validation: the sounds of a player",
        "",
        "Made by `make test-all`. A player of picked notes goes through stretches of 15 to 45 s in other sounds: clean, driven",
        f"(hard saturation), ambient (a room of 2 s), boosted (clean, {BOOST_DB:g} dB louder). Each stretch has its own notes,",
        "rhythm and strengths, so that stretches in one sound differ as well. Other seeds than those of the tests.",
        "",
        f"## Planted changes, {PLANTED} shows of each kind",
    ]
    for kind in KINDS:
        lines += _study(kind, planted(kind))
    lines += [
        "",
        f"## A boost of {BOOST_DB:g} dB: clean, boosted, clean, stretches of 20 to 45 s",
        "",
        "| notes | shows | changes within 1 s | step said in | step − 6 dB, mean, LU | largest | step − played, LU | largest |",
        "|---|---|---|---|---|---|---|---|",
        *(boosted(kind) for kind in KINDS),
        "",
        "Played: pyloudnorm on the planted stretches, which differ by their notes and strengths besides.",
    ]
    lines += [
        "",
        "## Shows with one sound",
        "",
        "| notes | sound | shows | minutes | shows in which more than one sound was found | changes found |",
        "|---|---|---|---|---|---|",
    ]
    for kind in KINDS:
        lines += single(kind)
    lines += [
        "",
        "A change of level alone is placed less exactly than one of tone. Ambient differs from clean in its decays, not in its",
        "tone: a change between the two alone is often missed. A sound that comes back with other notes may count as another.",
    ]
    write_page(TARGET, "\n".join(lines) + "\n", __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
