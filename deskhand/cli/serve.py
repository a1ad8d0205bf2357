"""`deskhand serve`: the local page."""

from __future__ import annotations

from pathlib import Path

import click

from deskhand.cli.options import history_option


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), default=Path(), required=False)
@click.option("--port", type=click.IntRange(0, 65535), default=8420, show_default=True, help="0 takes a free one.")
@click.option("--lan", is_flag=True, help="For tablets and phones on the local network, by a link with a secret.")
@click.option(
    "--card",
    "also",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Another folder in which recordings appear, such as a card; only read. May be given several times.",
)
@click.option("--open", "open_browser", is_flag=True, help="Open it in this computer's browser.")
@click.option("--by", help="Who keeps and leaves things. Default: whoever is logged in.")
@history_option
def serve(
    folder: Path,
    port: int,
    lan: bool,
    also: tuple[Path, ...],
    open_browser: bool,
    by: str | None,
    history: str | None,
) -> None:
    """Open the local page: everything without typing.

    FOLDER holds the house file and its recordings (this folder by default); without a house file the page helps to write one. Only this
    computer can see it, unless --lan is given.
    """
    from deskhand.web.serve import serve as run

    run(
        folder,
        also=also,
        port=port,
        lan=lan,
        history=history,
        by=by,
        say=click.echo,
        open_browser=open_browser,
    )
