"""`deskhand live`: line check and soundcheck while they happen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from deskhand.cli.group import fail
from deskhand.cli.options import PHASES, TAPS, ClockTime, history_option, named_players, refuse_unwritable
from deskhand.cli.output import error_console, output_console, print_faults, sources_to_fix
from deskhand.errors import DeskhandError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from deskhand.live.session import LiveOptions, LiveOutcome


@click.command()
@click.option("--list", "list_them", is_flag=True, help="Show the inputs of this computer.")
@click.option("--device", metavar="NAME or NUMBER", help="Which of them. Default: the one with most channels.")
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml in this folder or above it."
)
@click.option(
    "--replay", type=click.Path(path_type=Path), metavar="RECORDING", help="Listen to a recording instead: to practise."
)
@click.option("--fast", is_flag=True, help="With --replay: as fast as the computer can.")
@click.option(
    "--phase",
    type=click.Choice(PHASES),
    default="line-check",
    show_default=True,
    help="line-check: one player after the other; rehearsal or show: everybody plays.",
)
@click.option("--tap", type=click.Choice(TAPS), help="Where the inputs are taken. Default: what the house file says.")
@click.option("--date", help="Of the show, like 2026-03-01. Default: today.")
@click.option(
    "--player", "players", multiple=True, metavar="SOURCE=NAME", help="Who plays; may be given several times."
)
@history_option
@click.option("--record", type=click.Path(path_type=Path), metavar="FOLDER", help="Write all inputs to disk meanwhile.")
@click.option("--keep", "keep_it", is_flag=True, help="Keep it as one of the house's good ones.")
@click.option("--no-keep", is_flag=True, help="Do not keep the turns of a line check, which are kept by themselves.")
@click.option("--with-faults", is_flag=True, help="With --keep: also what is at fault, which is left out without it.")
@click.option("--note", default="", help="With --keep: why this one is worth keeping.")
@click.option("--by", help="With --keep: who keeps it. Default: whoever is logged in.")
@click.option("--for", "length_s", type=ClockTime(), help="Stop after so long, like 20:00.")
@click.option("--ring-out", "ring_out", is_flag=True, help="Ring out the wedges with a helper; --page: there.")
@click.option("--microphone", "microphones", multiple=True, metavar="SOURCE", help="With --ring-out: this one only.")
@click.option("--page", is_flag=True, help="Show it in a browser as well: the line check in the hand.")
@click.option("--lan", is_flag=True, help="The same for phones on the local network, by a link with a secret.")
@click.option("--port", type=click.IntRange(0, 65535), help="Of the page; 0 takes a free one. Default: 8420.")
@click.option("--json", "json_file", metavar="FILE", help="Also write the result as data; - for standard output.")
def live(
    list_them: bool,
    device: str | None,
    house: Path | None,
    replay: Path | None,
    fast: bool,
    phase: str,
    tap: str | None,
    date: str | None,
    players: tuple[str, ...],
    history: str | None,
    record: Path | None,
    keep_it: bool,
    no_keep: bool,
    with_faults: bool,
    note: str,
    by: str | None,
    length_s: float | None,
    ring_out: bool,
    microphones: tuple[str, ...],
    page: bool,
    lan: bool,
    port: int | None,
    json_file: str | None,
) -> None:
    """Line check and soundcheck from the desk's audio interface, told while they play.

    Keys: n next, b back, x not tonight, c check now, r ring-out, q done. Exit: 0 all well, 1 something to fix, 2 wrong use, or device or disk failed.
    """
    from deskhand.live.session import LiveOptions

    if list_them:
        _print_inputs()
        return
    options = LiveOptions(
        house=house,
        device=device,
        replay=replay,
        fast=fast,
        phase=phase,  # type: ignore[arg-type]
        tap=tap,  # type: ignore[arg-type]
        date=date,
        players=named_players(players),
        history=history,
        record=record,
        length_s=length_s,
        ring_out=ring_out,
        microphones=microphones,
    )
    if (ring_out or microphones) and not (ring_out and (page or lan)):
        _ring_out(options, microphones, json_file, beside=not ring_out or keep_it or page or lan)
        return
    outcome = _heard(options, json_file, page=page or lan, lan=lan, port=port)
    _deliver(outcome, json_file)
    if keep_it:
        _keep(outcome, history=history, note=note, by=by, with_faults=with_faults, to_stderr=json_file == "-")
    elif not no_keep:
        _keep_by_itself(outcome, options, to_stderr=json_file == "-")
    _hand_over(outcome, options, by=by, to_stderr=json_file == "-")
    _end(outcome, record if json_file != "-" else None)


def _end(outcome: LiveOutcome, record: Path | None) -> NoReturn:
    """Name the recording, and end with the status of what was found."""
    if record is not None:
        click.echo(f"Recorded: {record}; check it with: deskhand check {record}")
    if outcome.problem is not None:
        fail(outcome.problem)
    raise SystemExit(1 if sources_to_fix(outcome.result) else 0)


def _ring_out(options: LiveOptions, microphones: tuple[str, ...], json_file: str | None, *, beside: bool) -> None:
    """Ring out the wedges; "-" writes the result to standard output. `beside`: options were given that it does not go with."""
    import json

    from deskhand.files import write_atomically
    from deskhand.live.ring_out_session import ring_out_live

    if beside or options.record is not None:
        raise UsageError(
            "--ring-out",
            "goes with --microphone, and with --record and --keep only beside --page or --lan",
            "give --ring-out alone or with --page, or leave --microphone out",
        )
    refuse_unwritable(json_file)
    state = ring_out_live(options, microphones, output_console() if json_file != "-" else error_console())
    text = json.dumps(state.data(), indent=2, ensure_ascii=False) + "\n"
    if json_file == "-":
        click.echo(text.encode(), nl=False)
    elif json_file is not None:
        write_atomically(Path(json_file), text.encode())


def _heard(options: LiveOptions, json_file: str | None, *, page: bool, lan: bool, port: int | None) -> LiveOutcome:
    """Listen, with a page or without; where the result goes to standard output, what is told goes elsewhere."""
    from deskhand.live.session import listen_live

    refuse_unwritable(json_file)
    console = output_console() if json_file != "-" else error_console()
    return _shown(options, console, lan=lan, port=port) if page else listen_live(options, console)


def _shown(options: LiveOptions, console: Console, *, lan: bool, port: int | None) -> LiveOutcome:
    """Listen, with a page that shows it; the link stays on the terminal above the screen."""
    from deskhand.live.board import Board
    from deskhand.live.ring_out_session import chosen_pairs
    from deskhand.live.session import listen_live
    from deskhand.tasks.keep import house_at
    from deskhand.web.serve import beside

    house, house_file = house_at(options.house, near=options.replay)
    if options.ring_out:
        # a name that is no open microphone is said before anything is opened
        chosen_pairs(house, options.microphones)
    board = Board()

    def say(line: str) -> None:
        console.print(line, highlight=False, markup=False, soft_wrap=True)

    with beside(house_file.parent, board, port=port, lan=lan, history=options.history, say=say):
        if console.is_terminal and lan:
            # the screen that follows would hide the code
            console.input("Open it on the phone, then press Enter here. ")
        return listen_live(options, console, board=board)


def _print_inputs() -> None:
    from deskhand.live.device import list_devices

    devices = list_devices()
    if not devices:
        click.echo(
            "No audio input is connected: plug in the desk's interface and switch it on, or practise on a recording with: "
            "deskhand live --replay RECORDING"
        )
    for device in devices:
        click.echo(
            f"{device.number:3}  {device.channels:2} channels  {device.sample_rate_hz / 1000:g} kHz  {device.name}"
        )


def _deliver(outcome: LiveOutcome, json_file: str | None) -> None:
    """Write and print the result; "-" is standard output."""
    from deskhand.files import write_atomically
    from deskhand.report.terminal import print_result
    from deskhand.result import to_json

    if json_file == "-":
        click.echo(to_json(outcome.result).encode(), nl=False)
        return
    if json_file is not None:
        write_atomically(Path(json_file), to_json(outcome.result))
    console = output_console()
    console.print()
    print_result(outcome.result, console)


def _keep_by_itself(outcome: LiveOutcome, options: LiveOptions, *, to_stderr: bool) -> None:
    """Keep the turns of a line check, and print who played where nothing else holds it."""
    from deskhand.live.keeping import keep_turns

    try:
        for line in keep_turns(outcome, options):
            click.echo(line, err=to_stderr)
    except DeskhandError as error:
        # nobody asked for it: the line check stands all the same
        click.echo(f"Not kept by itself: {error}", err=True)
    named = {name: who for name, who in outcome.result.show.players.items() if (name, who) not in options.players}
    if named and options.record is None and options.replay is None:
        pairs = " ".join(f'--player "{name}={who}"' for name, who in named.items())
        click.echo(f"For the check of tonight's recording, or its show.toml: {pairs}", err=to_stderr)


def _hand_over(outcome: LiveOutcome, options: LiveOptions, *, by: str | None, to_stderr: bool) -> None:
    """Leave the notes of the evening for the next one; those of a practice are told and not kept."""
    from deskhand.live.sharing import hand_over
    from deskhand.tasks.keep import who

    if not outcome.notes or options.replay is not None:
        return
    count = hand_over(
        outcome.notes,
        date=outcome.result.show.date,
        house_file=outcome.house_file,
        history=options.history,
        by=who(by),
    )
    click.echo(f"Handed over: {count} {'note' if count == 1 else 'notes'} (deskhand note)", err=to_stderr)


def _keep(
    outcome: LiveOutcome, *, history: str | None, note: str, by: str | None, with_faults: bool, to_stderr: bool
) -> None:
    from deskhand.tasks import keep as keeping
    from deskhand.tasks.keep_terms import faults_of, left_out_text

    # it cannot be listened to again: what is at fault is left out, and the rest is kept
    faults = faults_of(outcome.result)
    if not with_faults:
        print_faults(faults, to_stderr=to_stderr)
    without = tuple(dict.fromkeys(source for source, _ in faults))
    terms = keeping.KeepTerms(
        note=note, by=keeping.who(by), without=() if with_faults else without, with_faults=with_faults
    )
    kept_show = keeping.keep_result(outcome.result, outcome.parts, outcome.house_file, history=history, terms=terms)
    click.echo(
        f"Kept as number {kept_show.number} in {kept_show.history}; {kept_show.of_phase} of this phase are kept.",
        err=to_stderr,
    )
    if kept_show.left_out:
        click.echo(left_out_text(kept_show.left_out, mix_too=kept_show.mix_left_out), err=to_stderr)
