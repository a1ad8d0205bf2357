"""Shows checked by the workers of a Dask cluster: a bounded number of futures at a time, each let go of as soon as it is done."""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING, Any, Final

from deskhand.archive.local import MOST_TRIES, worker_ended
from deskhand.archive.show_check import check_show
from deskhand.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from deskhand.archive.order import ShowOrder, ShowOutcome

_A_THREAD: Final = 3
"""Orders that are out for each thread of the cluster: one it works at, and two so that it need not wait. Common practice, no source."""
_LEAST_ORDERS: Final = 32
"""Least orders that are out: enough that short ones do not wait for each other's way to the scheduler and back. Common practice, no source."""
_RETRIES: Final = 3
"""Times that the scheduler gives a show to another worker where one fails. Common practice, no source."""
_ANSWER_S: Final = 10.0
"""Time in which a scheduler answers. Common practice, no source."""
_GONE_S: Final = 300.0
"""Time for which a scheduler that went away is waited for: a computer is started anew in it. Common practice, no source."""
_PAUSE_S: Final = 1.0
"""Pause before it is asked again whether a scheduler answers. Common practice, no source."""
_REASON_LETTERS: Final = 160
"""Letters of a worker's own words that are told: about two lines of a terminal. Common practice, no source."""


class _SchedulerGoneError(Exception):
    """Scheduler that went away while orders were out."""


def outcomes_of_cluster(
    orders: Iterator[ShowOrder], *, scheduler: str, check: Callable[[ShowOrder], ShowOutcome] = check_show
) -> Iterator[ShowOutcome]:
    """Outcomes of orders as they come in from a Dask cluster.

    What was out when the scheduler went away is given to the next that answers at its address.

    Parameters
    ----------
    orders : iterator of ShowOrder
    scheduler : str
        Its address, as `tcp://computer:8786`.
    check : callable
        Function of a module that does an order; the workers' own copy of it is run.

    Raises
    ------
    UsageError
        Dask is not installed, or no scheduler answers.
    """
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "--scheduler", "needs Dask, which is not installed here", "pip install 'deskhand[sites]'"
        ) from error
    waiting: deque[ShowOrder] = deque()
    tries: dict[str, int] = {}
    gone_s: float | None = None
    while True:
        try:
            for outcome in _session(orders, waiting, tries, scheduler, check):
                gone_s = None
                tries.pop(outcome.path, None)
                yield outcome
        except _SchedulerGoneError as error:
            gone_s = time.monotonic() if gone_s is None else gone_s
            if time.monotonic() - gone_s > _GONE_S:
                raise UsageError(
                    f"--scheduler {scheduler}",
                    f"does not answer ({error})",
                    "start it, and then the same command: what is done is not done again",
                ) from error
            time.sleep(_PAUSE_S)
        else:
            return


def _session(
    orders: Iterator[ShowOrder],
    waiting: deque[ShowOrder],
    tries: dict[str, int],
    scheduler: str,
    check: Callable[[ShowOrder], ShowOutcome],
) -> Iterator[ShowOutcome]:
    """Outcomes while one scheduler lives; what is out when it goes away waits for the next."""
    from distributed import Client
    from distributed.comm import CommClosedError

    from deskhand.archive.scheduler_notes import BoundedNotes

    pending: dict[Any, ShowOrder] = {}
    try:
        client = Client(scheduler, timeout=_ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise _SchedulerGoneError(str(error)) from error
    room, looked_s = _LEAST_ORDERS, 0.0
    try:
        client.register_plugin(BoundedNotes())
        while True:
            if time.monotonic() - looked_s > _ANSWER_S:
                # workers come and go; to ask each time would cost a way to the scheduler and back
                room, looked_s = max(_LEAST_ORDERS, _A_THREAD * sum(client.nthreads().values())), time.monotonic()
            while len(pending) < room:
                order = waiting.popleft() if waiting else next(orders, None)
                if order is None:
                    break
                pending[client.submit(check, order, pure=False, retries=_RETRIES)] = order
            if not pending:
                return
            yield from _finished(client, pending, waiting, tries)
    except (OSError, TimeoutError, CommClosedError, RuntimeError) as error:
        if isinstance(error, RuntimeError) and client.status == "running":
            raise
        raise _SchedulerGoneError(str(error) or type(error).__name__) from error
    finally:
        waiting.extend(pending.values())
        pending.clear()
        client.close(timeout=_ANSWER_S)


def _finished(
    client: Any, pending: dict[Any, ShowOrder], waiting: deque[ShowOrder], tries: dict[str, int]
) -> Iterator[ShowOutcome]:
    """Outcomes that came in, their futures let go of; orders whose worker ended wait to be tried again."""
    from distributed import wait
    from distributed.client import FuturesCancelledError

    done: set[Any] = set()
    try:
        with client.as_current():
            done = wait(list(pending), timeout=_ANSWER_S, return_when="FIRST_COMPLETED").done
    except FuturesCancelledError as error:
        raise _SchedulerGoneError("connection lost") from error
    except TimeoutError:
        pass  # a show may take long: nothing done yet is no scheduler gone
    for future in done:
        order = pending.pop(future)
        try:
            if future.status == "finished":
                yield future.result()
                continue
            if future.status == "cancelled":
                # its scheduler forgot it: no fault of the show
                waiting.append(order)
                continue
            tries[order.path] = tries.get(order.path, 1) + 1
            if tries[order.path] > MOST_TRIES:
                yield worker_ended(order, " ".join(str(future.exception()).split())[:_REASON_LETTERS])
            else:
                waiting.append(order)
        finally:
            future.release()
    if not done and not _lives(client):
        raise _SchedulerGoneError("connection lost")


def _lives(client: Any) -> bool:
    return bool(client.status == "running")
