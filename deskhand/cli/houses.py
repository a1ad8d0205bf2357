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
@history_option
@click.option("--page", "page_file", type=click.Path(path_type=Path), help="Also write a page, a row a room.")
def houses(house: Path | None, phase: str, history: str | None, page_file: Path | None) -> None:
    """Look over all houses of a history: which inputs drift, how often which fault, level by room and month."""
    from deskhand.baseline.houses import input_drifts
    from deskhand.cli.store import opened_history
    from deskhand.files import write_atomically
    from deskhand.report.houses import HousesAnswer, houses_lines, houses_page
    from deskhand.store.across import fault_totals, room_levels

    with closing(opened_history(history, house)) as store:
        answer = HousesAnswer(
            drifts=input_drifts(store, phase=phase),
            faults=fault_totals(store, phase=phase),
            levels=room_levels(store, phase=phase),
        )
    if page_file is not None:
        write_atomically(page_file, houses_page(answer))
    for line in houses_lines(answer):
        click.echo(line)
    if page_file is not None:
        click.echo(f"Written: {page_file}")
