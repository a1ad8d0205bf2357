"""Compare the results of two versions of the package on made shows, number by number, within stated limits.

    python -m benchmarks.same_numbers OTHER [--seasons 2] [--shows 10] [--keep FOLDER]

OTHER is the folder of another checkout, run with the same Python. The shows are seasons of the invented venue, whose chains hold
every kind of block, and made shows with five blocks on every source. Each version checks all of them in one process of its own.
Prints the largest difference of each kind of number against its limit, and every word or list that differs; ends with 1 where
anything lies beyond its limit.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from typing import Any, Final

LIMITS: Final = {"_pct": 0.1, "_lufs": 0.001, "_db": 0.001, "_dbfs": 0.001, "_dbtp": 0.001, "_s": 0.01}
"""Largest difference by the end of a name. A clearance is told in tenths of a percent, which rounding may turn over; all others are
far below what any reading is told to."""
RELATIVE: Final = 1e-4
"""Of all other numbers, against their size."""
WORKER: Final = """
import json, sys
from pathlib import Path
from deskhand.result import to_json
from deskhand.tasks.check import check
for line in sys.stdin:
    show, house, target = json.loads(line)
    Path(target).write_text(to_json(check(Path(show), house_path=Path(house)).result), encoding="utf-8")
"""


def shows(folder: Path, seasons: int, made: int) -> list[tuple[Path, Path]]:
    """Folder of each show and its house file, written where they are not there."""
    from benchmarks.make_show import make_show
    from tests.support.troubled_season import make_season

    listed = []
    for seed in range(1, seasons + 1):
        season = folder / f"season-{seed}"
        if not season.exists():
            make_season(season, seed=seed)
        listed += [(show.parent, season / "house.toml") for show in sorted(season.glob("*/show.toml"))]
    for seed in range(1, made + 1):
        home = folder / f"made-{seed}"
        if not home.exists():
            make_show(home, tracks=4 + seed % 5, minutes=0.25 + 0.1 * (seed % 4), seed=seed)
        listed.append((home / "take", home / "house-chains.toml"))
    return listed


def checked(tree: Path, listed: list[tuple[Path, Path]], folder: Path) -> list[Any]:
    """Results of all shows by the package in a tree."""
    targets = [folder / f"{number}.json" for number in range(len(listed))]
    lines = [
        json.dumps([str(show), str(house), str(target)]) for (show, house), target in zip(listed, targets, strict=True)
    ]
    subprocess.run(
        [sys.executable, "-c", WORKER],
        input="\n".join(lines),
        text=True,
        check=True,
        cwd=tree,
        env=os.environ | {"PYTHONPATH": str(tree)},
    )
    return [json.loads(target.read_text("utf-8")) for target in targets]


def limit_of(name: str, value: float) -> float:
    """Largest difference allowed of a number."""
    end = re.search(r"(_pct|_lufs|_dbfs|_dbtp|_db|_s)(_pm)?(\.|$)", name)
    return LIMITS[end[1]] if end else RELATIVE * max(abs(value), 1.0)


def compare(name: str, first: Any, second: Any, worst: dict[str, tuple[float, float]], unlike: list[str]) -> None:
    """Compare two parts of results; fill the largest differences, as shares of their limits, and what is unlike."""
    if isinstance(first, dict) and isinstance(second, dict):
        for key in first.keys() | second.keys():
            compare(f"{name}.{key}", first.get(key), second.get(key), worst, unlike)
    elif isinstance(first, list) and isinstance(second, list) and len(first) == len(second):
        for old, new in zip(first, second, strict=True):
            compare(name, old, new, worst, unlike)
    elif isinstance(first, int | float) and isinstance(second, int | float) and not isinstance(first, bool):
        # a name ends with its unit; bands and other keys behind it do not count
        difference, limit = abs(first - second), limit_of(name, first)
        kind = ".".join(part for part in name.split(".") if not re.fullmatch(r"[\d]+(\.\d+)?", part))
        if difference / limit > worst[kind][1]:
            worst[kind] = (difference, difference / limit)
    elif first != second:
        unlike.append(f"{name}: {str(first)[:100]} | {str(second)[:100]}")


def main() -> None:
    """Make the shows, check them with both, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("other", type=Path)
    parser.add_argument("--seasons", type=int, default=2)
    parser.add_argument("--shows", type=int, default=10)
    parser.add_argument("--keep", type=Path, help="keeps the shows and results here")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="deskhand-same-") as scratch:
        folder = options.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        listed = shows(folder, options.seasons, options.shows)
        results = []
        for name, tree in (("other", options.other), ("this", Path(__file__).resolve().parent.parent)):
            (folder / name).mkdir(exist_ok=True)
            known = [folder / name / f"{number}.json" for number in range(len(listed))]
            # what the other version gives does not change
            if name == "other" and all(target.exists() for target in known):
                results.append([json.loads(target.read_text("utf-8")) for target in known])
            else:
                results.append(checked(tree.resolve(), listed, folder / name))
    worst: dict[str, tuple[float, float]] = defaultdict(lambda: (0.0, 0.0))
    unlike: list[str] = []
    for number, (first, second) in enumerate(zip(*results, strict=True)):
        compare(f"{listed[number][0].name}", first, second, worst, unlike)
    by_field: dict[str, tuple[float, float]] = defaultdict(lambda: (0.0, 0.0))
    for name, found in worst.items():
        field = name.split(".", 1)[1]
        by_field[field] = max(by_field[field], found, key=lambda pair: pair[1])
    print(f"{len(listed)} shows; largest differences, and how much of its limit each is:")
    for field, (difference, share) in sorted(by_field.items(), key=lambda item: -item[1][1])[:30]:
        print(f"  {field:60s} {difference:.3g}  {share:.3f}")
    print(f"{len(unlike)} words or lists differ")
    for line in unlike[:40]:
        print(f"  {line}")
    sys.exit(1 if unlike or any(share > 1.0 for _, share in by_field.values()) else 0)


if __name__ == "__main__":
    main()
