"""Shows checked on this computer: one after the other, or by several processes of one thread each, a few orders at a time."""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from deskhand.archive.order import ShowOrder, ShowOutcome
from deskhand.archive.show_check import check_show

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MOST_TRIES: Final = 4
"""Times that a show is tried whose worker ended: the others at work then are tried again too, so that it need not be this one's fault.
Common practice, no source."""
_THREADS: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


def worker_ended(order: ShowOrder, reason: str = "perhaps for want of memory") -> ShowOutcome:
    """Outcome of a show whose worker ended as often as it is tried."""
    line = f"{order.path}: its worker ended {MOST_TRIES} times while it was checked ({reason}); check it by itself"
    return ShowOutcome(path=order.path, progress="failed", line=line)


def outcomes_here(
    orders: Iterator[ShowOrder], *, workers: int, check: Callable[[ShowOrder], ShowOutcome] = check_show
) -> Iterator[ShowOutcome]:
    """Outcomes of orders as they come in; as many orders are out as there are workers, and no more are taken from the iterator.

    A worker that ends is started anew, and what it was at is done again.

    Parameters
    ----------
    orders : iterator of ShowOrder
    workers : int
        Processes; with 1 the work is done in this one.
    check : callable
        Function of a module that does an order.
    """
    if workers == 1:
        yield from map(check, orders)
        return
    waiting: deque[ShowOrder] = deque()
    tries: dict[str, int] = {}
    with _one_thread_each():
        pool = _pool(workers)
        pending: dict[Future[ShowOutcome], ShowOrder] = {}
        try:
            while True:
                while len(pending) < workers:
                    order = waiting.popleft() if waiting else next(orders, None)
                    if order is None:
                        break
                    try:
                        pending[pool.submit(check, order)] = order
                    except BrokenProcessPool:
                        waiting.appendleft(order)
                        break
                if not pending and not waiting:
                    return
                outcomes, ended = _finished(pending)
                yield from outcomes
                if not ended and pending:
                    continue
                if ended or waiting:
                    # a broken pool does nothing more: what it was at goes to a new one
                    ended += [pending.pop(future) for future in list(pending)]
                    pool.shutdown(wait=True, cancel_futures=True)
                    pool = _pool(workers)
                    for order in ended:
                        tries[order.path] = tries.get(order.path, 1) + 1
                        if tries[order.path] > MOST_TRIES:
                            yield worker_ended(order)
                        else:
                            waiting.append(order)
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _finished(pending: dict[Future[ShowOutcome], ShowOrder]) -> tuple[list[ShowOutcome], list[ShowOrder]]:
    """Outcomes that came in, taken from those pending, and orders whose worker ended."""
    outcomes: list[ShowOutcome] = []
    ended: list[ShowOrder] = []
    for future in wait(pending, return_when=FIRST_COMPLETED).done:
        order = pending.pop(future)
        try:
            outcomes.append(future.result())
        except BrokenProcessPool:
            ended.append(order)
    return outcomes, ended


def _pool(workers: int) -> ProcessPoolExecutor:
    # started anew, not forked: libraries with threads of their own do not survive a fork
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Have processes that are started meanwhile use one thread in every library."""
    earlier = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in earlier.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
