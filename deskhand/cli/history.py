"""`deskhand history`: the kept weeks, as text, table and page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from deskhand.cli.options import PHASES, history_option
from deskhand.cli.output import output_console
from deskhand.words import phrase


@click.command()
@click.argument("source", required=False)
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml in this folder or above it."
)
@click.option(
    "--phase", type=click.Choice(PHASES), default="rehearsal", show_default=True, help="Which kept takes to show."
)
@click.option("--room", help="Only takes of this room. Default: the house file's, and those that name none.")
@click.option("--desk", help="Only takes of this desk. Default: the house file's, and those that name none.")
@history_option
@click.option("--csv", "csv_file", metavar="FILE", help="Also write every number as a table; - for standard output.")
@click.option(
    "--page", "page_file", type=click.Path(path_type=Path), help="Also write a page with a picture of each number."
)
def history(
    source: str | None,
    house: Path | None,
    phase: str,
    room: str | None,
    desk: str | None,
    history: str | None,
    csv_file: str | None,
    page_file: Path | None,
) -> None:
    """Show the kept weeks: what is normal of each number, and what creeps away.

    With SOURCE, all its numbers and its newest weeks; without, one line a source over the newest two years.
    """
    from deskhand.baseline.versions import set_aside_text
    from deskhand.files import write_atomically
    from deskhand.house import names_at
    from deskhand.report import weeks as report
    from deskhand.tasks import keep as keeping

    description, house_file = keeping.house_at(house)
    names = names_at(house_file)
    names = replace(names, room=room or names.room, desk=desk or names.desk)
    store = keeping.history_at(history, house_file, names=names)
    kept_weeks = keeping.weeks(store, description, source=source, phase=phase)
    by_source, set_aside = kept_weeks.by_source, set_aside_text(kept_weeks.other_version)
    if page_file is not None:
        write_atomically(page_file, report.weeks_page(description.house.name, by_source, set_aside))
    if csv_file == "-":
        click.echo(report.to_csv(by_source).encode(), nl=False)
        if set_aside:
            click.echo(set_aside, err=True)
        return
    if csv_file is not None:
        write_atomically(Path(csv_file), report.to_csv(by_source))
    console = output_console()
    if source is None:
        report.print_overview(by_source, console)
    else:
        report.print_source(next(iter(by_source.values())), console)
    if set_aside:
        click.echo("")
        click.echo(set_aside)
    for path in (csv_file, page_file):
        if path is not None:
            click.echo(phrase("Written: {file}", file=path))
