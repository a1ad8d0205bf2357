"""What a house's chains do to their sources, for people at a terminal: a line where one leaves the usual."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.kinds import KINDS
from deskhand.house import BLOCKS
from deskhand.words import phrase

if TYPE_CHECKING:
    from rich.console import Console

    from deskhand.result import CheckResult, SourceResult

_LEVEL_DB: Final = 6.0
"""Change of level through a chain that is worth a line: a doubling of amplitude. Common practice, no source."""
_REDUCTION_DB: Final = 6.0
"""Median gain reduction that is worth a line: more than a mix usually asks of one block. Common practice, no source."""
_HOT_DBTP: Final = -3.0
"""True peak after a block that leaves little headroom, as `headroom` has it at the tap (docs/findings.md). Common practice, no
source."""


def block_name(block: str) -> str:
    """Name of a block for people, like "dynamic bell"."""
    return phrase(BLOCKS[block].label or block)


def chain_line(source: SourceResult) -> str:
    """Level, headroom and gain reduction of a house chain where they leave the usual; empty where they do not."""
    before, after = source.before, source.after
    if before is None or after is None or before.level_dbfs is None or after.level_dbfs is None:
        return ""
    parts = []
    if abs(after.level_dbfs - before.level_dbfs) >= _LEVEL_DB:
        parts.append(
            phrase(
                "{level_in:1} dBFS in, {level_out:1} dBFS out", level_in=before.level_dbfs, level_out=after.level_dbfs
            )
        )
    for stage in source.stages:
        reduction = stage.reduction_db
        if reduction is not None and reduction.median >= _REDUCTION_DB:
            parts.append(
                phrase(
                    "{block}: {median:1} dB of gain reduction, at most {most:1} dB",
                    block=block_name(stage.block),
                    median=reduction.median,
                    most=reduction.p95,
                )
            )
    hot = next(
        (stage for stage in source.stages if stage.true_peak_dbtp is not None and stage.true_peak_dbtp > _HOT_DBTP),
        None,
    )
    if hot is not None:
        peak_dbtp = hot.true_peak_dbtp or 0.0
        parts.append(phrase("peaks reach {peak:1} dBTP after its {block}", peak=peak_dbtp, block=block_name(hot.block)))
    parts += [finding.text for finding in source.findings if KINDS[finding.kind].of_chain]
    return "; ".join(parts)


def print_chains(result: CheckResult, console: Console) -> None:
    """Print where house chains leave the usual."""
    from rich.table import Table
    from rich.text import Text

    chains = [(source.name, chain_line(source)) for source in result.sources]
    if not any(text for _, text in chains):
        return
    console.print(phrase("In the house's chains, as they are written down:"), style="bold", highlight=False)
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, text in chains:
        if text:
            table.add_row(Text(f"  {name}"), Text(text))
    console.print(table)
    console.print()
