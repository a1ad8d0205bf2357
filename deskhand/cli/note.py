"""`deskhand note`: notes and jobs for whoever is at the desk next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from deskhand.cli.options import history_option
from deskhand.errors import UsageError
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.store import HandoverNote


@click.command()
@click.argument("text", required=False)
@click.option("--job", is_flag=True, help="Something to be done: it stands on each sheet until it is ticked.")
@click.option("--source", default="", metavar="NAME", help="Input that it is about.")
@click.option("--date", help="Of the evening, like 2026-03-01. Default: today.")
@click.option("--done", type=int, metavar="NUMBER", help="Tick a job as done.")
@click.option("--open", "reopen", type=int, metavar="NUMBER", help="Open a job again that was ticked.")
@click.option("--take-back", type=int, metavar="NUMBER", help="Take a note or a job back.")
@click.option("--list", "list_them", is_flag=True, help="Show the open jobs and the notes that stand.")
@click.option("--all", "everything", is_flag=True, help="With --list: the older ones too.")
@click.option("--by", help="Who says so. Default: whoever is logged in.")
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml in this folder or above it."
)
@history_option
def note(
    text: str | None,
    job: bool,
    source: str,
    date: str | None,
    done: int | None,
    reopen: int | None,
    take_back: int | None,
    list_them: bool,
    everything: bool,
    by: str | None,
    house: Path | None,
    history: str | None,
) -> None:
    """Leave a note or a job for the next evening; they stand on its sheet.

    Without TEXT the open jobs and the notes of the last eight days are shown. Exit status: 0 done, 2 wrong use.
    """
    from deskhand.recording.show import checked_date
    from deskhand.store import HandoverNote
    from deskhand.tasks.handover import leave_notes, one_line
    from deskhand.tasks.keep import house_at, who

    _, house_file = house_at(house)
    acts = [value for value in (text, done, reopen, take_back) if value is not None]
    if len(acts) > 1 or (acts and list_them):
        raise UsageError("note", "does one thing at a time", "leave the others out")
    if not acts:
        _print_notes(house_file, history, everything=everything)
        return
    if text is None:
        _change(house_file, history, done=done, reopen=reopen, take_back=take_back, by=who(by))
        return
    import datetime as dt

    evening = checked_date(date, "--date") if date else dt.date.today().isoformat()  # noqa: DTZ011 - the evening's own
    left = HandoverNote(date=evening, source=source, text=one_line(text), is_job=job, said_by=who(by))
    (number,) = leave_notes([left], house_file=house_file, history=history)
    click.echo(f"{phrase('Job') if job else phrase('Note')} {number}: {left}")


def _change(
    house_file: Path, history: str | None, *, done: int | None, reopen: int | None, take_back: int | None, by: str
) -> None:
    """Tick a job, open it again, or take something back."""
    from deskhand.store.handover import finish_job, take_back_note
    from deskhand.tasks.handover import history_of

    store, house = history_of(history, house_file, create=False)
    if store is None:
        raise UsageError("the history", "holds no notes yet", 'leave one with: deskhand note "..."')
    try:
        if take_back is not None:
            click.echo(phrase("Taken back: {text}", text=take_back_note(store, take_back, house=house)))
        else:
            number = done if done is not None else reopen
            assert number is not None
            job = finish_job(store, number, house=house, by=by if done is not None else None)
            click.echo(f"{phrase('Done') if done is not None else phrase('Open again')}: {job}")
    finally:
        store.close()


def _print_notes(house_file: Path, history: str | None, *, everything: bool) -> None:
    from deskhand.store.handover import handover_notes
    from deskhand.tasks.handover import history_of, line_of, standing

    store, house = history_of(history, house_file, create=False)
    notes: list[HandoverNote] = []
    if store is not None:
        try:
            notes = handover_notes(store, house=house)
        finally:
            store.close()
    jobs, others = standing(notes)
    if everything:
        others = [one for one in notes if one not in jobs]
    for head, listed in ((phrase("Open jobs:"), jobs), (phrase("Notes:"), others)):
        if listed:
            click.echo(head)
        for one in listed:
            click.echo(f"  {one.id:3}  {one.date or ''}  {line_of(one)}")
    if not jobs and not others:
        click.echo(phrase('No jobs are open, and no notes stand. Leave one with: deskhand note "..." (--job)'))
