"""Both recordings at equal loudness, to listen to: turned down only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.errors import UsageError
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.compare.run import Compared

CEILING_DBTP = -1.0


def write_matched(compared: Compared, folder: Path) -> list[tuple[str, Path]]:
    """Write BEFORE and AFTER at one loudness (ITU-R BS.1770), aligned, and their difference; (name, file) each.

    Raises
    ------
    UsageError
        The folder cannot be written, or nothing can be matched.
    """
    import soundfile

    result = compared.result
    mine, theirs = result.before.loudness_lufs, result.after.loudness_lufs
    if mine is None or theirs is None:
        raise UsageError(str(folder), "cannot be filled: one of the two is too soft for a loudness", "record it louder")
    goal = min(mine, theirs)
    room = [
        CEILING_DBTP - (one.true_peak_dbtp or 0.0) - (goal - (one.loudness_lufs or goal))
        for one in (result.before, result.after)
    ]
    goal += min(0.0, *room)
    before, after = (
        signal * float(amplitude_from_db(goal - level))
        for signal, level in ((compared.before, mine), (compared.after, theirs))
    )
    out = []
    try:
        folder.mkdir(exist_ok=True)
        for name, signal in (("before", before), ("after", after), ("difference", after - before)):
            path = folder / f"{name}.wav"
            draft = path.with_suffix(".part")
            soundfile.write(draft, np.clip(signal.T, -1.0, 1.0), result.sample_rate_hz, subtype="PCM_24", format="WAV")
            draft.replace(path)
            out.append((name, path))
    except OSError as error:
        raise UsageError(str(folder), f"cannot be written ({error.strerror})", "choose another folder") from error
    return out
