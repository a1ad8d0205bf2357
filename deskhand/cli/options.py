"""Options that several commands share, and what they come to."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from deskhand.cli.output import progress_bar
from deskhand.errors import UsageError
from deskhand.files import kept_beside

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.tasks.check import ShowCheck

# as `recording.show` has them, which takes too long to load for `--help`
PHASES: Final = ("line-check", "rehearsal", "show")
TAPS: Final = ("preamp", "after-gain", "after-chain")


class ClockTime(click.ParamType[float]):
    """Time into a recording, written like 1:30; in seconds."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Seconds from what was typed."""
        from deskhand.units import parse_clock

        if isinstance(value, float):
            return value
        try:
            seconds = parse_clock(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if seconds < 0:
            self.fail(f"{value!r} is before the start; write it like '1:30'", param, ctx)
        return seconds


history_option = click.option(
    "--history",
    metavar="FILE or URL",
    help="Where kept shows are. Default: DESKHAND_HISTORY, or history.sqlite beside the house file.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOptions:
    """Stretch of a take that is meant, and what is known of the take."""

    house: Path | None
    start_s: float | None
    end_s: float | None
    history: str | None
    show: dict[str, Any]
    """Phase, tap, date and players, as far as they were given."""

    def check(self, recording: Path, **options: Any) -> ShowCheck:
        """Check the take; `options` are further fields of `tasks.check.CheckOptions`."""
        from deskhand.tasks.check import CheckOptions, check

        request = CheckOptions(**self.show, history=self.history, **options)
        with progress_bar("measuring") as progress:
            return check(
                recording,
                house_path=self.house,
                start_s=self.start_s,
                end_s=self.end_s,
                options=request,
                progress=progress,
                kept_in=kept_beside(recording),
            )


def take_options(verb: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Options for the stretch of a take and what is known of it, handed to the command as `take`.

    Parameters
    ----------
    verb : str
        For the help of `--from` and `--to`: "Check" or the like.
    """
    options = (
        click.option(
            "--house",
            type=click.Path(path_type=Path),
            help="House file. Default: house.toml beside the recording or above, or its week-DATE.toml for this show.",
        ),
        click.option("--from", "start_s", type=ClockTime(), help=f"{verb} from here on, like 1:30."),
        click.option("--to", "end_s", type=ClockTime(), help=f"{verb} up to here, like 6:00."),
        click.option(
            "--phase", type=click.Choice(PHASES), help="What was recorded. Default: what show.toml says, or rehearsal."
        ),
        click.option(
            "--tap", type=click.Choice(TAPS), help="Where the tracks were taken. Default: what the house file says."
        ),
        click.option("--date", help="Of the show, like 2026-03-01."),
        click.option(
            "--player", "players", multiple=True, metavar="SOURCE=NAME", help="Who played; may be given several times."
        ),
        history_option,
    )

    def add(command: Callable[..., None]) -> Callable[..., None]:
        @functools.wraps(command)
        def with_take(
            house: Path | None,
            start_s: float | None,
            end_s: float | None,
            history: str | None,
            **arguments: Any,
        ) -> None:
            show = {name: arguments.pop(name) for name in ("phase", "tap", "date", "players")}
            show["players"] = named_players(show["players"])
            take = TakeOptions(house=house, start_s=start_s, end_s=end_s, history=history, show=show)
            command(take=take, **arguments)

        decorated: Callable[..., None] = with_take
        for option in reversed(options):
            decorated = option(decorated)
        return decorated

    return add


def refuse_unwritable(*paths: str | Path | None) -> None:
    """Refuse a file that cannot be written, before anything is measured or written; "-" is standard output.

    Raises
    ------
    UsageError
        It is a folder, or its folder is not there.
    """
    for path in (Path(given) for given in paths if given not in (None, "-")):
        if path.is_dir() or not path.parent.is_dir():
            problem = "it is a folder" if path.is_dir() else "there is no such folder"
            raise UsageError(str(path), f"cannot be written ({problem})", "choose another place")


def named_players(pairs: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Source and player of each `--player`.

    Raises
    ------
    UsageError
        Not SOURCE=NAME.
    """
    players = []
    for pair in pairs:
        source, equals, player = pair.partition("=")
        if not equals or not source.strip() or not player.strip():
            raise UsageError(f"--player {pair!r}", "is not SOURCE=NAME", 'write it like --player "piano=Ana"')
        players.append((source.strip(), player.strip()))
    return tuple(players)
