"""Output of the commands: the progress bar, the consoles, and a result as page, data and text."""

from __future__ import annotations

import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rich.console import Console

    from deskhand.findings import Finding
    from deskhand.result import CheckResult
    from deskhand.tasks.check import ShowCheck


_LINE_EVERY_S: Final = 10.0
"""Time between two lines of progress where there is no terminal: a log of an hour's work stays short. Common practice, no source."""


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """A bar on standard error; where that is no terminal, a line of its own every ten seconds."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield _told_in_lines(label)
        return
    from deskhand.dsp import kernels_are_compiled

    if not kernels_are_compiled():
        console.print("First run: making the measuring code for this computer, about 25 s, once.", style="dim")
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _told_in_lines(label: str) -> Callable[[float], None]:
    """Progress for a log: a line whenever ten seconds have passed, none where the work is done before."""
    told_at_s = time.monotonic()

    def tell(share: float) -> None:
        nonlocal told_at_s
        if time.monotonic() - told_at_s >= _LINE_EVERY_S:
            told_at_s = time.monotonic()
            click.echo(f"{label}: {100.0 * share:.0f} %", err=True)

    return tell


def output_console() -> Console:
    """Standard output; lines are not cut where it is no terminal."""
    from rich.console import Console

    return Console(soft_wrap=not sys.stdout.isatty())


def error_console() -> Console:
    """Standard error, for what happens while standard output carries data."""
    from rich.console import Console

    return Console(stderr=True, soft_wrap=True)


def print_faults(faults: Sequence[tuple[str, Finding]], *, to_stderr: bool = False) -> None:
    """Print the faults of a take that is to be kept, a line each.

    Parameters
    ----------
    faults : sequence of (source, Finding)
    to_stderr : bool
        True while standard output carries data.
    """
    if faults:
        click.echo(phrase("Something is wrong in this take:"), err=to_stderr)
    for source, finding in faults:
        click.echo(f"  {source}: {finding.text}", err=to_stderr)


def sources_to_fix(result: CheckResult) -> list[str]:
    """Names of the sources at which something is to be put right."""
    return [source.name for source in result.sources if source.status in ("fix", "silent", "missing")]


def deliver(checked: ShowCheck, json_file: str | None, report: Path | None, *, hints: Sequence[str] = ()) -> int:
    """Write and print a result.

    Parameters
    ----------
    checked : ShowCheck
    json_file : str or None
        For the result as data; "-" is standard output.
    report : Path or None
        For the page.
    hints : sequence of str
        Lines on how to go on, printed before the page's name.

    Returns
    -------
    int
        The exit status: 1 when something is to fix, else 0.
    """
    from deskhand.files import write_atomically
    from deskhand.result import to_json

    result = checked.result
    if report is not None:
        from deskhand.report.page import page

        write_atomically(report, page(result, checked.pictures))
    if json_file == "-":
        # UTF-8 whatever the terminal's own coding (RFC 8259, 8.1)
        click.echo(to_json(result).encode(), nl=False)
    else:
        from deskhand.report.terminal import print_result

        if json_file is not None:
            write_atomically(Path(json_file), to_json(result))
        console = output_console()
        print_result(result, console)
        if hints:
            console.print()
        for hint in hints:
            console.print(hint, highlight=False, markup=False, soft_wrap=True)
        if report is not None:
            console.print()
            console.print(phrase("Report: {file}", file=report), highlight=False, markup=False, soft_wrap=True)
    return 1 if sources_to_fix(result) else 0
