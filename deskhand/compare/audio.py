"""Both recordings at equal loudness, to listen to: turned down only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.errors import UsageError
from deskhand.mix.matched import matched_gains_db
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.compare.run import Comparison


def write_matched(comparison: Comparison, folder: Path) -> list[tuple[str, Path]]:
    """Write BEFORE and AFTER at one loudness (ITU-R BS.1770), aligned, and their difference; (name, file) each.

    Raises
    ------
    UsageError
        The folder cannot be written, or nothing can be matched.
    """
    import soundfile

    result = comparison.result
    gains_db = matched_gains_db(result.before, result.after)
    if gains_db is None:
        raise UsageError(str(folder), "cannot be filled: one of the two is too soft for a loudness", "record it louder")
    before, after = (
        signal * amplitude_from_db(gain_db)
        for signal, gain_db in zip((comparison.before, comparison.after), gains_db, strict=True)
    )
    files = []
    try:
        folder.mkdir(exist_ok=True)
        for name, signal in (("before", before), ("after", after), ("difference", after - before)):
            path = folder / f"{name}.wav"
            draft = path.with_suffix(".part")
            soundfile.write(draft, np.clip(signal.T, -1.0, 1.0), result.sample_rate_hz, subtype="PCM_24", format="WAV")
            draft.replace(path)
            files.append((name, path))
    except OSError as error:
        raise UsageError(str(folder), f"cannot be written ({error.strerror})", "choose another folder") from error
    return files
