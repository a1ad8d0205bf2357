"""Histories in folders that belong to somebody else, and histories let go of."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from deskhand.store import KeptPart, KeptTake
from deskhand.store.history import History, open_history

if TYPE_CHECKING:
    from collections.abc import Iterator


HOUSE: Final = "Tern Street Hall"

PART: Final = KeptPart(
    source="piano", stage="tap", role="keys", tap="preamp", playing_s=61.5, values={"level_dbfs": (-18.25, 0.5)}
)

TAKE: Final = KeptTake(
    house=HOUSE,
    show="Sunday evening",
    date="2026-03-01",
    phase="rehearsal",
    duration_s=123.456,
    sample_rate_hz=48000,
    recording="/card/2026-03-01",
    house_hash="ab" * 32,
    deskhand="0.1.0",
    note="the good one",
    kept_by="Marit",
    parts=(PART,),
)


def opened(url: str) -> History:
    found = open_history(url, create=True)
    assert found is not None
    return found


@contextmanager
def somebody_s_folder() -> Iterator[Path]:
    """A folder that every user may reach, which one below pytest's own is not."""
    folder = Path(tempfile.mkdtemp(prefix="hall-"))
    folder.chmod(0o755)
    try:
        # what is imported only when it is used must be there before the user changes, who may not read it
        opened(f"sqlite:///{folder}/first.sqlite").keep(TAKE)
        (folder / "first.sqlite").unlink()
        yield folder
    finally:
        shutil.rmtree(folder)


@contextmanager
def shut(folder: Path, what: str) -> Iterator[None]:
    """Within, the folder or the files in it may only be read, by the user who runs this too.

    Root may write everything, whatever a file's mode says: it becomes a user of no rights for as long. SQLite makes a
    journal beside a file that is written to, so a closed folder closes the file.
    """
    modes = {path: path.stat().st_mode for path in (folder, *folder.iterdir())}
    folder.chmod(0o555 if what == "folder" else 0o777)
    for path in filter(Path.is_file, folder.iterdir()):
        path.chmod(0o444 if what == "file" else 0o666)
    as_root = os.name == "posix" and os.geteuid() == 0
    if as_root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if as_root:
            os.seteuid(0)
        for path, mode in modes.items():
            path.chmod(mode)
