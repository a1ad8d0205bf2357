"""Functions that stand for a check in processes of their own."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from deskhand.archive.order import ShowOrder, ShowOutcome


def killed_once(order: ShowOrder) -> ShowOutcome:
    """Outcome of an order whose worker is killed the first time that it is at it, where its name says so."""
    mark = Path(f"{order.path}.begun")
    if "killed" in order.name and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return ShowOutcome(path=order.path, progress="checked")


def always_killed(order: ShowOrder) -> ShowOutcome:
    """Outcome of an order, but for those whose worker ends each time."""
    if "killed" in order.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return ShowOutcome(path=order.path, progress="checked")
