"""`deskhand keep`: a take kept as one of the house's good ones; kept takes listed and forgotten."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, take_options
from deskhand.cli.output import output_console, sources_to_fix
from deskhand.errors import UsageError


@click.command()
@click.argument("recording", type=click.Path(path_type=Path), required=False)
@take_options("Keep")
@click.option("--note", default="", help="Why this one is worth keeping.")
@click.option("--by", help="Who keeps it. Default: whoever is logged in.")
@click.option("--forget", metavar="WHICH", help="Take one out of the reference, by its number, date or name.")
@click.option("--list", "list_them", is_flag=True, help="Show what is kept.")
@click.option("--forgotten", is_flag=True, help="With --list: those that were taken out too.")
def keep(
    recording: Path | None,
    take: TakeOptions,
    note: str,
    by: str | None,
    forget: str | None,
    list_them: bool,
    forgotten: bool,
) -> None:
    """Keep a take as one of the house's good ones: what is normal here is learned from them.

    Nothing is overwritten and nothing is deleted: what is forgotten stays in the history, with who took it out and when.
    """
    from deskhand.baseline.normal import LEARNED
    from deskhand.recording.names import dated
    from deskhand.tasks import keep as keeping

    if sum((recording is not None, forget is not None, list_them)) != 1:
        raise UsageError("keep", "takes a RECORDING, or --list, or --forget WHICH", "give one of the three")
    if recording is None:
        house, house_file = keeping.house_at(take.house)
        store = keeping.history_at(take.history, house_file)
        if forget is not None:
            row = store.forget(forget, house=house.house.name, by=keeping.who(by))
            click.echo(f"{dated(row.show, row.date)}, {row.phase}: no longer part of the reference.")
            return
        from deskhand.report.kept import print_takes

        print_takes(store.takes(house=house.house.name, forgotten=forgotten), output_console())
        return
    checked = take.check(recording, to_be_kept=True)
    number, count, store_name = keeping.keep(checked, recording, history=take.history, note=note, by=keeping.who(by))
    show = checked.result.show
    click.echo(f"{dated(show.name, show.date)}, {show.phase}: kept as number {number} in {store_name}.")
    faults = sources_to_fix(checked.result)
    if faults:
        click.echo(f"Mind: something is to fix at {', '.join(faults)}; if it was no good take, keep --forget {number}.")
    click.echo(
        f"{count} kept of this phase"
        + (f": the house is still learning, judgements are raised from {LEARNED} on." if count < LEARNED else ".")
    )
