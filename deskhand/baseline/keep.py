"""Parts of a take as they are kept and as they are judged, from its readings: the same numbers either way."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.kept import MIX, PHRASES
from deskhand.baseline.numbers import FEED_LEVEL, MIX_LUFS, VOICE_TO_BAND_DB
from deskhand.house.blocks import BLOCKS
from deskhand.measure.activity import BLOCK_S
from deskhand.store import KeptPart

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.house import ChainBlock
    from deskhand.measure.activity import Activity
    from deskhand.measure.readings import Readings
    from deskhand.measure.sounds import Sound
    from deskhand.mix.clearance import Clearance
    from deskhand.mix.voice_ratio import VoiceRatio


def chain_digest(blocks: Sequence[ChainBlock]) -> str | None:
    """Digest of a chain that tells it from another; None where it does nothing but change the level.

    A trim that brings a source to nominal makes no other chain of it: what is kept stays comparable.
    """
    shaping = [block for block in blocks if not BLOCKS[block.block].is_gain]
    if not shaping:
        return None
    text = json.dumps([asdict(block) for block in shaping], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def values_of(readings: Readings) -> dict[str, tuple[float, float | None]]:
    """Every number of the readings by its name (a band after a dot), with its uncertainty."""
    values: dict[str, tuple[float, float | None]] = {}
    for reading in fields(readings):
        value = getattr(readings, reading.name)
        if reading.name.endswith("_pm") or value is None:
            continue
        if isinstance(value, float):
            values[reading.name] = (value, getattr(readings, f"{reading.name}_pm", None))
        elif isinstance(value, dict) and reading.name != "not_measured":
            values |= {f"{reading.name}.{band}": (float(level), None) for band, level in value.items()}
    return values


def sound_values(sound: Sound) -> dict[str, tuple[float, float | None]]:
    """Every number of one of a source's sounds by its name, without uncertainty."""
    values: dict[str, tuple[float, float | None]] = {"share": (sound.share, None)}
    for name in ("level_dbfs", "loudness_lufs", "tail_s"):
        value = getattr(sound, name)
        if value is not None:
            values[name] = (value, None)
    values |= {f"tone_db.{band}": (level, None) for band, level in (sound.tone_db or {}).items()}
    return values


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
    fader_db: float | None = None,
) -> list[KeptPart]:
    """Parts that are kept of one source.

    Parameters
    ----------
    source, role, player, tap : str
    chain : str or None
        Digest of the blocks that were run.
    duration_s : float
        Of the take.
    before, after : Readings
        At the tap and after the chain.
    sounds : iterable of Sound
    fader_db : float, optional
        Of a source that is in the mix.
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

    tap_values = values_of(before)
    level_dbfs = (before if after is None else after).level_dbfs
    if fader_db is not None and level_dbfs is not None:
        tap_values[FEED_LEVEL] = (level_dbfs + fader_db, None)
    parts = [part("tap", tap_values)]
    if after is not None:
        parts.append(part("after", values_of(after)))
    parts += [part("sound", sound_values(sound), number, sound.share) for number, sound in enumerate(sounds, 1)]
    return parts


_TURN_READINGS: Final = ("level_dbfs", "noise_dbfs", "tone_db.", "passage_tone_db.", "passages")
"""Readings that are kept of a turn; one that ends in a dot stands for all its bands."""


def turn_part(
    source: str, *, role: str, player: str | None, tap: str, playing: Activity, readings: Readings
) -> KeptPart:
    """Part that is kept of an input's turn in a line check: its level, its tone and its noise.

    Parameters
    ----------
    source, role, player, tap : str
    playing : Activity
        Activity in the turn.
    readings : Readings
        Of the turn.
    """
    values = values_of(readings)
    played = np.flatnonzero(playing.blocks)
    return KeptPart(
        source=source,
        stage="turn",
        role=role,
        player=player,
        tap=tap,
        # from its first to its last sound: of a drum, what lies between the strokes belongs to the turn
        playing_s=BLOCK_S * float(np.ptp(played) + 1) if played.size else 0.0,
        values={
            name: value
            for name, value in values.items()
            if name in _TURN_READINGS or f"{name.partition('.')[0]}." in _TURN_READINGS
        },
    )


def voice_part(voice: Clearance, *, role: str, player: str | None, tap: str) -> KeptPart:
    """Part that is kept of a voice in the feed: its audible shares, and how its phrases spread."""
    lengths = np.array([phrase.end_s - phrase.start_s for phrase in voice.phrases])
    shares = np.array([phrase.audible_pct for phrase in voice.phrases])
    order = np.argsort(shares)
    # percentiles by time, not by phrase
    time_shares = (np.cumsum(lengths[order]) - 0.5 * lengths[order]) / max(float(lengths.sum()), 1e-9)
    values: dict[str, tuple[float, float | None]] = {
        f"phrase_pct.{percent}": (float(np.interp(percent / 100, time_shares, shares[order])), None)
        for percent in PHRASES
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
    """Part that is kept of the mix of the written faders."""
    return KeptPart(
        source=MIX,
        stage="mix",
        role=MIX,
        tap=tap,
        playing_s=readings.active_fraction * duration_s,
        values=values_of(readings),
    )


def recorded_mix_part(
    source: str, readings: Readings, ratio: VoiceRatio | None, *, duration_s: float, tap: str
) -> KeptPart:
    """Part that is kept of the recorded mix: its readings, its loudness, and the lead voice against the band in it.

    Parameters
    ----------
    source : str
        Name of the recorded mix.
    readings : Readings
    ratio : VoiceRatio or None
        None where it cannot be told.
    duration_s : float
        Of the take.
    tap : str
    """
    values = values_of(readings)
    if readings.loudness_lufs is not None:
        values[MIX_LUFS] = (readings.loudness_lufs, readings.loudness_lufs_pm)
    if ratio is not None:
        values[VOICE_TO_BAND_DB] = (ratio.ratio_db, ratio.ratio_db_pm)
    return KeptPart(
        source=source,
        stage="mix",
        role=MIX,
        tap=tap,
        playing_s=readings.active_fraction * duration_s,
        values=values,
    )
