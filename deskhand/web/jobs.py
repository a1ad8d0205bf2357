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


class StoppedError(Exception):
    """A person stopped it."""


@dataclass(slots=True, eq=False)
class Job:
    """One piece of work."""

    about: str
    """What it works on; two of a kind are one."""
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    state: State = "running"
    share: float = 0.0
    """Done, 0 to 1."""
    said: str = ""
    """Where it led when done; what went wrong when it failed."""
    stop: bool = False

    def progress(self, share: float) -> None:
        """Told by the work how far it is."""
        if self.stop:
            raise StoppedError
        self.share = min(max(share, self.share), 1.0)


class Jobs:
    """All of them; heavy work goes one after the other, since each uses both cores."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._turn = threading.Lock()

    def start(self, about: str, work: Callable[[Job], str]) -> Job:
        """Begin work, or find that it is being done already."""
        with self._lock:
            running = next((one for one in self._jobs.values() if one.about == about and one.state == "running"), None)
            if running is not None:
                return running
            job = Job(about)
            self._jobs[job.id] = job
            while len(self._jobs) > _MOST:
                oldest = next((one for one in self._jobs.values() if one.state != "running"), None)
                if oldest is None:
                    break
                del self._jobs[oldest.id]
        threading.Thread(target=self._run, args=(job, work), daemon=True).start()
        return job

    def find(self, id_: str) -> Job | None:
        """The one of an id."""
        return self._jobs.get(id_)

    def running(self) -> list[Job]:
        """What is being done."""
        return [one for one in list(self._jobs.values()) if one.state == "running"]

    def _run(self, job: Job, work: Callable[[Job], str]) -> None:
        try:
            with self._turn:
                job.progress(0.0)
                job.said = work(job)
            job.state = "done"
        except StoppedError:
            job.said, job.state = text("job.stopped"), "failed"
        except DeskhandError as error:
            job.said, job.state = str(error), "failed"
        except MemoryError:
            job.said, job.state = text("job.memory"), "failed"
        except BaseException as error:  # noqa: BLE001 - whatever it was, the page must not wait for ever
            job.said, job.state = text("job.broken", kind=type(error).__name__, said=str(error)[:200]), "failed"
