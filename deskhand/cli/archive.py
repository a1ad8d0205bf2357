"""`deskhand archive`: every show of an archive checked once, on this computer or a cluster."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from deskhand.cli.options import history_option
from deskhand.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.archive.order import ShowOutcome
    from deskhand.archive.run import ArchiveCount

# as `archive.order` has them, which takes too long to load for `--help`
_KEEP_RULES: Final = ("marked", "faultless", "all", "none")
_LINE_EVERY_S: Final = 10.0
"""Time between two lines of progress where there is no terminal. Common practice, no source."""
_MINUTE_S: Final = 60.0
"""Seconds of a minute: arithmetic."""
_HOUR_S: Final = 3600.0
"""Seconds of an hour: arithmetic."""


@click.command()
@click.argument("named", metavar="FOLDER...", nargs=-1, required=True)
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file of all shows. Default: the one beside or above each."
)
@history_option
@click.option(
    "--results", type=click.Path(path_type=Path), help="Folder of the results. Default: beside each recording."
)
@click.option(
    "--keep",
    type=click.Choice(_KEEP_RULES),
    default="marked",
    show_default=True,
    help="What the house learns from: shows whose show.toml says keep = true, those without a fault, all, or none.",
)
@click.option(
    "--workers", type=click.IntRange(1, 1024), default=1, show_default=True, help="Processes on this computer."
)
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler of a cluster, like tcp://computer:8786.")
@click.option("--measure-again", is_flag=True, help="Measure those again whose numbers are by an earlier definition.")
@click.option(
    "--leave-older", is_flag=True, help="Use what was measured again although some kept shows cannot be measured again."
)
@click.option("--by", help="Who keeps them. Default: whoever is logged in.")
def archive(
    named: tuple[str, ...],
    house: Path | None,
    history: str | None,
    results: Path | None,
    keep: str,
    workers: int,
    scheduler: str | None,
    measure_again: bool,
    leave_older: bool,
    by: str | None,
) -> None:
    """Check every show below FOLDER once: run it again, and only what is new or changed is checked.

    FOLDER is a folder of recordings, a recording, a pattern in quotes, a text file that lists these, or an address like
    s3://bucket/folder. Exit status: 0 every show is checked, 2 some could not be, each named with its line.
    """
    from deskhand.archive.run import ArchiveRequest, run_archive
    from deskhand.tasks.keep import who

    if scheduler is not None and workers > 1:
        raise UsageError("--workers", "is for this computer, --scheduler for a cluster", "give one of them")
    if workers > (cores := os.cpu_count() or 1):
        click.echo(f"{workers} workers on {cores} cores: more than {cores} make it no faster.", err=True)
    request = ArchiveRequest(
        named=named,
        house=house,
        history=history,
        results=results,
        keep=keep,  # type: ignore[arg-type]
        by=who(by),
        measure_again=measure_again,
        leave_older=leave_older,
        workers=workers,
        scheduler=scheduler,
    )
    count = run_archive(request, tell=_progress())
    _print_count(count)
    raise SystemExit(2 if count.failed else 0)


def _progress() -> Callable[[ShowOutcome, ArchiveCount], None]:
    """Function that tells how far it is: one line that is written over on a terminal, one every ten seconds elsewhere."""
    is_terminal = sys.stderr.isatty()
    every_s = 0.5 if is_terminal else _LINE_EVERY_S
    told_at_s = time.monotonic()

    def tell(outcome: ShowOutcome, count: ArchiveCount) -> None:
        nonlocal told_at_s
        if outcome.line:
            click.echo(f"{chr(13) + chr(27) + '[K' if is_terminal else ''}Skipped: {outcome.line}", err=True)
        if time.monotonic() - told_at_s < every_s and not (is_terminal and count.done == count.shows):
            return
        told_at_s = time.monotonic()
        line = f"{count.done} of {count.shows} shows"
        left_s = count.left_s()
        if count.failed:
            line += f", {count.failed} skipped"
        if left_s is not None and count.done < count.shows:
            line += f", about {_time_text(left_s)} left"
        if is_terminal:
            click.echo(f"\r\x1b[K{line}", err=True, nl=count.done == count.shows)
        else:
            click.echo(line, err=True)

    return tell


def _time_text(seconds: float) -> str:
    if seconds < _MINUTE_S:
        return f"{max(1.0, seconds):.0f} s"
    if seconds < _HOUR_S:
        return f"{seconds / _MINUTE_S:.0f} min"
    return f"{seconds / _HOUR_S:.1f} h"


def _print_count(count: ArchiveCount) -> None:
    """Print what became of all shows."""
    numbers = count.by_progress
    parts = [
        (numbers.get("checked", 0), "checked"),
        (numbers.get("measured-again", 0), "measured again"),
        (numbers.get("there", 0), "checked before"),
        (numbers.get("older", 0), "checked before, with numbers by an earlier definition"),
        (count.failed, "skipped"),
    ]
    click.echo(f"{count.shows} shows: {', '.join(f'{number} {words}' for number, words in parts if number)}.")
    if count.kept:
        click.echo(f"{count.kept} kept: from now on the house learns from them.")
    if count.refused:
        click.echo(f"{count.refused} not kept: another take of the same show and phase is kept already.")
    if count.replaced:
        click.echo(f"{count.replaced} kept shows measured again stand in place of the earlier ones.")
    if count.older:
        click.echo(
            f"{count.older} kept shows hold numbers by an earlier definition; measure them again with: deskhand archive ... "
            "--measure-again"
        )
    elif numbers.get("older"):
        click.echo("Measure these again with: deskhand archive ... --measure-again")
