"""Who hears this week's moves on the stage, for people at a terminal: a line for each mix."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.report.words import text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.moves.monitors import MonitorTelling


def print_monitors(tellings: Sequence[MonitorTelling], console: Console) -> None:
    """Print whom to tell on the stage before anything is turned; nothing where no mix changes."""
    if not tellings:
        return
    console.print(f"{text('label.tell_stage')}:", style="bold", highlight=False)
    for telling in tellings:
        console.print(f"  {telling.text}", highlight=False, markup=False, soft_wrap=True)
    console.print()
