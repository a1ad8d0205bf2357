"""From a check's result to what is kept of it, and what is judged of it: the same numbers either way."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, fields
from typing import TYPE_CHECKING

import numpy as np

from deskhand.reference.kept import MIX, PHRASES
from deskhand.store import KeptPart

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.house import ChainBlock
    from deskhand.measure.readings import Readings
    from deskhand.measure.sounds import Sound
    from deskhand.mix.clearance import Clearance


def chain_digest(blocks: Sequence[ChainBlock]) -> str | None:
    """What tells one chain from another; None for no blocks."""
    if not blocks:
        return None
    text = json.dumps([asdict(block) for block in blocks], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def values_of(readings: Readings) -> dict[str, tuple[float, float | None]]:
    """Every number of the readings by its name (a band after a dot), with its uncertainty."""
    out: dict[str, tuple[float, float | None]] = {}
    for item in fields(readings):
        value = getattr(readings, item.name)
        if item.name.endswith("_pm") or value is None:
            continue
        if isinstance(value, float):
            out[item.name] = (value, getattr(readings, f"{item.name}_pm", None))
        elif isinstance(value, dict) and item.name != "not_measured":
            out |= {f"{item.name}.{band}": (float(level), None) for band, level in value.items()}
    return out


def sound_values(sound: Sound) -> dict[str, tuple[float, float | None]]:
    """The same of one of a source's sounds."""
    out: dict[str, tuple[float, float | None]] = {"share": (sound.share, None)}
    for name in ("level_dbfs", "loudness_lufs", "tail_s"):
        value = getattr(sound, name)
        if value is not None:
            out[name] = (value, None)
    out |= {f"tone_db.{band}": (level, None) for band, level in (sound.tone_db or {}).items()}
    return out


def source_parts(
    source: str,
    *,
    role: str,
    player: str | None,
    tap: str,
    chain: str | None,
    duration_s: float,
    before: Readings,
    after: Readings | None,
    sounds: Iterable[Sound] = (),
) -> list[KeptPart]:
    """What is kept of one source.

    Parameters
    ----------
    source, role, player, tap : str
    chain : str or None
        Digest of the blocks that were run.
    duration_s : float
        Of the take.
    before, after : Readings
        At the tap and behind the chain.
    sounds : iterable of Sound
    """
    playing_s = before.active_fraction * duration_s

    def part(
        stage: str, values: Mapping[str, tuple[float, float | None]], sound: int = 0, share: float = 1.0
    ) -> KeptPart:
        return KeptPart(
            source=source,
            stage=stage,  # type: ignore[arg-type]
            sound=sound,
            role=role,
            player=player,
            tap=tap,
            chain=chain if stage == "after" else None,
            playing_s=share * playing_s,
            values=values,
        )

    out = [part("tap", values_of(before))]
    if after is not None:
        out.append(part("after", values_of(after)))
    out += [part("sound", sound_values(one), place, one.share) for place, one in enumerate(sounds, 1)]
    return out


def voice_part(voice: Clearance, *, role: str, player: str | None, tap: str) -> KeptPart:
    """What is kept of how well a voice is heard: its shares, and how its phrases spread."""
    lengths = np.array([phrase.end_s - phrase.start_s for phrase in voice.phrases])
    shares = np.array([phrase.audible_pct for phrase in voice.phrases])
    order = np.argsort(shares)
    # percentiles by time, not by phrase
    place = (np.cumsum(lengths[order]) - 0.5 * lengths[order]) / max(float(lengths.sum()), 1e-9)
    values: dict[str, tuple[float, float | None]] = {
        f"phrase_pct.{percent}": (float(np.interp(percent / 100, place, shares[order])), None) for percent in PHRASES
    }
    for side in ("mono", "left", "right"):
        values[f"audible_pct.{side}"] = (getattr(voice.audible_pct, side), None)
        values[f"clearance_pct.{side}"] = (getattr(voice.clearance_pct, side), None)
    return KeptPart(
        source=voice.source,
        stage="feed",
        role=role,
        player=player,
        tap=tap,
        playing_s=float(lengths.sum()),
        values=values,
    )


def mix_part(readings: Readings, *, duration_s: float, tap: str) -> KeptPart:
    """What is kept of the mix of the written faders."""
    return KeptPart(
        source=MIX,
        stage="mix",
        role=MIX,
        tap=tap,
        playing_s=readings.active_fraction * duration_s,
        values=values_of(readings),
    )
