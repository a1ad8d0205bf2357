"""`deskhand keep`: a take kept as one of the house's good ones; kept takes listed, forgotten, put back and measured again."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, take_options
from deskhand.cli.output import output_console, print_faults, progress_bar
from deskhand.errors import UsageError
from deskhand.words import phrase


@click.command()
@click.argument("recording", type=click.Path(path_type=Path), required=False)
@take_options("Keep")
@click.option("--note", default="", help="Why this one is worth keeping.")
@click.option("--by", help="Who keeps it. Default: whoever is logged in.")
@click.option(
    "--without", multiple=True, metavar="SOURCE", help="Learn nothing from this one; may be given several times."
)
@click.option("--with-faults", is_flag=True, help="Keep it although something is wrong in it.")
@click.option("--forget", metavar="WHICH", help="Take one out of the reference, by its number, date or name.")
@click.option("--restore", metavar="WHICH", help="Put one back that was taken out.")
@click.option("--list", "list_them", is_flag=True, help="Show what is kept.")
@click.option("--forgotten", is_flag=True, help="With --list: those that were taken out too.")
@click.option(
    "--measure-again", is_flag=True, help="Measure those again that hold numbers by an earlier version's definitions."
)
def keep(
    recording: Path | None,
    take: TakeOptions,
    note: str,
    by: str | None,
    without: tuple[str, ...],
    with_faults: bool,
    forget: str | None,
    restore: str | None,
    list_them: bool,
    forgotten: bool,
    measure_again: bool,
) -> None:
    """Keep a take as one of the house's good ones: what is normal here is learned from them.

    A take with something to fix is kept only when you say so, or without what is at fault. Nothing is overwritten and nothing is deleted:
    what is forgotten stays in the history, with who took it out and when.
    """
    choices = (recording is not None, forget is not None, restore is not None, list_them, measure_again)
    if sum(choices) != 1:
        raise UsageError(
            "keep",
            "takes a RECORDING, or --list, --forget WHICH, --restore WHICH or --measure-again",
            "give one of them",
        )
    if recording is not None:
        _keep(recording, take, note=note, by=by, without=without, with_faults=with_faults)
    elif measure_again:
        _measure_again(take, by)
    else:
        _change(take, forget=forget, restore=restore, forgotten=forgotten, by=by)


def _keep(
    recording: Path, take: TakeOptions, *, note: str, by: str | None, without: tuple[str, ...], with_faults: bool
) -> None:
    """Keep a take, and say what comes of it."""
    from deskhand.baseline.normal import LEARNED
    from deskhand.recording.names import dated
    from deskhand.tasks import keep as keeping
    from deskhand.tasks.keep_terms import FaultyShowError, left_out_text

    checked = take.check(recording, to_be_kept=True, without=without)
    terms = keeping.KeepTerms(note=note, by=keeping.who(by), without=without, with_faults=with_faults)
    try:
        kept_show = keeping.keep(checked, recording, history=take.history, terms=terms)
    except FaultyShowError as error:
        print_faults(error.faults)
        raise
    show = checked.result.show
    entry = "{show}, {phase}: kept as number {number} in {history}."
    facts = {"show": dated(show.name, show.date), "phase": phrase(show.phase), "number": kept_show.number}
    click.echo(phrase(entry, **facts, history=kept_show.history))
    if kept_show.left_out:
        click.echo(left_out_text(kept_show.left_out, mix_too=kept_show.mix_left_out))
    entry = "{count} kept of this phase."
    if kept_show.of_phase < LEARNED:
        entry = "{count} kept of this phase: the house is still learning, judgements are raised from {learned} on."
    click.echo(phrase(entry, count=kept_show.of_phase, learned=LEARNED))


def _change(take: TakeOptions, *, forget: str | None, restore: str | None, forgotten: bool, by: str | None) -> None:
    """Take one out, put one back, or list them."""
    from deskhand.recording.names import dated
    from deskhand.tasks import keep as keeping

    house, house_file = keeping.house_at(take.house)
    store = keeping.history_at(take.history, house_file)
    if forget is not None:
        row = store.forget(forget, house=house.house.name, by=keeping.who(by))
        facts = {"show": dated(row.show, row.date), "phase": phrase(row.phase)}
        click.echo(phrase("{show}, {phase}: no longer part of the reference.", **facts))
        return
    if restore is not None:
        from deskhand.store.kept_takes import restore_take

        row = restore_take(store, restore, house=house.house.name, by=keeping.who(by))
        facts = {"show": dated(row.show, row.date), "phase": phrase(row.phase)}
        click.echo(phrase("{show}, {phase}: part of the reference again, as number {number}.", **facts, number=row.id))
        return
    from deskhand.report.kept import print_takes
    from deskhand.store.unknown_houses import unknown_house_text, unknown_houses

    print_takes(store.takes(house=house.house.name, forgotten=forgotten), output_console())
    unknown = unknown_house_text(unknown_houses(store, house=house.house.name))
    if unknown:
        click.echo(f"{unknown[0].upper()}{unknown[1:]}.")


def _measure_again(take: TakeOptions, by: str | None) -> None:
    """Measure kept takes again, and say of each what came of it."""
    from deskhand.recording.names import dated
    from deskhand.tasks.keep import who
    from deskhand.tasks.measure_again import measure_again

    with progress_bar("measuring") as progress:
        outcomes = measure_again(house_path=take.house, history=take.history, by=who(by), progress=progress)
    for outcome in outcomes:
        row = outcome.row
        end = (
            f"set aside as it is: {outcome.reason}"
            if outcome.number is None
            else f"measured again, number {outcome.number} in place of {row.id}"
        )
        click.echo(f"{dated(row.show, row.date)}, {row.phase}: {end}.")
    if not outcomes:
        click.echo(phrase("Every kept take holds today's numbers."))
