"""The commands. Thin: each imports what it needs when it runs, so that `--help` answers at once."""

from __future__ import annotations

import codecs
import functools
import io
import os
import sys
import traceback
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from deskhand.errors import DeskhandError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

    from deskhand.tasks.check import ShowCheck

_PHASES = ("line-check", "rehearsal", "show")
_TAPS = ("preamp", "after-gain", "after-chain")
WRONG_USE = 2
OWN_MISTAKE = 70
"""EX_SOFTWARE of sysexits.h (BSD): an error of the program's own."""
STOPPED = 130
"""128 and the number of SIGINT, as POSIX shells report a command that Ctrl-C ended."""
_TRACEBACK_VARIABLE = "DESKHAND_TRACEBACK"
_WORDS_OF_A_MISTAKE = 160
"""Letters of an inner error's own words that are printed: about two lines of a terminal. Common practice, no source."""


def _nearest_sign(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join("-" if sign == "\u2212" else "?" for sign in error.object[error.start : error.end]), error.end


class _Commands(click.Group):
    """Turns a mistake a person can mend into one line and exit status 2."""

    def invoke(self, ctx: click.Context) -> object:
        # redirected output is cp1252 on many systems, which has no minus sign: better "-" than a traceback
        codecs.register_error("deskhand", _nearest_sign)
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="deskhand")
        try:
            return super().invoke(ctx)
        except DeskhandError as error:
            fail(str(error))
        except BrokenPipeError:
            # whoever was reading has seen enough
            sys.stderr.close()
            raise SystemExit(0) from None
        except MemoryError:
            fail("deskhand: not enough memory; check a shorter stretch with --from and --to")
        except (KeyboardInterrupt, click.Abort):
            click.echo("Stopped by Ctrl-C.", err=True)
            raise SystemExit(STOPPED) from None
        except OSError as error:
            where = error.filename if error.filename is not None else "deskhand"
            problem = error.strerror or type(error).__name__
            fail(
                f"{where}: cannot be read or written ({problem}); see that it is there, is yours, and the disk is not full"
            )
        except (click.ClickException, click.exceptions.Exit):
            raise
        except Exception as error:
            # the last door: a mistake of our own is told apart from "something to fix"
            if os.environ.get(_TRACEBACK_VARIABLE):
                raise
            fail(_own_mistake(error), OWN_MISTAKE)


