"""A PostgreSQL server of the tests' own: a cluster in a temporary folder, reached by a socket in it, gone afterwards.

Nothing of a server that runs already is touched, and no port of the network is opened. The programs are those of the
Debian package `postgresql`, or of any other installation that is on the path.
"""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.support.needs import Missing

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

USER: Final = "postgres"
"""The server refuses to run as root: then it runs as this user, whom the Debian package makes."""
_DEBIAN: Final = Path("/usr/lib/postgresql")
_LONG_S: Final = 120
"""After this long a program of the server hangs: the test fails instead of the whole run standing still."""


class ServerMissing(Missing):
    """Server that cannot be had here; says in one line what to install."""


@dataclass(frozen=True, slots=True)
class Server:
    """A running server."""

    folder: Path
    """Where its socket is."""
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))
    _shared: list[str] = field(default_factory=list)

    def url(self, database: str) -> str:
        """The URL of a database as a person would write it."""
        return f"postgresql://{USER}@/{database}?host={self.folder}"

    def new_database(self) -> str:
        """The URL of an empty database that nobody else uses."""
        name = f"kept_{next(self._numbers)}"
        self.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def empty_database(self) -> str:
        """The URL of the one database that every test may have, emptied of what the last one left.

        A database of its own for each is 300 files to be made and removed; a schema is none.
        """
        if not self._shared:
            self._shared.append(self.new_database())
        (url,) = self._shared
        self.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public", self.name_in(url))
        return url

    @staticmethod
    def name_in(url: str) -> str:
        """The database's name in one of these URLs."""
        return url.partition("@/")[2].partition("?")[0]

    def execute(self, statement: str, database: str = "postgres") -> None:
        """Run statements as the server's owner, outside of the histories."""
        import psycopg

        # a connection that a test forgot would hold its tables for ever
        options = "-c lock_timeout=30s"
        with psycopg.connect(
            host=str(self.folder), user=USER, dbname=database, options=options, autocommit=True
        ) as connection:
            connection.execute(statement)  # type: ignore[call-overload]


def _folder_of_programs() -> Path:
    """Where `initdb` lies. Debian keeps it off the path, one folder for each version."""
    found = [path.parent for path in sorted(_DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))]
    on_path = shutil.which("initdb")
    if on_path is not None and not found:
        found.append(Path(on_path).resolve().parent)
    if not found:
        raise ServerMissing("no PostgreSQL server here: install the Debian package postgresql")
    return found[-1]


def _user() -> list[str]:
    """What to put before a command, so that it does not run as root."""
    if os.name != "posix" or os.geteuid() != 0:
        return []
    import pwd

    try:
        pwd.getpwnam(USER)
    except KeyError:
        raise ServerMissing(f"root may not run PostgreSQL, and there is no user {USER} to run it as") from None
    if shutil.which("runuser") is None:
        raise ServerMissing("root may not run PostgreSQL, and there is no runuser to change the user with")
    return ["runuser", "-u", USER, "--"]


def _run(command: Sequence[str | Path], folder: Path) -> None:
    # the log goes to a file: a server that inherits a pipe would hold it open for ever
    with (folder / "programs.log").open("ab") as log:
        done = subprocess.run(
            [str(one) for one in command],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            check=False,
            timeout=_LONG_S,
        )
    if done.returncode:
        told = (folder / "programs.log").read_text("utf-8", "replace")[-2000:]
        raise RuntimeError(f"{command} ended with {done.returncode}: {told}")


@contextmanager
def running() -> Iterator[Server]:
    """A server, stopped and removed at the end.

    Raises
    ------
    ServerMissing
        The server or its Python driver is not installed.
    """
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise ServerMissing("no PostgreSQL driver here: pip install psycopg[binary]") from error
    programs, user = _folder_of_programs(), _user()
    # in the shortest place there is: the path of a socket may have 107 bytes
    folder = Path(tempfile.mkdtemp(prefix="kept-"))
    try:
        if user:
            shutil.chown(folder, USER)
        data = folder / "data"
        _run([*user, programs / "initdb", "-D", data, "-U", USER, "-A", "trust", "-E", "UTF8", "--locale=C"], folder)
        settings = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c max_connections=50"
        control = [*user, programs / "pg_ctl", "-D", data, "-w", "-t", _LONG_S]
        _run([*control, "-l", folder / "server.log", "-o", settings, "start"], folder)
        try:
            yield Server(folder)
        finally:
            _run([*control, "-m", "immediate", "stop"], folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
