"""`deskhand compare`: a processor described from recordings before and after it."""

from __future__ import annotations

import os
from pathlib import Path

import click

from deskhand.cli.options import refuse_unwritable
from deskhand.cli.output import output_console, progress_bar
from deskhand.errors import UsageError


def _write_probe(path: Path) -> None:
    """Write the test signal, and say how to play it."""
    from deskhand.compare.probe import write_probe
    from deskhand.units import clock

    length_s = write_probe(path)
    click.echo(f"Test signal: {path}, {clock(length_s)}, mono. Quiet first, its second half rises to -6 dBFS.")
    click.echo(
        "Nobody wears headphones, speakers off or right down, feedback paths open nowhere: loud noise harms ears and tweeters."
    )
    click.echo("Play it through the unit alone, record what comes out, then: deskhand compare " + f"{path} RECORDING")


@click.command()
@click.argument("before", type=click.Path(path_type=Path), required=False)
@click.argument("after", type=click.Path(path_type=Path), required=False)
@click.option("--json", "json_file", metavar="FILE", help="Also write the result as data; - for standard output.")
@click.option(
    "--report", type=click.Path(path_type=Path), help="Where to write the page. Default: AFTER-compare.html here."
)
@click.option("--no-report", is_flag=True, help="Write no page.")
@click.option(
    "--audio",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Also write both at equal loudness, to listen to.",
)
@click.option(
    "--write-probe",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a test signal to play through the unit instead, and compare nothing.",
)
@click.option("--as-chain", metavar="FILE", help="Write the nearest chain of blocks for the house file; - to print it.")
def compare(
    before: Path | None,
    after: Path | None,
    json_file: str | None,
    report: Path | None,
    no_report: bool,
    audio: Path | None,
    as_chain: str | None,
    write_probe: Path | None,
) -> None:
    """Say what a processor did, from recordings before and after it.

    BEFORE and AFTER are one track or one left/right pair each, of the same performance. What is described is your recording of your
    processor: tone, dynamics, distortion, noise, width and level, each at equal loudness.
    """
    if write_probe is not None:
        _write_probe(write_probe)
        return
    if before is None or after is None:
        raise UsageError("compare", "needs two recordings", "name the one in front of the unit, then the one behind it")
    from deskhand.compare.run import compare as run_compare
    from deskhand.files import write_atomically
    from deskhand.report import compare as words
    from deskhand.result import plain

    target = None if no_report else report or Path(f"{after.stem}-compare.html")
    refuse_unwritable(target, json_file, as_chain, None if audio is None or audio.is_dir() else audio)
    with progress_bar("comparing") as progress:
        compared = run_compare(before, after, progress=progress)
    sounds: list[tuple[str, str]] = []
    if audio is not None:
        from deskhand.compare.audio import write_matched

        base = target.parent if target is not None else Path()
        sounds = [(name, os.path.relpath(path, base)) for name, path in write_matched(compared, audio)]
    if target is not None:
        write_atomically(target, words.page(compared, sounds))
    if as_chain not in (None, "-"):
        write_atomically(Path(as_chain), words.chain_text(compared))
    if json_file is not None:
        import json as json_

        text = json_.dumps(plain(compared.result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        if json_file == "-":
            click.echo(text.encode(), nl=False)
            return
        write_atomically(Path(json_file), text)
    words.print_comparison(compared, output_console())
    if as_chain == "-":
        click.echo("")
        click.echo(words.chain_text(compared), nl=False)
    click.echo("")
    for label, path in (("Chain", as_chain if as_chain != "-" else None), ("Audio", audio), ("Report", target)):
        if path is not None:
            click.echo(f"{label}: {path}")
