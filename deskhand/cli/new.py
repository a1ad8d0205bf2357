"""`deskhand new`: a house file guessed from a recording."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.output import progress_bar
from deskhand.errors import UsageError
from deskhand.words import phrase


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--name", default="Our house", show_default=True, help="Of the house.")
@click.option(
    "--output", type=click.Path(path_type=Path), help="Where to write. Default: house.toml in or beside the recording."
)
@click.option("--names-only", is_flag=True, help="Go by the track names alone, without listening.")
def new(recording: Path, name: str, output: Path | None, names_only: bool) -> None:
    """Write a commented house file, guessed from a recording's track names and sound."""
    from deskhand.files import write_atomically
    from deskhand.house import FILE_NAME, parse_house
    from deskhand.recording import open_recording
    from deskhand.tasks.new import house_text, level_questions, proposal_of, refuse_hiding
    from deskhand.tasks.role_by_sound import SoundGuess, open_guesses

    take = open_recording(recording)
    target = output or (recording if recording.is_dir() else recording.parent) / FILE_NAME
    if target.exists():
        raise UsageError(str(target), "is there already", "name another place with --output, or move it away")
    if output is None:
        refuse_hiding(target)
    proposal = proposal_of(take, name=name)
    house = proposal.house
    comments: dict[str, str] = {}
    levels_dbfs: dict[str, float | None] = {}
    faders_db: dict[str, float | None] = {}
    guesses: dict[str, SoundGuess] = {}
    if not names_only:
        from deskhand.tasks.check import listen

        with progress_bar("listening") as progress:
            impressions = listen(take, house, progress=progress)
        comments = {source: impression.comment for source, impression in impressions.items()}
        levels_dbfs = {source: impression.level_dbfs for source, impression in impressions.items()}
        faders_db = {source: impression.fader_db for source, impression in impressions.items()}
        guesses = open_guesses(proposal.asked, {name: sound.sound_guess for name, sound in impressions.items()})
    text = house_text(
        house,
        heard=comments,
        remarks=proposal.remarks,
        levels_dbfs=levels_dbfs,
        faders_db=faders_db,
        sound_guesses=guesses,
    )
    parse_house(text, target)
    write_atomically(target, text)
    unclear = [source.name for source in house.source if source.name in proposal.asked]
    click.echo(phrase("{count} sources written to {file}", count=len(house.source), file=target))
    if unclear:
        click.echo(phrase("Roles not clear from the names: {names}", names=", ".join(unclear)))
    for source, guess in guesses.items():
        click.echo(f"{source} {guess.question}")
    for source, question in level_questions(house, levels_dbfs).items():
        click.echo(f"{source} {question}")
    entry = "Read it through once, fill in channel and patch, then: deskhand check {recording}"
    click.echo(phrase(entry, recording=recording))
