"""Recordings and what was found between them at equal loudness, to listen to: turned down only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.run import run
from deskhand.compare.parts import readings
from deskhand.errors import UsageError
from deskhand.house import make_block
from deskhand.mix.matched import CEILING_DBTP, matched_gains_db
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.compare.run import Comparison

    Array = NDArray[np.float64]


def write_matched(comparison: Comparison, folder: Path) -> list[tuple[str, Path]]:
    """Write what there is to hear of a comparison at one loudness (ITU-R BS.1770); (name, file) each.

    BEFORE, AFTER, the difference of the two, BEFORE through the nearest blocks, and what the explanation leaves of AFTER, as loud as it
    is there.

    Raises
    ------
    UsageError
        The folder cannot be written, or nothing can be matched.
    """
    result = comparison.result
    gains_db = matched_gains_db(result.before, result.after)
    if gains_db is None:
        raise UsageError(str(folder), "cannot be filled: one of the two is too soft for a loudness", "record it louder")
    before_gain, after_gain = (amplitude_from_db(gain_db) for gain_db in gains_db)
    before, after = before_gain * comparison.before, after_gain * comparison.after
    sounds = [("before", before), ("after", after), ("difference", after - before)]
    if comparison.chain:
        nearest = through_chain(comparison.before, comparison.chain, result.sample_rate_hz) * result.alignment.polarity
        levels = readings(nearest, result.sample_rate_hz)
        if levels.loudness_lufs is not None and result.after.loudness_lufs is not None:
            gain_db = gains_db[1] + result.after.loudness_lufs - levels.loudness_lufs
            excess_db = max((levels.true_peak_dbtp or 0.0) + gain_db - CEILING_DBTP, 0.0)
            # all of them lower, so that none is louder
            sounds = [(name, amplitude_from_db(-excess_db) * signal) for name, signal in sounds]
            after_gain *= amplitude_from_db(-excess_db)
            sounds.append(("nearest blocks", amplitude_from_db(gain_db - excess_db) * nearest))
    if comparison.left is not None:
        sounds.append(("what is left", after_gain * comparison.left))
    return write_sounds(sounds, folder, result.sample_rate_hz)


def through_chain(signal: Array, chain: Sequence[dict[str, object]], sample_rate_hz: int) -> Array:
    """(channels, frames) of a signal through blocks as the house file has them.

    Parameters
    ----------
    signal : (channels, frames) array
    chain : sequence of dict
    sample_rate_hz : int
    """
    return run(signal, [make_block(block) for block in chain], sample_rate_hz=sample_rate_hz)


def write_sounds(sounds: Sequence[tuple[str, Array]], folder: Path, sample_rate_hz: int) -> list[tuple[str, Path]]:
    """Write sounds as files of 24 bits, named as they are with hyphens; (name, file) each.

    Parameters
    ----------
    sounds : sequence of (name, (channels, frames) array)
    folder : Path
    sample_rate_hz : int

    Raises
    ------
    UsageError
        The folder cannot be written.
    """
    import soundfile

    files = []
    try:
        folder.mkdir(exist_ok=True)
        for name, signal in sounds:
            path = folder / f"{name.replace(' ', '-')}.wav"
            draft = path.with_suffix(".part")
            soundfile.write(draft, np.clip(signal.T, -1.0, 1.0), sample_rate_hz, subtype="PCM_24", format="WAV")
            draft.replace(path)
            files.append((name, path))
    except OSError as error:
        raise UsageError(str(folder), f"cannot be written ({error.strerror})", "choose another folder") from error
    return files
