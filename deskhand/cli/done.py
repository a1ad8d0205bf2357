"""`deskhand done`: moves of a take ticked as done, or declined, and taken back."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, take_options
from deskhand.errors import UsageError
from deskhand.words import phrase


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@take_options("Look at")
@click.option(
    "--move",
    "moves",
    multiple=True,
    metavar="ID",
    help='A move, like "piano/trim"; a source for all of its. Default: all.',
)
@click.option("--declined", is_flag=True, help="They are not done: do not ask again at this show.")
@click.option("--take-back", is_flag=True, help="They were not done after all, or are to be asked for again.")
@click.option("--by", help="Who did it. Default: whoever is logged in.")
def done(
    recording: Path, take: TakeOptions, moves: tuple[str, ...], declined: bool, take_back: bool, by: str | None
) -> None:
    """Tick moves that were done at the desk, so that the next check knows.

    A setting is written into this week's house file; what is turned before the recording's tap (a preamp, a cable) is remembered, and
    the next take is looked at for it.
    """
    from deskhand.tasks.done import take_back_moves, tick_recording
    from deskhand.tasks.keep import who

    if take_back and declined:
        raise UsageError("--take-back", "goes with --declined only one at a time", "leave one of them out")
    if take_back:
        for text in take_back_moves(
            recording, moves, house_path=take.house, history=take.history, date=take.show["date"]
        ):
            click.echo(phrase("Taken back: {text}", text=text))
        return
    checked = take.check(recording, by=who(by), named_moves=moves)
    ticked = tick_recording(checked, recording, moves, history=take.history, done=not declined, by=who(by))
    for change in ticked.new:
        answer = phrase("Declined") if declined else phrase("Done")
        click.echo(f"{answer}: {change.source}: {change.text}")
    for change in ticked.earlier:
        entry = "Already done by {person}: {move}" if change.done else "Already declined by {person}: {move}"
        click.echo(phrase(entry, person=change.said_by, move=f"{change.source}: {change.text}"))
    if not ticked.new and not ticked.earlier:
        click.echo(phrase("No move is asked for in this take."))
    if ticked.week is not None:
        click.echo(phrase("This week's house file: {file}", file=ticked.week))
