"""Run of a target: counts what was taken and refused, and keeps every case that failed as a file."""

from __future__ import annotations

import hashlib
import random
import signal
import tempfile
import time
import traceback
import warnings
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.support.fuzz.target import is_taken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.support.fuzz.target import Session, Target

MOST_S: Final = 60
"""A case that takes longer has failed: whoever waits does not know that it would end."""
CORPUS: Final = Path(__file__).parents[2] / "fuzz" / "corpus"
"""Cases that failed once: a folder for each target."""


@dataclass(slots=True, kw_only=True)
class Count:
    """Cases of one target."""

    taken: int = 0
    refused: int = 0
    seconds: float = 0.0
    slowest_s: float = 0.0
    failures: list[tuple[str, bytes]] = field(default_factory=list)
    """What went wrong, once for each place in the code, and the case."""
    failed: int = 0

    @property
    def cases(self) -> int:
        """All of them."""
        return self.taken + self.refused + self.failed


@contextmanager
def _time_limit() -> Iterator[None]:
    """Let a case that goes on too long fail."""

    def ring(_: int, __: object) -> None:
        raise TimeoutError(f"still at it after {MOST_S} s")

    earlier = signal.signal(signal.SIGALRM, ring)
    signal.alarm(MOST_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, earlier)


def _place(error: BaseException) -> str:
    """Kind of an error and the line of the package, or of the test's code, that it came from."""
    frames = traceback.extract_tb(error.__traceback__)
    inside = [frame for frame in frames if "/deskhand/" in frame.filename] or frames
    return f"{type(error).__name__} at {Path(inside[-1].filename).name}:{inside[-1].lineno}"


def run(
    target: Target,
    *,
    seed: int,
    cases: int,
    seconds: float = float("inf"),
    by_programs: bool = False,
    into: Path | None = None,
) -> Count:
    """Draw and take cases until there were so many, or the time is over.

    Parameters
    ----------
    target : Target
    seed : int
        Of the first case; the others follow from it.
    cases : int
    seconds : float
    by_programs : bool
        With seeds of other programs.
    into : Path, optional
        Folder that each failure is written to, and the case that is being taken: it is left there if the process dies.
    """
    count = Count()
    seen: set[str] = set()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name, warnings.catch_warnings():
        # whoever sits at the desk would read it between the lines that are meant for them
        warnings.simplefilter("error", RuntimeWarning)
        session = target.open(Path(name), by_programs)
        begin_s = time.perf_counter()
        for number in range(cases):
            if time.perf_counter() - begin_s > seconds:
                break
            case = session.draw(random.Random(seed * 1_000_003 + number))
            if into is not None and target.may_die:
                (into / f"current-{target.name}").write_bytes(case)
            case_s = time.perf_counter()
            try:
                with _time_limit():
                    taken = is_taken(session, case)
            except Exception as error:  # noqa: BLE001 - any error is what is looked for
                count.failed += 1
                place = _place(error)
                if place not in seen:
                    seen.add(place)
                    words = f"{place}: {' '.join(str(error).split())[:300]}"
                    count.failures.append((words, case))
                    if into is not None:
                        digest = hashlib.sha256(case).hexdigest()[:12]
                        (into / f"{target.name}-{digest}").write_bytes(case)
                        details = "".join(traceback.format_exception(error))
                        (into / f"{target.name}-{digest}.txt").write_text(details, "utf-8", "replace")
                        print(f"{target.name}: {words} [{target.name}-{digest}]", flush=True)
            else:
                count.taken += taken
                count.refused += not taken
            count.slowest_s = max(count.slowest_s, time.perf_counter() - case_s)
        count.seconds = time.perf_counter() - begin_s
        if into is not None:
            (into / f"current-{target.name}").unlink(missing_ok=True)
    return count


def kept_cases(target: str) -> list[Path]:
    """Files of the corpus of one target."""
    return sorted(path for path in (CORPUS / target).glob("*") if path.is_file())


def replay(target: Target, path: Path) -> bool:
    """Take a case of the corpus once more; True where it was read."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name, _time_limit():
        session: Session = target.open(Path(name), False)
        return is_taken(session, path.read_bytes())
