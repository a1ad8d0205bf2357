"""`deskhand render`: audio before and after the house's chains."""

from __future__ import annotations

import os
from pathlib import Path

import click

from deskhand.cli.options import TAPS, ClockTime
from deskhand.cli.output import progress_bar
from deskhand.errors import UsageError


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--into", "folder", type=click.Path(path_type=Path), help="Folder to write to. Default: RECORDING-audio here."
)
@click.option(
    "--house",
    type=click.Path(path_type=Path),
    help="House file. Default: house.toml beside the recording or above, or its week-DATE.toml for this show.",
)
@click.option("--source", "sources", multiple=True, metavar="NAME", help="Only this one; may be given several times.")
@click.option("--from", "start_s", type=ClockTime(), help="From here on, like 1:30.")
@click.option("--to", "end_s", type=ClockTime(), help="Up to here, like 1:50.")
@click.option("--tap", type=click.Choice(TAPS), help="Where the tracks were taken. Default: what the house file says.")
@click.option(
    "--chain",
    "chain_path",
    type=click.Path(path_type=Path),
    help="Run this chain alone, as compare --as-chain writes it, on one track or pair; no house file is needed.",
)
@click.option("--stages", is_flag=True, help="Also what comes out of every block.")
@click.option("--no-mix", is_flag=True, help="Without the mix.")
@click.option("--float", "float_files", is_flag=True, help="32-bit float files instead of 24 bit.")
def render(
    recording: Path,
    folder: Path | None,
    house: Path | None,
    sources: tuple[str, ...],
    start_s: float | None,
    end_s: float | None,
    tap: str | None,
    chain_path: Path | None,
    stages: bool,
    no_mix: bool,
    float_files: bool,
) -> None:
    """Write audio before and after the house's chains, at matched loudness, and the mix.

    For each source with a chain: before and after at one loudness (turned down only), and their difference. In the folder
    raw inside: before and after at their own levels, and the mix. Listen quietly first.
    """
    from deskhand.tasks.check import name_of
    from deskhand.tasks.render import RAW_FOLDER, RenderOptions, house_file_of
    from deskhand.tasks.render import render as write
    from deskhand.units import number

    into = folder if folder is not None else Path(f"{name_of(recording)}-audio")
    if chain_path is not None:
        from deskhand.tasks.render.chain_file import render_chain

        files = render_chain(recording, chain_path, into, start_s=start_s, end_s=end_s)
        click.echo("\n".join(file.name for file in files))
        click.echo(f"{len(files)} files in {into}, before and after at one loudness. Listen quietly first.")
        return
    request = RenderOptions(sources=sources, stages=stages, mix=not no_mix, float_files=float_files)
    house_file, week = house_file_of(recording, house)
    with progress_bar("rendering") as progress:
        written = write(
            recording,
            into,
            request,
            house_path=house_file,
            start_s=start_s,
            end_s=end_s,
            tap=tap,  # type: ignore[arg-type]
            progress=progress,
        )
    if week:
        click.echo(f"Rendered {week}")
    for file in written:
        turned_down = f", turned down {number(-file.gain_db, 1)} dB" if file.gain_db < 0 else ""
        click.echo(f"{file.path.relative_to(into)}{turned_down}{f' ({file.note})' if file.note else ''}")
    if not written:
        raise UsageError(str(recording), "holds no source with a chain or a fader", "write chains in the house file")
    click.echo(
        f"{len(written)} files in {into}; those in {RAW_FOLDER}{os.sep} are not matched in loudness. Listen quietly first."
    )
