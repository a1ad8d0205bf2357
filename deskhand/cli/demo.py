"""`deskhand demo`: the invented venue made and checked."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.output import deliver, progress_bar


@click.command()
@click.option(
    "--output", type=click.Path(path_type=Path), default=Path("demo-season"), show_default=True, help="Folder to make."
)
@click.option(
    "--json", "json_file", metavar="FILE", help="Also write the newest show's result as data; - for standard output."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed makes another season.")
def demo(output: Path, json_file: str | None, seed: int) -> None:
    """Make the invented demo venue with a season of shows, then check the newest."""
    from deskhand.demo import make_season
    from deskhand.demo.line_check import write_line_check
    from deskhand.tasks.check import check as check_show

    with progress_bar("making the shows") as progress:
        newest = make_season(output, seed=seed, progress=progress)
        write_line_check(output / "line-check", seed, "2026-03-01")
    if json_file != "-":
        click.echo(
            f"Tern Street Hall (invented, synthesised) is in {output}: earlier shows and this week's, {newest.name}."
        )
        click.echo("")
    with progress_bar("measuring") as progress:
        checked = check_show(newest, progress=progress)
    hints = (
        f"To look at everything in a browser: deskhand serve {output}",
        f"To practise a line check: deskhand live --replay {output / 'line-check'}",
    )
    deliver(checked, json_file, output / f"{newest.name}-check.html", hints=hints)