def _own_mistake(error: Exception) -> str:
    """One line on a mistake of the program's own: its kind, its words, and the line of code it came from."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if Path(__file__).parent in Path(frame.filename).parents]
    place = f" in {Path(own[-1].filename).name}, line {own[-1].lineno}" if own else ""
    words = " ".join(str(error).split())[:_WORDS_OF_A_MISTAKE]
    return (
        f"deskhand made a mistake of its own ({type(error).__name__}{place}{': ' if words else ''}{words}); your recordings are untouched; "
        f"to report it, run the command once more with {_TRACEBACK_VARIABLE}=1 in front and send what it prints"
    )


def fail(line: str, status: int = WRONG_USE) -> NoReturn:
    """Print one line and end with a status, 2 (wrong use or unreadable input) unless another is named."""
    click.echo(f"Error: {line}", err=True)
    raise SystemExit(status)


class _ClockTime(click.ParamType[float]):
    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
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


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="deskhand", prog_name="deskhand", message="%(prog)s %(version)s")
def main() -> None:
    """Reads a soundcheck's multitrack recording and says what to do at the mixing desk before doors.

    Start with: deskhand demo
    """


_HISTORY = click.option(
    "--history",
    metavar="FILE or URL",
    help="Where kept shows are. Default: DESKHAND_HISTORY, or history.sqlite beside the house file.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Take:
    """Which stretch of which take is meant, and what is known of it."""

    house: Path | None
    start_s: float | None
    end_s: float | None
    history: str | None
    given: dict[str, Any]

    def check(self, recording: Path, **more: Any) -> ShowCheck:
        """The take checked; `more` is what else is asked."""
        from deskhand.tasks.check import CheckOptions, check

        options = CheckOptions(**self.given, history=self.history, **more)
        with _progress("measuring") as progress:
            return check(
                recording,
                house_path=self.house,
                start_s=self.start_s,
                end_s=self.end_s,
                options=options,
                progress=progress,
            )


def _of_a_take(verb: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """The options that say which stretch of which take is meant, and what is known of it."""
    options = (
        click.option(
            "--house",
            type=click.Path(path_type=Path),
            help="House file. Default: house.toml beside the recording or above, or its week-DATE.toml for this show.",
        ),
        click.option("--from", "start_s", type=_ClockTime(), help=f"{verb} from here on, like 1:30."),
        click.option("--to", "end_s", type=_ClockTime(), help=f"{verb} up to here, like 6:00."),
        click.option(
            "--phase", type=click.Choice(_PHASES), help="What was recorded. Default: what show.toml says, or rehearsal."
        ),
        click.option(
            "--tap", type=click.Choice(_TAPS), help="Where the tracks were taken. Default: what the house file says."
        ),
        click.option("--date", help="Of the show, like 2026-03-01."),
        click.option(
            "--player", "players", multiple=True, metavar="SOURCE=NAME", help="Who played; may be given several times."
        ),
        _HISTORY,
    )

    def add(command: Callable[..., None]) -> Callable[..., None]:
        @functools.wraps(command)
        def with_take(
            house: Path | None, start_s: float | None, end_s: float | None, history: str | None, **rest: Any
        ) -> None:
            given = {name: rest.pop(name) for name in ("phase", "tap", "date", "players")}
            given["players"] = _players(given["players"])
            command(take=_Take(house=house, start_s=start_s, end_s=end_s, history=history, given=given), **rest)

        made: Callable[..., None] = with_take
        for option in reversed(options):
            made = option(made)
        return made

    return add


def _can_be_written(*places: str | Path | None) -> None:
    """Refuse a file that cannot be written, before anything is measured or written; "-" is standard output."""
    for place in (Path(one) for one in places if one not in (None, "-")):
        if place.is_dir() or not place.parent.is_dir():
            problem = "it is a folder" if place.is_dir() else "there is no such folder"
            raise UsageError(str(place), f"cannot be written ({problem})", "choose another place")


def _players(pairs: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    out = []
    for pair in pairs:
        source, equals, player = pair.partition("=")
        if not equals or not source.strip() or not player.strip():
            raise UsageError(f"--player {pair!r}", "is not SOURCE=NAME", 'write it like --player "piano=Ana"')
        out.append((source.strip(), player.strip()))
    return tuple(out)


@contextmanager
def _progress(label: str) -> Iterator[Callable[[float], None] | None]:
    """A bar on standard error, on a terminal only."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    from deskhand.dsp import kernels_are_compiled

    if not kernels_are_compiled():
        console.print("First run: making the measuring code for this computer, about 15 s, once.", style="dim")
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _console() -> Console:
    """Standard output; lines are not cut where it is no terminal."""
    from rich.console import Console

    return Console(soft_wrap=not sys.stdout.isatty())


def _deliver(checked: ShowCheck, json_file: str | None, report: Path | None) -> int:
    """Write and print a result; the exit status."""
    from deskhand.files import write_atomically
    from deskhand.result import to_json

    result = checked.result
    if report is not None:
        from deskhand.report.page import page

        write_atomically(report, page(result, checked.pictures))
    if json_file == "-":
        # UTF-8 whatever the terminal's own coding (RFC 8259, 8.1)
        click.echo(to_json(result).encode(), nl=False)
    else:
        from deskhand.report.terminal import print_result

        if json_file is not None:
            write_atomically(Path(json_file), to_json(result))
        console = _console()
        print_result(result, console)
        if report is not None:
            console.print()
            console.print(f"Report: {report}", highlight=False, markup=False, soft_wrap=True)
    return 1 if _to_mend(checked) else 0


def _to_mend(checked: ShowCheck) -> list[str]:
    """Sources at which something is to be put right."""
    return [source.name for source in checked.result.sources if source.status in ("fix", "silent", "missing")]


