"""Long run of the fuzz targets, each in a process of its own: `python -m tests.support.fuzz --seconds 600`.

Failures are written as files into the folder `fuzz-failures`; with the mend each goes into `tests/fuzz/corpus/TARGET`.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

from tests.support.fuzz.apart import run_apart
from tests.support.fuzz.targets import TARGETS


def main() -> int:
    """Run, print a row for each target, and return 1 where anything failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600.0, help="of all targets together")
    parser.add_argument("--cases", type=int, default=10**9, help="of each target at the most")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", action="append", choices=sorted(TARGETS), help="only this one; may be given again")
    parser.add_argument("--into", type=Path, default=Path("fuzz-failures"))
    parser.add_argument("--counts", type=Path, help="JSON file that the counts of this run are added to")
    arguments = parser.parse_args()
    arguments.into.mkdir(parents=True, exist_ok=True)
    chosen = [TARGETS[name] for name in arguments.target or TARGETS]
    whole = sum(target.share for target in chosen)
    begin_s = time.monotonic()
    failed, cases = 0, 0
    print(f"{'target':10} {'cases':>9} {'taken':>9} {'refused':>9} {'failed':>7} {'seconds':>8} {'slowest':>8}")
    for target in chosen:
        count = run_apart(
            target.name, seed=arguments.seed, cases=arguments.cases, into=arguments.into.resolve(),
            seconds=arguments.seconds * target.share / whole,
        )  # fmt: skip
        failed, cases = failed + count.failed, cases + count.cases
        print(
            f"{target.name:10} {count.cases:9} {count.taken:9} {count.refused:9} {count.failed:7} {count.seconds:8.1f} {count.slowest_s:8.2f}",
            flush=True,
        )
        for words, _ in count.failures:
            print(f"    {words}")
        if arguments.counts is not None:
            lines = arguments.counts.read_text().splitlines() if arguments.counts.exists() else []
            row = {"target": target.name, "seed": arguments.seed, "cases": count.cases, "taken": count.taken, "refused": count.refused,
                   "failed": count.failed, "seconds": round(count.seconds, 1)}  # fmt: skip
            arguments.counts.write_text("\n".join([*lines, json.dumps(row)]) + "\n")
    print(f"{cases} cases in {time.monotonic() - begin_s:.0f} s, {failed} failed; files: {arguments.into}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
