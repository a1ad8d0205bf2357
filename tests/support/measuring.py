"""Readings of a take, measured once a run for all test processes, for tests of what is made of them.

A check measures, and then compares, judges, plans and writes. Tests of keeping, of the week's file and of the sheet run it again and again on one
recording; where what they are about comes after the measuring, it need not be measured again. What is kept is found by the samples
themselves and by all that goes into the measuring, so another recording, house or tap is measured anew.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from typing import TYPE_CHECKING

from deskhand.tasks import check as checking

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from deskhand.baseline.kept import KeptTakes
    from deskhand.recording import Recording
    from deskhand.reuse import KeptMeasurements
    from deskhand.tasks.check.measure import TakeReadings
    from deskhand.tasks.check.resolve import ShowSetup
    from deskhand.tasks.seats import EveningMeter

BLOCK_FRAMES = 1 << 16
"""Frames that are hashed at a time; any number gives the same."""


def measuring_key(setup: ShowSetup, recording: Recording, takes: KeptTakes | None) -> str:
    """Digest of everything that the readings depend on, blocks that read files of their own left out."""
    facts = (
        setup.house, setup.matched, setup.desk, setup.is_line_check, takes.words() if takes else None, recording.sample_rate_hz,
        recording.start_s, [track.name for track in recording.tracks],
    )  # fmt: skip
    digest = hashlib.sha256(repr(facts).encode())
    for block in recording.blocks(BLOCK_FRAMES):
        for row in block.samples:
            digest.update(row)
    return digest.hexdigest()


class MeasuredOnce:
    """Measuring of a check that looks in a folder first; to be put in the place of the check's own.

    Parameters
    ----------
    folder : Path
        Folder of the kept readings, which all test processes share.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.measure = checking._measured
        folder.mkdir(exist_ok=True)

    def __call__(
        self,
        setup: ShowSetup,
        recording: Recording,
        takes: KeptTakes | None,
        threads: int,
        progress: Callable[[float], None] | None,
        meter: EveningMeter | None = None,
        reuse: KeptMeasurements | None = None,
    ) -> TakeReadings:
        """Readings of the take; a copy of its own for every check."""
        from filelock import FileLock

        # the meters of seats are fed while it is measured
        if meter is not None:
            return self.measure(setup, recording, takes, threads, progress, meter)
        # a test that has become another user cannot reach what all processes share
        if not os.access(self.folder, os.R_OK | os.W_OK | os.X_OK, effective_ids=True):
            return self.measure(setup, recording, takes, threads, progress, None)
        file = self.folder / f"{measuring_key(setup, recording, takes)}.pickle"
        with FileLock(f"{file}.lock"):
            if not file.exists():
                file.write_bytes(pickle.dumps(self.measure(setup, recording, takes, threads, progress, None)))
        readings: TakeReadings = pickle.loads(file.read_bytes())
        return readings
