"""A chain by itself, from a file as `compare --as-chain` writes it, run on one track or pair."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.compare.audio import through_chain, write_sounds
from deskhand.compare.parts import readings
from deskhand.errors import HouseError, UsageError
from deskhand.mix.matched import matched_gains_db
from deskhand.recording import open_recording
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

_MOST_S: Final = 600.0
"""Longest stretch that is rendered at once, as `compare` looks at: it is held in memory. Common practice, no source."""


def read_chain(path: Path) -> list[dict[str, Any]]:
    """Blocks of a file that holds one chain, as the house file has them.

    Parameters
    ----------
    path : Path

    Raises
    ------
    HouseError
        It cannot be read, or holds no chain.
    """
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise HouseError(str(path), f"cannot be read ({error.strerror})", "name a file with a chain") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise HouseError(str(path), f"is no TOML ({error})", "write it with: deskhand compare --as-chain") from error
    source = data.get("source")
    chain = source.get("chain") if isinstance(source, dict) else None
    if not isinstance(chain, list) or not all(isinstance(block, dict) for block in chain):
        raise HouseError(str(path), "holds no [[source.chain]]", "write it with: deskhand compare --as-chain")
    return chain


def render_chain(
    path: Path, chain_path: Path, folder: Path, *, start_s: float | None = None, end_s: float | None = None
) -> list[Path]:
    """Write a recording before and after one chain at one loudness, turned down only, and their difference; the files.

    Parameters
    ----------
    path : Path
        Recording of one track or a left/right pair.
    chain_path : Path
        File with the chain.
    folder : Path
    start_s, end_s : float, optional
        Stretch of it.

    Raises
    ------
    UsageError, HouseError, RecordingError
        One line each.
    """
    chain = read_chain(chain_path)
    recording = open_recording(path)
    if len(recording.tracks) > 2:
        raise UsageError(
            str(path), f"has {len(recording.tracks)} tracks", "a chain by itself takes one track or a left/right pair"
        )
    first_s = start_s or 0.0
    length_s = min(_MOST_S, (recording.duration_s if end_s is None else end_s) - first_s)
    if length_s <= 0.0:
        raise UsageError(str(path), "has nothing between --from and --to", f"it is {recording.duration_s:.0f} s long")
    before = recording.excerpt(range(len(recording.tracks)), first_s, length_s).astype(np.float64)
    try:
        after = through_chain(before, chain, recording.sample_rate_hz)
    except ValueError as error:
        raise HouseError(
            str(chain_path), f"holds a block that is none: {_first_line(error)}", "see docs/house.md"
        ) from error
    levels = [readings(signal, recording.sample_rate_hz) for signal in (before, after)]
    gains_db = matched_gains_db(*levels)
    if gains_db is None:
        raise UsageError(str(path), "is too soft for a loudness, before or after the chain", "choose a louder stretch")
    matched = [amplitude_from_db(gain_db) * signal for gain_db, signal in zip(gains_db, (before, after), strict=True)]
    sounds = [("before", matched[0]), ("after", matched[1]), ("difference", matched[1] - matched[0])]
    return [file for _, file in write_sounds(sounds, folder, recording.sample_rate_hz)]


def _first_line(error: ValueError) -> str:
    """What is wrong with the first block that is, in one line."""
    lines = [line.strip() for line in str(error).splitlines()[1:] if line.strip() and "http" not in line]
    return ": ".join(lines[:2]) or str(error)
