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
from typing import TYPE_CHECKING, Any, Final

from deskhand.store.tables import METADATA
from tests.support.folders import opened
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
    _histories: list[str] = field(default_factory=list)
    _made: list[tuple[str, ...]] = field(default_factory=list)
    """Tables, columns and version of a history as it is made."""
    _starting: tuple[object, ...] = ()
    """Command that starts it anew."""

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

    def empty_history(self) -> str:
        """The URL of the one history that every test may have, emptied of what the last one kept; made anew where its tables were changed."""
        if not self._histories:
            self._histories.append(self.new_database())
        (url,) = self._histories
        name = self.name_in(url)
        if not self._made or self._columns(name) != self._made:
            self.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public", name)
            opened(url).close()
            self._made[:] = self._columns(name)
        self.execute(f"TRUNCATE {', '.join(METADATA.tables)} RESTART IDENTITY", name)
        return url

    def _columns(self, database: str) -> list[tuple[str, ...]]:
        """Tables and columns of a database in order, and its version."""
        with self._connected(database) as connection:
            columns = connection.execute(
                "SELECT table_name, column_name, data_type FROM information_schema.columns WHERE table_schema = 'public' ORDER BY 1, 2"
            ).fetchall()
            versions = connection.execute("SELECT version_num FROM alembic_version").fetchall() if columns else []
        return [*columns, *versions]

    @staticmethod
    def name_in(url: str) -> str:
        """The database's name in one of these URLs."""
        return url.partition("@/")[2].partition("?")[0]

    def _connected(self, database: str) -> Any:
        """A connection of the server's owner, outside of the histories."""
        import psycopg

        # a connection that a test forgot would hold its tables for ever
        options = "-c lock_timeout=30s"
        return psycopg.connect(host=str(self.folder), user=USER, dbname=database, options=options, autocommit=True)

    def version(self) -> str:
        """The server's version, as it tells it."""
        with self._connected("postgres") as connection:
            (version,) = connection.execute("SHOW server_version").fetchone()
        return str(version).split()[0]

    def restart(self) -> None:
        """Break it off and start it anew, as after a fault of its own; who is connected is cut off."""
        _run(self._starting, self.folder)

    def execute(self, statement: str, database: str = "postgres") -> None:
        """Run statements as the server's owner."""
        with self._connected(database) as connection:
            connection.execute(statement)


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


def _run(command: Sequence[object], folder: Path) -> None:
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
        _run(
            [*user, programs / "initdb", "-D", data, "-U", USER, "-A", "trust", "-E", "UTF8", "--locale=C", "-N"],
            folder,
        )
        # nothing of it outlives the run: it need not survive a computer that fails, and no test waits for the disk
        unsafe = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off"
        settings = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c max_connections=50 {unsafe}"
        control = [*user, programs / "pg_ctl", "-D", data, "-w", "-t", _LONG_S]
        starting = [*control, "-l", folder / "server.log", "-o", settings]
        _run([*starting, "start"], folder)
        try:
            yield Server(folder, _starting=(*starting, "-m", "immediate", "restart"))
        finally:
            _run([*control, "-m", "immediate", "stop"], folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