@main.command()
@click.argument("recording", type=click.Path(path_type=Path))
@_of_a_take("Check")
@click.option(
    "--leave-tonight", multiple=True, metavar="ID", help='Leave a finding of this show alone, like "bass/hum".'
)
@click.option("--leave-for-good", multiple=True, metavar="ID", help="The same from now on: that is how we like it.")
@click.option("--raise-again", multiple=True, metavar="ID", help="Hear of it again.")
@click.option("--by", help="Who says so. Default: whoever is logged in.")
@click.option(
    "--why", "why", metavar="SOURCE", help="Tell how the moves of a source were found: the numbers, and what was tried."
)
@click.option(
    "--write-week",
    type=click.Path(path_type=Path),
    help="Write this week's chains, with the moves, as a house file of its own.",
)
@click.option("--json", "json_file", metavar="FILE", help="Also write the result as data; - for standard output.")
@click.option(
    "--report", type=click.Path(path_type=Path), help="Where to write the page. Default: RECORDING-check.html here."
)
@click.option("--no-report", is_flag=True, help="Write no page.")
def check(
    recording: Path,
    take: _Take,
    leave_tonight: tuple[str, ...],
    leave_for_good: tuple[str, ...],
    raise_again: tuple[str, ...],
    by: str | None,
    why: str | None,
    write_week: Path | None,
    json_file: str | None,
    report: Path | None,
    no_report: bool,
) -> None:
    """Say what is wrong with this week's soundcheck.

    RECORDING is a folder of audio files or one polyphonic file. Exit status: 0 all well, 1 something to fix,
    2 wrong use or unreadable input.
    """
    from deskhand.tasks.check import name_of
    from deskhand.tasks.keep import raise_again as undo
    from deskhand.tasks.keep import remember, who

    _can_be_written(json_file, report, write_week)
    if raise_again:
        undo(recording, raise_again, house_path=take.house, history=take.history)
    leave = tuple([(name, False) for name in leave_tonight] + [(name, True) for name in leave_for_good])
    checked = take.check(recording, leave=leave, by=who(by))
    remember(checked, history=take.history)
    if report is None and not no_report:
        report = Path(f"{name_of(recording)}-check.html")
    if write_week is not None:
        from deskhand.tasks.week import write_week as write

        write(checked, write_week)
    status = _deliver(checked, json_file, None if no_report else report)
    if why is not None:
        from deskhand.tasks.week import reasons

        click.echo("")
        for text in reasons(checked, why):
            click.echo(text)
    if write_week is not None and json_file != "-":
        click.echo(f"This week's chains: {write_week}")
    raise SystemExit(status)


@main.command()
@click.argument("recording", type=click.Path(path_type=Path), required=False)
@_of_a_take("Keep")
@click.option("--note", default="", help="Why this one is worth keeping.")
@click.option("--by", help="Who keeps it. Default: whoever is logged in.")
@click.option("--forget", metavar="WHICH", help="Take one out of the reference, by its number, date or name.")
@click.option("--list", "list_them", is_flag=True, help="Show what is kept.")
@click.option("--forgotten", is_flag=True, help="With --list: those that were taken out too.")
def keep(
    recording: Path | None,
    take: _Take,
    note: str,
    by: str | None,
    forget: str | None,
    list_them: bool,
    forgotten: bool,
) -> None:
    """Keep a take as one of the house's good ones: what is normal here is learned from them.

    Nothing is overwritten and nothing is deleted: what is forgotten stays in the history, with who took it out and when.
    """
    from deskhand.recording.names import dated
    from deskhand.reference.normal import LEARNED
    from deskhand.tasks import keep as keeping

    if sum((recording is not None, forget is not None, list_them)) != 1:
        raise UsageError("keep", "takes a RECORDING, or --list, or --forget WHICH", "give one of the three")
    if recording is None:
        found, house_file = keeping.house_at(take.house)
        store = keeping.history_at(take.history, house_file)
        if forget is not None:
            row = store.forget(forget, house=found.house.name, by=keeping.who(by))
            click.echo(f"{dated(row.show, row.date)}, {row.phase}: no longer part of the reference.")
            return
        from deskhand.report.kept import print_takes

        print_takes(store.takes(house=found.house.name, forgotten=forgotten), _console())
        return
    checked = take.check(recording, to_be_kept=True)
    number, kept, where = keeping.keep(checked, recording, history=take.history, note=note, by=keeping.who(by))
    show = checked.result.show
    click.echo(f"{dated(show.name, show.date)}, {show.phase}: kept as number {number} in {where}.")
    faults = _to_mend(checked)
    if faults:
        click.echo(f"Mind: something is to fix at {', '.join(faults)}; if it was no good take, keep --forget {number}.")
    click.echo(
        f"{kept} kept of this phase"
        + (f": the house is still learning, judgements are raised from {LEARNED} on." if kept < LEARNED else ".")
    )


