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
    rows += [
        [
            str(take.id),
            take.date or "–",
            take.show,
            take.phase,
            clock(take.duration_s),
            f"{take.kept_by}, {take.kept_at[:10]}",
            "; ".join(text for text in (take.note, *_remarks(take)) if text),
        ]
        for take in takes
    ]
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


def _remarks(take: TakeRow) -> list[str]:
    """Remarks on a take: what was left out or wrong in it, and what became of it."""
    remarks = [name for name in (take.room, take.desk) if name]
    if take.left_out:
        remarks.append(f"without {', '.join(take.left_out)}")
    if take.faults:
        remarks.append(f"with {', '.join(take.faults)}")
    if take.measured_at:
        remarks.append(f"measured again on {take.measured_at[:10]}")
    if take.replaced_by is not None:
        remarks.append(f"measured again as number {take.replaced_by}")
    if take.restored_at:
        remarks.append(f"put back by {take.restored_by} on {take.restored_at[:10]}")
    if take.forgotten_at and take.replaced_by is None:
        remarks.append(f"forgotten by {take.forgotten_by} on {take.forgotten_at[:10]}")
    return remarks
