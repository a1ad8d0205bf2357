"""Kept takes as a list at a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.units import clock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.store import TakeRow


def print_takes(takes: Sequence[TakeRow], console: Console) -> None:
    """One line a take."""
    from rich.table import Table
    from rich.text import Text

    if not takes:
        console.print("Nothing is kept yet.")
        return
    rows = [["no.", "date", "show", "phase", "length", "kept by", "note"]]
    for take in takes:
        gone = f"forgotten by {take.forgotten_by} on {(take.forgotten_at or '')[:10]}" if take.forgotten_at else ""
        rows.append(
            [
                str(take.id),
                take.date or "–",
                take.show,
                take.phase,
                clock(take.duration_s),
                f"{take.kept_by}, {take.kept_at[:10]}",
                "; ".join(text for text in (take.note, gone) if text),
            ]
        )
    if not console.is_terminal:
        # nothing is cut where a program reads, or a long name would hide the number that --forget wants
        for row in rows:
            console.print(Text("  ".join(row).rstrip()), soft_wrap=True)
        return
    table = Table.grid(padding=(0, 2))
    for column in range(7):
        table.add_column(no_wrap=column < 6)
    for index, row in enumerate(rows):
        dim = not index or takes[index - 1].forgotten_at
        table.add_row(*(Text(cell, "dim" if dim else "") for cell in row))
    console.print(table)