@main.command()
@click.argument("source", required=False)
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml in this folder or above it."
)
@click.option(
    "--phase", type=click.Choice(_PHASES), default="rehearsal", show_default=True, help="Which kept takes to show."
)
@_HISTORY
@click.option("--csv", "csv_file", metavar="FILE", help="Also write every number as a table; - for standard output.")
@click.option(
    "--page", "page_file", type=click.Path(path_type=Path), help="Also write a page with a picture of each number."
)
def history(
    source: str | None,
    house: Path | None,
    phase: str,
    history: str | None,
    csv_file: str | None,
    page_file: Path | None,
) -> None:
    """Show the kept weeks: what is normal of each number, and what creeps away.

    With SOURCE, all its numbers and its newest weeks; without, one line a source over the newest two years.
    """
    from deskhand.files import write_atomically
    from deskhand.report import weeks as report
    from deskhand.tasks import keep as keeping

    found, house_file = keeping.house_at(house)
    store = keeping.history_at(history, house_file)
    by_source = keeping.weeks(store, found, source=source, phase=phase)
    if page_file is not None:
        write_atomically(page_file, report.weeks_page(found.house.name, by_source))
    if csv_file == "-":
        click.echo(report.to_csv(by_source).encode(), nl=False)
        return
    if csv_file is not None:
        write_atomically(Path(csv_file), report.to_csv(by_source))
    console = _console()
    if source is None:
        report.print_overview(by_source, console)
    else:
        report.print_source(next(iter(by_source.values())), console)
    for place in (csv_file, page_file):
        if place is not None:
            click.echo(f"Written: {place}")


@main.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--into", "folder", type=click.Path(path_type=Path), help="Folder to write to. Default: RECORDING-audio here."
)
@click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml beside the recording or above."
)
@click.option("--source", "sources", multiple=True, metavar="NAME", help="Only this one; may be given several times.")
@click.option("--from", "start_s", type=_ClockTime(), help="From here on, like 1:30.")
@click.option("--to", "end_s", type=_ClockTime(), help="Up to here, like 1:50.")
@click.option("--tap", type=click.Choice(_TAPS), help="Where the tracks were taken. Default: what the house file says.")
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
    stages: bool,
    no_mix: bool,
    float_files: bool,
) -> None:
    """Write audio before and after the house's chains, at matched loudness, and the mix.

    For each source with a chain: before and after at one loudness (turned down only), and their difference. In the folder
    raw inside: before and after at their own levels, and the mix. Listen quietly first.
    """
    from deskhand.tasks.check import name_of
    from deskhand.tasks.render import RAW_FOLDER, RenderOptions
    from deskhand.tasks.render import render as write
    from deskhand.units import number

    into = folder if folder is not None else Path(f"{name_of(recording)}-audio")
    options = RenderOptions(sources=sources, stages=stages, mix=not no_mix, float_files=float_files)
    with _progress("rendering") as progress:
        written = write(
            recording,
            into,
            options,
            house_path=house,
            start_s=start_s,
            end_s=end_s,
            tap=tap,  # type: ignore[arg-type]
            progress=progress,
        )
    for one in written:
        turned = f", turned down {number(-one.gain_db, 1)} dB" if one.gain_db < 0 else ""
        click.echo(f"{one.path.relative_to(into)}{turned}{f' ({one.note})' if one.note else ''}")
    if not written:
        raise UsageError(str(recording), "holds no source with a chain or a fader", "write chains in the house file")
    click.echo(f"{len(written)} files in {into}; those in {RAW_FOLDER}{os.sep} are not matched in loudness. Listen quietly first.")


