"""`deskhand exposure` and `deskhand calibrate`: the sound level where people sit, and what ties it to sound pressure."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import TakeOptions, refuse_unwritable, take_options
from deskhand.cli.output import output_console, progress_bar
from deskhand.errors import UsageError


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@take_options("Measure")
@click.option("--start", metavar="TIME", help="Time of day at which the recording begins, like 19:30.")
@click.option("--json", "json_file", metavar="FILE", help="Also write the result as data; - for standard output.")
def exposure(recording: Path, take: TakeOptions, start: str | None, json_file: str | None) -> None:
    """Say how loud it was where people sit, and for how long.

    RECORDING holds a measurement microphone's track, which the house file calls a source of role "seat". Exit status: 0, or 1 when the
    house's limit was passed.
    """
    from deskhand.recording.show import clock_of_day_s
    from deskhand.report.seats import print_seats
    from deskhand.tasks.check import CheckOptions
    from deskhand.tasks.exposure import exposure as measure

    refuse_unwritable(json_file)
    clock_s = None if start is None else clock_of_day_s(start, "--start")
    with progress_bar("measuring") as progress:
        evening = measure(
            recording,
            house_path=take.house,
            start_s=take.start_s,
            end_s=take.end_s,
            options=CheckOptions(**take.show, history=take.history),
            clock_s=clock_s,
            progress=progress,
        )
    if json_file is not None:
        import json

        from deskhand.files import write_atomically
        from deskhand.result import plain

        text = json.dumps(plain(evening), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        if json_file == "-":
            click.echo(text.encode(), nl=False)
        else:
            write_atomically(Path(json_file), text)
    if json_file != "-":
        console = output_console()
        for note in evening.notes:
            console.print(f"note: {note}", style="dim", markup=False, highlight=False)
        print_seats(evening.seats, console)
    if any(finding.severity == "fix" for seat in evening.seats for finding in seat.findings):
        raise SystemExit(1)


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@take_options("Look")
@click.option("--track", required=True, help="The seat, or its track in the recording.")
@click.option("--level", required=True, help='Level that stands on the calibrator: "94 dB" or "114 dB".')
@click.option("--preamp", metavar="GAIN", help='Gain that its preamp shows, like "30 dB". Default: the house file\'s.')
def calibrate(recording: Path, take: TakeOptions, track: str, level: str, preamp: str | None) -> None:
    """Tie a measurement microphone to sound pressure, from the recorded tone of a sound calibrator.

    RECORDING holds some ten seconds of the calibrator's tone at 1 kHz on the seat's track. The calibration is kept in the history, by
    microphone and date.
    """
    from deskhand.report.seats import calibration_lines
    from deskhand.seat.calibration import calibrator_level_db
    from deskhand.tasks.check import CheckOptions
    from deskhand.tasks.exposure import calibrate as measure
    from deskhand.units import parse

    level_db = calibrator_level_db(level)
    try:
        preamp_db = None if preamp is None else parse(preamp, "gain_db")
    except ValueError as error:
        raise UsageError("--preamp", str(error), 'write it like "30 dB"') from error
    new = measure(
        recording,
        track=track,
        level_db=level_db,
        house_path=take.house,
        start_s=take.start_s,
        end_s=take.end_s,
        options=CheckOptions(**take.show, history=take.history),
        preamp_db=preamp_db,
    )
    for line in calibration_lines(new.calibration, new.drift, earlier=new.earlier, history=new.history):
        click.echo(line)
