"""`deskhand room`: the room and the loudspeakers at the seats, from a recording of the sweeps."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import click

from deskhand.cli.options import ClockTime, history_option, refuse_unwritable
from deskhand.cli.output import output_console, progress_bar
from deskhand.errors import UsageError

_CAUTIONS: Final = (
    "Before it is played:",
    "  Know who is in the room, and tell them: five sweeps of 8 s, the last three 20 dB louder than the first. Hearing protection on.",
    "  In-ear monitors out, nobody wears headphones; wedges muted.",
    "  No open microphone in the path: mute every input but the file's, or it can feed back. The seat's microphone goes to the recorder alone.",
    "  Start with the fader at -40 dB and play the beginning; raise it step by step until the first sweep is clearly heard above the room.",
    "  Keep far below what the loudspeakers bear: high drivers fail first. Stop when something rattles. Who looks after the rig decides.",
    "  Then record every seat's microphone from 5 s before the first sweep to 5 s behind the last, and leave the microphones where they are.",
)


class SoundLevel(click.ParamType[float]):
    """A-weighted sound level, written like "70 dBA"; in dB."""

    name = "level"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Number of what was typed."""
        from deskhand.units import parse

        if isinstance(value, float):
            return value
        try:
            level_dba = parse(str(value), "level_dba")
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if not 0.0 <= level_dba <= 140.0:
            self.fail(f"{value!r} is no level in a room; write it like '70 dBA'", param, ctx)
        return level_dba


def _name_of(recording: Path) -> str:
    """Name of a recording: all of a folder's name, a file's without its ending."""
    from deskhand.tasks.check import name_of

    return name_of(recording)


def _write_sweep(path: Path) -> None:
    """Write the file to play, and say what to mind."""
    from deskhand.seat.sweep_plan import write_sweep
    from deskhand.units import clock

    refuse_unwritable(path)
    length_s = write_sweep(path)
    click.echo(f"Sweeps: {path}, {clock(length_s)}, mono, 48 kHz. It starts at -40 dBFS and ends at -20 dBFS.")
    for line in _CAUTIONS:
        click.echo(line)
    click.echo("Then: deskhand room RECORDING")


@click.command()
@click.argument("recording", type=click.Path(path_type=Path), required=False)
@click.option(
    "--write-sweep",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the file to play into the room instead, and measure nothing.",
)
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml beside the recording or above."
)
@click.option(
    "--seat", "seats", multiple=True, metavar="TRACK", help="Track that is a seat, where the house file has none."
)
@click.option("--from", "start_s", type=ClockTime(), help="Look for the sweeps from here on, like 1:30.")
@click.option("--to", "end_s", type=ClockTime(), help="Look for the sweeps up to here, like 6:00.")
@click.option("--speech", "speech_dba", type=SoundLevel(), help='Level of speech at the seats, like "70 dBA".')
@click.option("--noise", "noise_dba", type=SoundLevel(), help='Level of the noise as read on a meter, like "38 dBA".')
@click.option("--date", help="Of the measurement, like 2026-03-01. Default: what show.toml says, or today.")
@click.option("--keep", is_flag=True, help="Keep it: the next measurement is compared with it.")
@click.option("--note", default="", help="Kept with it: how full the room was, what was changed.")
@history_option
@click.option("--json", "json_file", metavar="FILE", help="Also write the result as data; - for standard output.")
@click.option(
    "--report", type=click.Path(path_type=Path), help="Where to write the page. Default: RECORDING-room.html here."
)
@click.option("--no-report", is_flag=True, help="Write no page.")
def room(
    recording: Path | None,
    write_sweep: Path | None,
    house: Path | None,
    seats: tuple[str, ...],
    start_s: float | None,
    end_s: float | None,
    speech_dba: float | None,
    noise_dba: float | None,
    date: str | None,
    keep: bool,
    note: str,
    history: str | None,
    json_file: str | None,
    report: Path | None,
    no_report: bool,
) -> None:
    """Measure the room at the seats, once a season, and say whether the words arrive.

    RECORDING holds the sweeps of --write-sweep as measurement microphones at the seats heard them. Each number is told where two sweeps agree
    on it, or refused with the reason. Exit status: 0 something is told, 2 wrong use, unreadable input, or nothing can be told.
    """
    if write_sweep is not None:
        if recording is not None:
            raise UsageError("--write-sweep", "takes no RECORDING", "give one of the two")
        _write_sweep(write_sweep)
        return
    if recording is None:
        raise UsageError("room", "needs a RECORDING, or --write-sweep FILE", "give one of them")
    options = {
        "seats": seats, "speech_dba": speech_dba, "noise_dba": noise_dba, "date": date, "keep": keep, "note": note, "history": history,
    }  # fmt: skip
    target = None if no_report else report or Path(f"{_name_of(recording)}-room.html")
    _measure(recording, house, start_s, end_s, options, json_file, target)


def _measure(
    recording: Path,
    house: Path | None,
    start_s: float | None,
    end_s: float | None,
    facts: dict[str, Any],
    json_file: str | None,
    target: Path | None,
) -> None:
    """Measure a recording, and write and print what is told of it."""
    from deskhand.files import write_atomically
    from deskhand.report import room as words
    from deskhand.tasks.room import RoomOptions, measure_room

    refuse_unwritable(target, json_file)
    options = RoomOptions(**facts)
    with progress_bar("measuring") as progress:
        result = measure_room(
            recording, house_path=house, start_s=start_s, end_s=end_s, options=options, progress=progress
        )
    refusals = [seat for seat in result.seats if seat.refused is not None]
    if len(refusals) == len(result.seats):
        raise UsageError(
            f"{recording}, track {refusals[0].track}", "nothing can be told of the room", str(refusals[0].refused)
        )
    if target is not None:
        write_atomically(target, words.page(result))
    if json_file == "-":
        click.echo(words.to_json(result).encode(), nl=False)
        return
    if json_file is not None:
        write_atomically(Path(json_file), words.to_json(result))
    words.print_room(result, output_console())
    click.echo("")
    if result.kept_now:
        click.echo(f"Kept: {len(result.seats) - len(refusals)} seats, {result.measured_at}.")
    if target is not None:
        click.echo(f"Report: {target}")