@main.command()
@click.argument("recording", type=click.Path(path_type=Path))
@_of_a_take("Measure")
@click.option("--paper", type=click.Choice(("a4", "letter")), default="a4", show_default=True, help="To print on.")
@click.option(
    "--since",
    type=click.Path(path_type=Path),
    help="House file to tell changes against. Default: the newest earlier week-DATE.toml beside the house file, or the house file.",
)
@click.option("--note", "notes", multiple=True, metavar="TEXT", help="Printed below; may be given several times.")
@click.option(
    "--output", type=click.Path(path_type=Path), help="Where to write the PDF. Default: RECORDING-sheet.pdf here."
)
def sheet(
    recording: Path,
    take: _Take,
    paper: str,
    since: Path | None,
    notes: tuple[str, ...],
    output: Path | None,
) -> None:
    """Write the settings sheet to print: every input, this week's settings, and what changed.

    A CSV of the same lies beside the PDF. Exit status: 0 written, 2 wrong use or unreadable input.
    """
    from deskhand.files import write_atomically
    from deskhand.house import parse_house, read_house
    from deskhand.report import sheet as report
    from deskhand.tasks.check import name_of
    from deskhand.tasks.week import week_text

    target = output if output is not None else Path(f"{name_of(recording)}-sheet.pdf")
    _can_be_written(target)
    table = target.with_name(f"{target.stem}.csv")
    if target == table:
        raise UsageError(str(target), "is the name of the table beside the sheet", "name a PDF")
    _can_be_written(table)
    old = None if since is None else read_house(since)
    checked = take.check(recording)
    text = week_text(checked)
    standing = checked.standing_file
    assert standing is not None
    if since is None or old is None:
        since = report.find_since(standing, checked.result.show.date)
        old = read_house(since)
    made = report.make_sheet(
        checked.result,
        parse_house(text, standing),
        since=old,
        since_name=report.since_name(since, standing),
        paper=paper,  # type: ignore[arg-type]
        notes=notes,
    )
    write_atomically(target, report.sheet_pdf(made))
    write_atomically(table, report.sheet_csv(made))
    pages = report.sheet_pages(made)
    if pages > report.PAGES:
        click.echo(f"The sheet takes {pages} pages: nothing is left out, and type is not made smaller.", err=True)
    click.echo(f"Sheet: {target}")
    click.echo(f"Table: {table}")


@main.command()
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
    from deskhand.tasks.new import guess_house, house_text

    found = open_recording(recording)
    target = output or (recording if recording.is_dir() else recording.parent) / FILE_NAME
    if target.exists():
        raise UsageError(str(target), "is there already", "name another place with --output, or move it away")
    house = guess_house([track.name for track in found.tracks], name=name)
    heard: dict[str, str] = {}
    if not names_only:
        from deskhand.tasks.check import listen

        with _progress("listening") as progress:
            heard = listen(found, house, progress=progress)
    text = house_text(house, heard=heard)
    parse_house(text, target)
    write_atomically(target, text)
    unclear = [source.name for source in house.source if source.role == "other"]
    click.echo(f"{len(house.source)} sources written to {target}")
    if unclear:
        click.echo(f"Roles not clear from the names: {', '.join(unclear)}")
    click.echo("Read it through once, fill in channel and patch, then: deskhand check " + str(recording))


