"""Run of a target in a process of its own, which may die of a case without taking the others along."""

from __future__ import annotations

import multiprocessing
from typing import TYPE_CHECKING

from tests.support.fuzz.run import Count, run
from tests.support.fuzz.targets import TARGETS

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from pathlib import Path


def _child(name: str, seed: int, cases: int, seconds: float, into: Path, send: Connection) -> None:
    count = run(TARGETS[name], seed=seed, cases=cases, seconds=seconds, by_programs=True, into=into)
    send.send(
        (
            count.taken,
            count.refused,
            count.failed,
            count.seconds,
            count.slowest_s,
            [words for words, _ in count.failures],
        )
    )


def run_apart(name: str, *, seed: int, cases: int, seconds: float, into: Path) -> Count:
    """Run a target in a process of its own: one that dies is a failure, and its case stays in the folder."""
    context = multiprocessing.get_context("spawn")
    receive, send = context.Pipe(duplex=False)
    process = context.Process(target=_child, args=(name, seed, cases, seconds, into, send))
    process.start()
    send.close()
    try:
        taken, refused, failed, took_s, slowest_s, words = receive.recv()
    except EOFError:
        process.join()
        return Count(failed=1, failures=[(f"the process died ({process.exitcode}); its case is current-{name}", b"")])
    process.join()
    failures = [(line, b"") for line in words]
    return Count(taken=taken, refused=refused, failed=failed, seconds=took_s, slowest_s=slowest_s, failures=failures)
