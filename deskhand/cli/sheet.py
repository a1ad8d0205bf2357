"""`deskhand sheet`: the settings sheet to print."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, refuse_unwritable, take_options
from deskhand.errors import UsageError


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
@click.option(
    "--output", type=click.Path(path_type=Path), help="Where to write the PDF. Default: RECORDING-sheet.pdf here."
)
def sheet(
    recording: Path,
    take: TakeOptions,
    paper: str,
    since: Path | None,
    notes: tuple[str, ...],
    output: Path | None,
) -> None:
    """Write the settings sheet to print: every input, this week's settings, and what changed.

    A CSV of the same lies beside the PDF. Exit status: 0 written, 2 wrong use or unreadable input.
    """
    from deskhand.files import write_atomically
    from deskhand.house import parse_house, read_house
    from deskhand.report import sheet as report
    from deskhand.tasks.check import name_of
    from deskhand.tasks.week import week_text

    target = output if output is not None else Path(f"{name_of(recording)}-sheet.pdf")
    refuse_unwritable(target)
    table = target.with_name(f"{target.stem}.csv")
    if target == table:
        raise UsageError(str(target), "is the name of the table beside the sheet", "name a PDF")
    refuse_unwritable(table)
    old = None if since is None else read_house(since)
    checked = take.check(recording)
    text = week_text(checked)
    standing = checked.standing_file
    assert standing is not None
    if since is None or old is None:
        since = report.find_since(standing, checked.result.show.date)
        old = read_house(since)
    settings_sheet = report.make_sheet(
        checked.result,
        parse_house(text, standing),
        since=old,
        since_name=report.since_name(since, standing),
        paper=paper,  # type: ignore[arg-type]
        notes=notes,
    )
    write_atomically(target, report.sheet_pdf(settings_sheet))
    write_atomically(table, report.sheet_csv(settings_sheet))
    pages = report.sheet_pages(settings_sheet)
    if pages > report.PAGES:
        click.echo(f"The sheet takes {pages} pages: nothing is left out, and type is not made smaller.", err=True)
    click.echo(f"Sheet: {target}")
    click.echo(f"Table: {table}")
