"""`deskhand check`: a soundcheck measured, judged, and told."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, refuse_unwritable, take_options
from deskhand.cli.output import deliver


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@take_options("Check")
@click.option(
    "--leave-tonight", multiple=True, metavar="ID", help='Leave a finding of this show alone, like "bass/hum".'
)
@click.option("--leave-for-good", multiple=True, metavar="ID", help="The same from now on: that is how we like it.")
@click.option("--raise-again", multiple=True, metavar="ID", help="Hear of it again.")
@click.option("--by", help="Who says so. Default: whoever is logged in.")
@click.option(
    "--why", "why", metavar="SOURCE", help="Tell how the moves of a source were found: the numbers, and what was tried."
)
@click.option(
    "--write-week",
    type=click.Path(path_type=Path),
    help="Write this week's chains, with the moves, as a house file of its own.",
)
@click.option("--json", "json_file", metavar="FILE", help="Also write the result as data; - for standard output.")
@click.option(
    "--report", type=click.Path(path_type=Path), help="Where to write the page. Default: RECORDING-check.html here."
)
@click.option("--no-report", is_flag=True, help="Write no page.")
def check(
    recording: Path,
    take: TakeOptions,
    leave_tonight: tuple[str, ...],
    leave_for_good: tuple[str, ...],
    raise_again: tuple[str, ...],
    by: str | None,
    why: str | None,
    write_week: Path | None,
    json_file: str | None,
    report: Path | None,
    no_report: bool,
) -> None:
    """Say what is wrong with this week's soundcheck.

    RECORDING is a folder of audio files or one polyphonic file. Exit status: 0 all well, 1 something to fix,
    2 wrong use or unreadable input.
    """
    from deskhand.tasks.check import name_of
    from deskhand.tasks.keep import raise_again as undo
    from deskhand.tasks.keep import remember, who

    refuse_unwritable(json_file, report, write_week)
    if raise_again:
        undo(recording, raise_again, house_path=take.house, history=take.history)
    leave = tuple([(name, False) for name in leave_tonight] + [(name, True) for name in leave_for_good])
    named = () if why is None else (("--why", why),)
    checked = take.check(recording, leave=leave, by=who(by), named_sources=named)
    remember(checked, history=take.history)
    if report is None and not no_report:
        report = Path(f"{name_of(recording)}-check.html")
    if write_week is not None:
        from deskhand.tasks.week import write_week as write

        write(checked, write_week)
    status = deliver(checked, json_file, None if no_report else report)
    if why is not None:
        from deskhand.tasks.week import reasons

        click.echo("")
        for text in reasons(checked, why):
            click.echo(text)
    if write_week is not None and json_file != "-":
        click.echo(f"This week's chains: {write_week}")
    raise SystemExit(status)
