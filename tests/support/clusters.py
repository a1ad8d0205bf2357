"""A Dask cluster of the tests' own on this computer: a scheduler and workers as processes that can be killed and are started anew."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

_ROOT: Final = Path(__file__).parents[2]
_ONE_THREAD: Final = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")

_AS_TOLD: Final = {"DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False"}
"""Settings of docs/sites.md: without it each process keeps a profile of every second for a thousand seconds."""


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass(slots=True)
class Cluster:
    """A scheduler and workers, each a process."""

    folder: Path
    port: int = field(default_factory=_free_port)
    scheduler: subprocess.Popen[bytes] | None = None
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    def _start(self, *arguments: str) -> subprocess.Popen[bytes]:
        environment = _AS_TOLD | os.environ | _ONE_THREAD | {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "20"}
        environment["PYTHONPATH"] = os.pathsep.join([str(_ROOT), os.environ.get("PYTHONPATH", "")])
        with (self.folder / "cluster.log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", *arguments], cwd=self.folder, env=environment, stdout=log, stderr=log,
                stdin=subprocess.DEVNULL,
            )  # fmt: skip

    def start_scheduler(self) -> None:
        where = ("--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard", "--no-show")
        self.scheduler = self._start("distributed.cli.dask_scheduler", *where)

    def start_worker(self) -> None:
        kind = ("--no-nanny", "--nthreads", "1", "--nworkers", "1", "--no-dashboard", "--memory-limit", "0")
        place = ("--local-directory", str(self.folder), "--death-timeout", "60")
        self.workers.append(self._start("distributed.cli.dask_worker", self.address, *kind, *place))

    def kill_worker(self, number: int) -> None:
        """Kill a worker with SIGKILL, and start another in its place."""
        worker = self.workers.pop(number)
        worker.send_signal(signal.SIGKILL)
        worker.wait()
        self.start_worker()

    def kill_scheduler(self) -> None:
        """Kill the scheduler with SIGKILL, and start another at its address; workers that went with it are started anew."""
        assert self.scheduler is not None
        self.scheduler.send_signal(signal.SIGKILL)
        self.scheduler.wait()
        for worker in self.workers:
            worker.terminate()
        for worker in self.workers:
            worker.wait()
        count = len(self.workers)
        self.workers.clear()
        self.start_scheduler()
        for _ in range(count):
            self.start_worker()

    def stop(self) -> None:
        """End all of it."""
        for process in (*self.workers, self.scheduler):
            if process is not None:
                with suppress(ProcessLookupError):
                    process.kill()
                process.wait()


@contextmanager
def cluster(folder: Path, *, workers: int) -> Iterator[Cluster]:
    """A cluster of so many workers of one thread each, ended at the end."""
    running = Cluster(folder)
    try:
        running.start_scheduler()
        for _ in range(workers):
            running.start_worker()
        yield running
    finally:
        running.stop()


def resident_mb(process: int) -> float:
    """Memory that a process holds, in megabytes (Linux: VmRSS of /proc)."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return float(line.split()[1]) * 1024 / 1e6
    return 0.0
