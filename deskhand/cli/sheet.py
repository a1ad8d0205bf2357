"""`deskhand sheet`: the settings sheet to print."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, refuse_unwritable, take_options
from deskhand.errors import UsageError
from deskhand.words import phrase


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@take_options("Measure")
@click.option("--paper", type=click.Choice(("a4", "letter")), default="a4", show_default=True, help="To print on.")
@click.option(
    "--since",
    type=click.Path(path_type=Path),
    help="House file to tell changes against. Default: the newest earlier week-DATE.toml beside the house file, or the house file.",
)
@click.option("--note", "notes", multiple=True, metavar="TEXT", help="Printed below; may be given several times.")
@click.option("--job", "jobs", multiple=True, metavar="TEXT", help="A job for next week; may be given several times.")
@click.option(
    "--output", type=click.Path(path_type=Path), help="Where to write the PDF. Default: RECORDING-sheet.pdf here."
)
def sheet(
    recording: Path,
    take: TakeOptions,
    paper: str,
    since: Path | None,
    notes: tuple[str, ...],
    jobs: tuple[str, ...],
    output: Path | None,
) -> None:
    """Write the settings sheet to print: every input, this week's settings, and what changed.

    A CSV of the same lies beside the PDF. Exit status: 0 written, 2 wrong use or unreadable input.
    """
    from deskhand.files import write_atomically
    from deskhand.house import read_house
    from deskhand.report import sheet as report
    from deskhand.tasks.check import name_of
    from deskhand.tasks.handover import handed_over, line_of
    from deskhand.tasks.sheet import SheetOptions, show_sheet
    from deskhand.tasks.week import require_house

    target = output if output is not None else Path(f"{name_of(recording)}-sheet.pdf")
    refuse_unwritable(target)
    table = target.with_name(f"{target.stem}.csv")
    if target == table:
        raise UsageError(str(target), "is the name of the table beside the sheet", "name a PDF")
    refuse_unwritable(table)
    if since is not None:
        read_house(since)  # a mistake in it is told before anything is measured
    checked = take.check(recording)
    house_file, standing_file = require_house(checked)
    open_jobs, standing = handed_over(house_file=standing_file, history=take.history, today=checked.result.show.date)
    settings_sheet = show_sheet(
        checked.result,
        house_file=house_file,
        standing_file=standing_file,
        house_text=checked.house_text,
        options=SheetOptions(
            since=since,
            paper=paper,  # type: ignore[arg-type]
            notes=(*notes, *map(line_of, standing)),
            jobs=(*jobs, *map(line_of, open_jobs)),
        ),
    )
    write_atomically(target, report.sheet_pdf(settings_sheet))
    write_atomically(table, report.sheet_csv(settings_sheet))
    pages = report.sheet_pages(settings_sheet)
    if pages > report.PAGES:
        entry = "The sheet takes {pages} pages: nothing is left out, and type is not made smaller."
        click.echo(phrase(entry, pages=pages), err=True)
    click.echo(phrase("Settings: {file}", file=settings_sheet.read_from))
    click.echo(phrase("Sheet: {file}", file=target))
    click.echo(phrase("Table: {file}", file=table))
