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
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed makes another season.")
def demo(output: Path | None, json_file: str | None, *, seat: bool, seed: int) -> None:
    """Make the invented demo venue: six good weeks, this week's soundcheck, its moves made, and recorded again."""
    if seat:
        _seat_demo(output or Path("demo-seat"), json_file, seed)
    else:
        _story_demo(output or Path("demo-season"), json_file, seed)


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
    from deskhand.demo.story import make_second
    from deskhand.tasks.check import check as check_show
    from deskhand.tasks.demo import LINE_CHECK, make_hall
    from deskhand.tasks.done import tick_recording

    def say(text: str) -> None:
        if json_file != "-":
            click.echo(text)

    with progress_bar("making and keeping six good weeks") as progress:
        evening = make_hall(output, seed=seed, progress=progress)
    with progress_bar("measuring this week's soundcheck") as progress:
        checked = check_show(evening, progress=progress)
    say(f"Tern Street Hall (invented, synthesised) is in {output}: six good weeks, kept, and this week's soundcheck.\n")
    if json_file != "-":
        deliver(checked, None, output / f"{evening.name}-check.html")
    say("\nAll of it is done now, and ticked:\n")
    for change in tick_recording(checked, evening, (), history=None, done=True, by="the demo").new:
        say(f"Done: {change.source}: {change.text}")
    say("\nThe same evening, recorded again:\n")
    second = make_second(output, seed=seed)
    with progress_bar("measuring it again") as progress:
        checked = check_show(second, progress=progress)
    hints = (
        f"To look at everything in a browser: deskhand serve {output}",
        f"To practise a line check: deskhand live --replay {output / LINE_CHECK}",
    )
    deliver(checked, json_file, output / f"{second.name}-check.html", hints=hints)
