"""The group of commands: exit statuses, and the one place that turns errors into a line for a person."""

from __future__ import annotations

import codecs
import gc
import io
import os
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any, Final, NoReturn

import click

from deskhand.errors import DeskhandError, UsageError
from deskhand.files import KEPT_IN, kept_folders
from deskhand.language import LANGUAGES, VARIABLE, choose_language
from deskhand.leftovers import clear_leftovers

WRONG_USE: Final = 2
"""Wrong use or unreadable input; 2 is what click itself ends with after a wrong option."""
OWN_MISTAKE: Final = 70
"""EX_SOFTWARE of sysexits.h (BSD): an error of the program's own."""
STOPPED: Final = 130
"""128 and the number of SIGINT, as POSIX shells report a command that Ctrl-C ended."""
_TRACEBACK_VARIABLE: Final = "DESKHAND_TRACEBACK"
_LONGEST_REASON: Final = 160
"""Letters of an inner error's own words that are printed: about two lines of a terminal. Common practice, no source."""
_COLLECTED_OBJECTS: Final = 50_000
"""New objects after which rubbish is collected; Python's own 700 cost a tenth of a short check. Common practice, no source."""
_MEGABYTE: Final = 1e6
"""Bytes of a megabyte: arithmetic (SI)."""
_PACKAGE: Final = Path(__file__).parent.parent


def _nearest_sign(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join("-" if sign == "\u2212" else "?" for sign in error.object[error.start : error.end]), error.end


def _plain_output() -> None:
    """Let output that has no minus sign print "-": redirected output is cp1252 on many systems."""
    codecs.register_error("deskhand", _nearest_sign)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="deskhand")


def _is_folder(path: Path) -> bool:
    """True for a folder; a name that no system takes is none."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _clear_leftovers(arguments: list[str]) -> None:
    """Remove what killed runs left unfinished where this one may write, and say so once."""
    named = [Path(argument) for argument in arguments if not argument.startswith("-")]
    folders = [folder for path in named for folder in (path, path.parent, path.parent.parent) if _is_folder(folder)]
    stored = [path for folder in folders for path in (folder / KEPT_IN, *kept_folders(folder))]
    cleared = clear_leftovers([Path(tempfile.gettempdir()), Path(), *folders, *stored])
    if cleared.count:
        words = "an unfinished file" if cleared.count == 1 else f"{cleared.count} unfinished files"
        size = f"{cleared.size_bytes / _MEGABYTE:.1f} MB"
        click.echo(f"Removed {words} ({size}) of an earlier run that was broken off.", err=True)


class Commands(click.Group):
    """Group that turns a mistake a person can mend into one line and exit status 2."""

    def main(self, *args: Any, **named: Any) -> Any:
        """Run a command; reference cycles are looked for rarely, as loading makes many objects and no rubbish."""
        gc.set_threshold(_COLLECTED_OBJECTS)
        return super().main(*args, **named)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Look into the folders that are named before a command is run."""
        _clear_leftovers(args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; every error ends here."""
        _plain_output()
        try:
            _follow_environment()
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


def _follow_environment() -> None:
    """Choose the language that the environment asks for.

    Raises
    ------
    UsageError
        There is no such language.
    """
    code = os.environ.get(VARIABLE)
    if not code:
        return
    try:
        choose_language(code)
    except ValueError as error:
        raise UsageError(
            VARIABLE,
            str(error).partition(";")[0],
            f"write {' or '.join(LANGUAGES)}, or leave {VARIABLE} empty for the house file's own",
        ) from error


def _own_mistake(error: Exception) -> str:
    """One line on a mistake of the program's own: its kind, its words, and the line of code it came from."""
    frames = [frame for frame in traceback.extract_tb(error.__traceback__) if _PACKAGE in Path(frame.filename).parents]
    line = (
        f" in {Path(frames[-1].filename).relative_to(_PACKAGE).as_posix()}, line {frames[-1].lineno}" if frames else ""
    )
    words = " ".join(str(error).split())[:_LONGEST_REASON]
    return (
        f"deskhand made a mistake of its own ({type(error).__name__}{line}{': ' if words else ''}{words}); your recordings are untouched; "
        f"to report it, run the command once more with {_TRACEBACK_VARIABLE}=1 in front and send what it prints"
    )


def fail(line: str, status: int = WRONG_USE) -> NoReturn:
    """Print one line and end with a status, 2 (wrong use or unreadable input) unless another is named."""
    click.echo(f"Error: {line}", err=True)
    raise SystemExit(status)


def _is_terminal() -> bool:
    """True where somebody looks on; a bundle (PyInstaller sets `frozen`) is started by a double click, with a terminal or without."""
    return bool(getattr(sys, "frozen", False)) or sys.stdout.isatty()


@click.group(
    cls=Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="deskhand", prog_name="deskhand", message="%(prog)s %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Reads a soundcheck's multitrack recording and says what to do at the mixing desk before doors.

    Alone, it opens the page in this computer's browser: all of this without typing. In a terminal, start with: deskhand demo
    """
    if ctx.invoked_subcommand is not None:
        return
    if not _is_terminal():
        # a script that forgot the command waits for nobody's browser
        raise click.exceptions.NoArgsIsHelpError(ctx)
    from deskhand.web.serve import serve, usual_folder

    serve(usual_folder(), port=None, say=click.echo, open_browser=True)
