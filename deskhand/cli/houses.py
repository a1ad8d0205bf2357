"""`deskhand houses`: all houses of a history: what drifts, which faults, and level by room."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import click

from deskhand.cli.options import PHASES, history_option


@click.command()
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file beside which the history lies. Default: as for check."
)
@click.option(
    "--phase", type=click.Choice(PHASES), default="rehearsal", show_default=True, help="Which kept takes to look at."
)
@click.option("--room", help="Only takes of this room, as the house file names it. Default: all, each by itself.")
@click.option("--desk", help="Only takes of this desk. Default: all, each by itself.")
@history_option
@click.option("--page", "page_file", type=click.Path(path_type=Path), help="Also write a page, a row a room.")
def houses(
    house: Path | None, phase: str, room: str | None, desk: str | None, history: str | None, page_file: Path | None
) -> None:
    """Look over all houses of a history: which inputs drift, how often which fault, level by room, desk and month."""
    from deskhand.baseline.houses import input_drifts
    from deskhand.cli.store import opened_history
    from deskhand.files import write_atomically
    from deskhand.report.houses import HousesAnswer, houses_lines, houses_page
    from deskhand.store.across import Place, fault_totals, room_levels

    place = Place(room=room, desk=desk)
    with closing(opened_history(history, house)) as store:
        answer = HousesAnswer(
            drifts=input_drifts(store, phase=phase, place=place),
            faults=fault_totals(store, phase=phase, place=place),
            levels=room_levels(store, phase=phase, place=place),
        )
    if page_file is not None:
        write_atomically(page_file, houses_page(answer))
    for line in houses_lines(answer):
        click.echo(line)
    if page_file is not None:
        click.echo(f"Written: {page_file}")