@main.command()
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
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
@click.option("--as-chain", metavar="FILE", help="Write the nearest chain of blocks for the house file; - to print it.")
def compare(
    before: Path,
    after: Path,
    json_file: str | None,
    report: Path | None,
    no_report: bool,
    audio: Path | None,
    as_chain: str | None,
) -> None:
    """Say what a processor did, from recordings before and behind it.

    BEFORE and AFTER are one track or one left/right pair each, of the same performance. What is described is your recording of your
    processor: tone, dynamics, distortion, noise, width and level, each at equal loudness.
    """
    import os

    from deskhand.compare.run import compare as run_compare
    from deskhand.files import write_atomically
    from deskhand.report import compare as words
    from deskhand.result import plain

    target = None if no_report else report or Path(f"{after.stem}-compare.html")
    _can_be_written(target, json_file, as_chain, None if audio is None or audio.is_dir() else audio)
    with _progress("comparing") as progress:
        compared = run_compare(before, after, progress=progress)
    heard: list[tuple[str, str]] = []
    if audio is not None:
        from deskhand.compare.audio import write_matched

        base = target.parent if target is not None else Path()
        heard = [(name, os.path.relpath(path, base)) for name, path in write_matched(compared, audio)]
    if target is not None:
        write_atomically(target, words.page(compared, heard))
    if as_chain not in (None, "-"):
        write_atomically(Path(as_chain), words.chain_text(compared))
    if json_file is not None:
        import json as json_

        text = json_.dumps(plain(compared.result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        if json_file == "-":
            click.echo(text.encode(), nl=False)
            return
        write_atomically(Path(json_file), text)
    words.print_comparison(compared, _console())
    if as_chain == "-":
        click.echo("")
        click.echo(words.chain_text(compared), nl=False)
    click.echo("")
    for label, written in (("Chain", as_chain if as_chain != "-" else None), ("Audio", audio), ("Report", target)):
        if written is not None:
            click.echo(f"{label}: {written}")


@main.command()
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
    type=click.Choice(_PHASES),
    default="line-check",
    show_default=True,
    help="line-check: one player after the other; rehearsal or show: everybody plays.",
)
@click.option("--tap", type=click.Choice(_TAPS), help="Where the inputs are taken. Default: what the house file says.")
@click.option("--date", help="Of the show, like 2026-03-01. Default: today.")
@click.option(
    "--player", "players", multiple=True, metavar="SOURCE=NAME", help="Who plays; may be given several times."
)
@_HISTORY
@click.option("--record", type=click.Path(path_type=Path), metavar="FOLDER", help="Write all inputs to disk meanwhile.")
@click.option("--keep", "keep_it", is_flag=True, help="Keep it as one of the house's good ones.")
@click.option("--note", default="", help="With --keep: why this one is worth keeping.")
@click.option("--by", help="With --keep: who keeps it. Default: whoever is logged in.")
@click.option("--for", "length_s", type=_ClockTime(), help="Stop after so long, like 20:00.")
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
    note: str,
    by: str | None,
    length_s: float | None,
    json_file: str | None,
) -> None:
    """Line check and soundcheck from the desk's audio interface, told while they play.

    Keys: n next, b back, x not tonight, c check now, q done. Exit status: 0 all well, 1 something to fix, 2 wrong use, or the device or
    disk failed.
    """
    from deskhand.files import write_atomically
    from deskhand.live.session import Wanted, listen_live
    from deskhand.report.terminal import print_result
    from deskhand.result import to_json
    from deskhand.tasks import keep as keeping

    console = _console()
    if list_them:
        from deskhand.live.device import list_devices

        for one in list_devices():
            click.echo(f"{one.number:3}  {one.channels:2} channels  {one.sample_rate_hz / 1000:g} kHz  {one.name}")
        return
    _can_be_written(json_file)
    heard = listen_live(
        Wanted(
            house=house,
            device=device,
            replay=replay,
            fast=fast,
            phase=phase,  # type: ignore[arg-type]
            tap=tap,  # type: ignore[arg-type]
            date=date,
            players=_players(players),
            history=history,
            record=record,
            length_s=length_s,
        ),
        console if json_file != "-" else _to_stderr(),
    )
    if json_file == "-":
        click.echo(to_json(heard.result).encode(), nl=False)
    else:
        if json_file is not None:
            write_atomically(Path(json_file), to_json(heard.result))
        console.print()
        print_result(heard.result, console)
    if keep_it:
        number, kept, where = keeping.keep_result(
            heard.result,
            heard.parts,
            heard.house_file,
            recording="live",
            history=history,
            note=note,
            by=keeping.who(by),
        )
        click.echo(f"Kept as number {number} in {where}; {kept} of this phase are kept.", err=json_file == "-")
    if record is not None and json_file != "-":
        click.echo(f"Recorded: {record}; check it with: deskhand check {record}")
    if heard.problem is not None:
        fail(heard.problem)
    raise SystemExit(1 if any(one.status in ("fix", "silent", "missing") for one in heard.result.sources) else 0)


def _to_stderr() -> Console:
    from rich.console import Console

    return Console(stderr=True, soft_wrap=True)


@main.command()
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
@_HISTORY
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


@main.command()
@click.option(
    "--output", type=click.Path(path_type=Path), default=Path("demo-season"), show_default=True, help="Folder to make."
)
@click.option(
    "--json", "json_file", metavar="FILE", help="Also write the newest show's result as data; - for standard output."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed makes another season.")
def demo(output: Path, json_file: str | None, seed: int) -> None:
    """Make the invented demo venue with a season of shows, then check the newest."""
    from deskhand.demo import make_season
    from deskhand.demo.line_check import write_line_check
    from deskhand.tasks.check import check as check_show

    with _progress("making the shows") as progress:
        newest = make_season(output, seed=seed, progress=progress)
        write_line_check(output / "line-check", seed, "2026-03-01")
    if json_file != "-":
        click.echo(
            f"Tern Street Hall (invented, synthesised) is in {output}: earlier shows and this week's, {newest.name}."
        )
        click.echo(f"To practise a line check: deskhand live --replay {output / 'line-check'}")
        click.echo(f"To look at everything in a browser: deskhand serve {output}")
        click.echo("")
    with _progress("measuring") as progress:
        checked = check_show(newest, progress=progress)
    _deliver(checked, json_file, output / f"{newest.name}-check.html")


if __name__ == "__main__":
    main()
