"""Work that takes longer than a click: one thing at a time for each recording, with its progress."""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from deskhand.errors import DeskhandError
from deskhand.report.words import text

if TYPE_CHECKING:
    from collections.abc import Callable

State = Literal["running", "done", "failed"]
_MOST: Final = 50
"""Jobs that are remembered: more than are asked after in an evening. Common practice, no source."""


class StoppedError(Exception):
    """Raised in work that a person stopped."""


@dataclass(slots=True, eq=False)
class Job:
    """One piece of work."""

    about: str
    """Kind of work and recording; two of one kind are one job."""
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    state: State = "running"
    share: float = 0.0
    """Share that is done, 0 to 1."""
    message: str = ""
    """Address of its outcome when done; what went wrong when it failed."""
    stop: bool = False

    def progress(self, share: float) -> None:
        """Take note of the share that is done; called by the work.

        Raises
        ------
        StoppedError
            A person stopped it.
        """
        if self.stop:
            raise StoppedError
        self.share = min(max(share, self.share), 1.0)


class Jobs:
    """All jobs; heavy work goes one after the other, since each uses both cores."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._turn = threading.Lock()

    def start(self, about: str, work: Callable[[Job], str]) -> Job:
        """Begin work, or find that it is being done already."""
        with self._lock:
            running = next((job for job in self._jobs.values() if job.about == about and job.state == "running"), None)
            if running is not None:
                return running
            job = Job(about)
            self._jobs[job.id] = job
            while len(self._jobs) > _MOST:
                oldest = next((job for job in self._jobs.values() if job.state != "running"), None)
                if oldest is None:
                    break
                del self._jobs[oldest.id]
        threading.Thread(target=self._run, args=(job, work), daemon=True).start()
        return job

    def find(self, id_: str) -> Job | None:
        """Job of an id; None when there is none."""
        return self._jobs.get(id_)

    def running(self) -> list[Job]:
        """Jobs that are running."""
        return [job for job in list(self._jobs.values()) if job.state == "running"]

    def _run(self, job: Job, work: Callable[[Job], str]) -> None:
        try:
            with self._turn:
                job.progress(0.0)
                job.message = work(job)
            job.state = "done"
        except StoppedError:
            job.message, job.state = text("job.stopped"), "failed"
        except DeskhandError as error:
            job.message, job.state = str(error), "failed"
        except MemoryError:
            job.message, job.state = text("job.memory"), "failed"
        except BaseException as error:  # noqa: BLE001 - whatever it was, the page must not wait for ever
            job.message, job.state = text("job.broken", kind=type(error).__name__, said=str(error)[:200]), "failed"
