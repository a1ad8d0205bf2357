"""`deskhand demo`: the invented venue made and checked."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.output import deliver, progress_bar


@click.command()
@click.option("--output", type=click.Path(path_type=Path), help="Folder to make. Default: demo-season.")
@click.option(
    "--json", "json_file", metavar="FILE", help="Also write the newest show's result as data; - for standard output."
)
@click.option(
    "--seat", is_flag=True, help="Weeks with a measurement microphone where people sit instead, in demo-seat."
)
@click.option(
    "--story", is_flag=True, help="Six kept weeks, this week, its moves done, and recorded again, in demo-story."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed makes another season.")
def demo(output: Path | None, json_file: str | None, *, seat: bool, story: bool, seed: int) -> None:
    """Make the invented demo venue with a season of shows, then check the newest."""
    if seat:
        _seat_demo(output or Path("demo-seat"), json_file, seed)
        return
    if story:
        _story_demo(output or Path("demo-story"), json_file, seed)
        return
    output = output or Path("demo-season")
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


def _seat_demo(output: Path, json_file: str | None, seed: int) -> None:
    """Make the weeks with a seat, calibrate it, keep the clean ones, and check the evening over its limit."""
    from deskhand.demo.seat import SEAT_NAME, SEAT_WEEKS, make_seat_season
    from deskhand.tasks.check import CheckOptions
    from deskhand.tasks.check import check as check_show
    from deskhand.tasks.exposure import calibrate
    from deskhand.tasks.keep import KeepTerms, keep

    with progress_bar("making the weeks") as progress:
        make_seat_season(output, seed=seed, progress=progress)
    calibrate(output / "calibrator", track=SEAT_NAME, level_db=94.0)
    *earlier, newest = [output / week.name for week in SEAT_WEEKS]
    with progress_bar("keeping the good weeks") as progress:
        for count, (folder, week) in enumerate(zip(earlier, SEAT_WEEKS, strict=False), 1):
            if week.what == "clean":
                checked = check_show(folder, options=CheckOptions(to_be_kept=True))
                keep(checked, folder, history=None, terms=KeepTerms(by="the demo", with_faults=True))
            progress(count / len(earlier))
    if json_file != "-":
        click.echo(
            f"Tern Street Hall (invented, synthesised) with a seat is in {output}; the microphone is calibrated."
        )
        click.echo(f"A week whose left high driver is dead: deskhand check {earlier[-1]}")
        click.echo(f"This evening is over its limit: deskhand exposure {newest}")
        click.echo("")
    with progress_bar("measuring") as progress:
        checked = check_show(newest, progress=progress)
    deliver(checked, json_file, output / f"{newest.name}-check.html")


def _story_demo(output: Path, json_file: str | None, seed: int) -> None:
    """Make six good weeks and keep them, check this week's soundcheck, tick its moves as done, and check the next recording."""
    from deskhand.demo.story import make_evening, make_second, make_weeks
    from deskhand.tasks.check import CheckOptions
    from deskhand.tasks.check import check as check_show
    from deskhand.tasks.done import tick_recording
    from deskhand.tasks.keep import KeepTerms, keep

    with progress_bar("making the weeks") as progress:
        weeks = make_weeks(output, seed=seed, progress=progress)
    with progress_bar("keeping the good weeks") as progress:
        for count, week in enumerate(weeks, 1):
            checked = check_show(week, options=CheckOptions(to_be_kept=True))
            keep(checked, week, history=None, terms=KeepTerms(note="good week", by="the demo"))
            progress(count / len(weeks))
    evening = make_evening(output, seed=seed)
    with progress_bar("measuring") as progress:
        checked = check_show(evening, progress=progress)
    quiet = json_file == "-"
    if not quiet:
        click.echo(
            f"Tern Street Hall (invented, synthesised) is in {output}: six good weeks, kept, and this week's soundcheck."
        )
        click.echo("")
        deliver(checked, None, output / f"{evening.name}-check.html")
        click.echo("")
    for change in tick_recording(checked, evening, (), history=None, done=True, by="the demo").new:
        if not quiet:
            click.echo(f"Done: {change.source}")
    second = make_second(output, seed=seed)
    if not quiet:
        click.echo("")
        click.echo("The same evening, recorded again:")
        click.echo("")
    with progress_bar("measuring") as progress:
        checked = check_show(second, progress=progress)
    hints = (f"To look at everything in a browser: deskhand serve {output}",)
    deliver(checked, json_file, output / f"{second.name}-check.html", hints=hints)
