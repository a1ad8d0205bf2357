"""Way of the words to a seat: how much of the voice stands clear in the feed, what the room takes of it, what the noise takes.

The feed is judged by clearance (ANSI S3.5, in short frames), room and noise by the speech transmission index (IEC 60268-16:2020). Both are shares of
what is needed to understand, from ratios within 15 dB of level with the disturbance, but no standard joins them: they are set beside each other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from deskhand.dsp.room_decay import OCTAVES_HZ
from deskhand.dsp.speech_transmission import (
    STI_STEP,
    hearing_transfer,
    male_speech_db,
    noise_transfer,
    quality,
    speech_transmission_index,
)
from deskhand.dsp.weighting import weighting_db
from deskhand.units import AES17_OFFSET_DB, db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Taker = Literal["feed", "room", "noise"]
_GOOD_STI: Final = 0.60
"""Index from which intelligibility is good (ISO 9921:2003, Table F.1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeechAndNoise:
    """Levels at a seat that the index needs, and where they come from."""

    speech_dba: float
    """Level of speech at the seat, through the loudspeakers."""
    noise_db_spl: tuple[float, ...] | None
    """(7,) octave levels of the noise, 125 Hz to 8 kHz; None where no level is known."""
    noise_dba: float | None
    noise_basis: Literal["calibrated", "stated"] | None
    """By a calibrated microphone, or by the level that somebody read on a meter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WordsPath:
    """Words on the way to a seat, and what is left of them."""

    seat: str
    audible_pct: float | None
    """Audible share of the lead voice in the feed; None where no kept show tells it."""
    feed_word: str | None
    """clear, strained or covered."""
    sti_room: float | None
    """Index of the room alone."""
    room_word: str | None
    sti: float | None
    """Index of room, noise, and hearing at this level; None where no levels are known."""
    word: str | None
    speech_dba: float | None
    noise_dba: float | None
    noise_basis: str | None
    taker: Taker | None
    """What takes most of the words; None where nothing takes enough to be said, or too little is known."""
    room_measured_at: str | None = None
    """Day on which the room was measured; None: in this recording."""
    not_measured: dict[str, str] = field(default_factory=dict)


def noise_of_sensitivity(octave_dbfs: Sequence[float], offset_db: float) -> tuple[tuple[float, ...], float]:
    """(7,) octave levels of a recorded noise, and its A-weighted level, by a calibrated microphone.

    Parameters
    ----------
    octave_dbfs : (8,) sequence
        Octaves from 63 Hz to 8 kHz, a full-scale sine reading 0.
    offset_db : float
        Sound pressure level of a mean square of 1.0.
    """
    levels_db = np.asarray(octave_dbfs, np.float64) - AES17_OFFSET_DB + offset_db
    level_dba = float(db_from_power(float(power_from_db(levels_db + weighting_db("A", np.array(OCTAVES_HZ))).sum())))
    return tuple(float(value) for value in levels_db[1:]), level_dba


def noise_of_level(octave_dbfs: Sequence[float], level_dba: float) -> tuple[float, ...]:
    """(7,) octave levels of a noise of which the shape is recorded and the A-weighted level is known.

    Parameters
    ----------
    octave_dbfs : (8,) sequence
        Octaves from 63 Hz to 8 kHz.
    level_dba : float
        Sound level of the same noise.
    """
    levels_db = np.asarray(octave_dbfs, np.float64)
    total_db = float(db_from_power(float(power_from_db(levels_db + weighting_db("A", np.array(OCTAVES_HZ))).sum())))
    return tuple(float(value) for value in levels_db[1:] + level_dba - total_db)


def index_with_noise(transfer: Array, levels: SpeechAndNoise) -> float:
    """Speech transmission index of a room, with noise, masking and threshold at the levels of a seat.

    Parameters
    ----------
    transfer : (7, 14) array
        Modulation transfers of the room alone.
    levels : SpeechAndNoise
        Without a noise, it is that of speech at its level in a silent room.

    References
    ----------
    IEC 60268-16:2020, A.2.3 and A.2.4.
    """
    speech_db = male_speech_db(levels.speech_dba)
    noise_db = np.full(7, -np.inf) if levels.noise_db_spl is None else np.array(levels.noise_db_spl)
    left = noise_transfer(speech_db, noise_db) * hearing_transfer(speech_db, noise_db)
    return speech_transmission_index(transfer * left[:, None])


def words_path(
    *,
    seat: str,
    transfer: Sequence[Sequence[float]] | None,
    sti_room: float | None,
    levels: SpeechAndNoise | None,
    feed: tuple[float, str] | None,
    not_measured: dict[str, str],
    room_measured_at: str | None = None,
) -> WordsPath:
    """Way of the words to a seat, with what takes most of them.

    Parameters
    ----------
    seat : str
    transfer : (7, 14) sequence or None
        Modulation transfers of the room.
    sti_room : float or None
    levels : SpeechAndNoise or None
        None where nobody said how loud speech is at the seat.
    feed : (float, str) or None
        Audible share of the lead voice in the feed, in percent, and its word.
    not_measured : dict
        Reasons that are known already.
    room_measured_at : str, optional
        Day on which the room was measured, where it was another one.
    """
    index = None if transfer is None or levels is None else index_with_noise(np.array(transfer), levels)
    audible_pct, feed_word = feed or (None, None)
    losses: dict[Taker, float] = {}
    if feed_word not in (None, "clear") and audible_pct is not None:
        losses["feed"] = 1.0 - audible_pct / 100.0
    if sti_room is not None and sti_room < _GOOD_STI:
        losses["room"] = 1.0 - sti_room
    if index is not None and sti_room is not None and index < _GOOD_STI and sti_room - index > STI_STEP:
        losses["noise"] = sti_room - index
    return WordsPath(
        seat=seat,
        audible_pct=audible_pct,
        feed_word=feed_word,
        sti_room=sti_room,
        room_word=None if sti_room is None else quality(sti_room),
        sti=index,
        word=None if index is None else quality(index),
        speech_dba=None if levels is None else levels.speech_dba,
        noise_dba=None if levels is None else levels.noise_dba,
        noise_basis=None if levels is None else levels.noise_basis,
        taker=max(losses.items(), key=lambda loss: loss[1])[0] if losses else None,
        room_measured_at=room_measured_at,
        not_measured=not_measured,
    )


def kept_words_path(
    content: Mapping[str, Any], *, seat: str, measured_at: str, feed: tuple[float, str] | None
) -> WordsPath | None:
    """Way of the words to a seat whose room was kept; None where no index of it was kept.

    Parameters
    ----------
    content : mapping
        What was kept of the seat.
    seat : str
    measured_at : str
        Day on which it was measured.
    feed : (float, str) or None
        Audible share of the voice in today's feed, in percent, and its word.
    """
    transfer, index, levels = content.get("transfer"), content.get("sti_room"), content.get("levels")
    if transfer is None or not isinstance(index, int | float):
        return None
    known = None
    if levels is not None:
        noise_db = levels["noise_db_spl"]
        known = SpeechAndNoise(
            speech_dba=levels["speech_dba"],
            noise_db_spl=None if noise_db is None else tuple(noise_db),
            noise_dba=levels["noise_dba"],
            noise_basis=levels["noise_basis"],
        )
    return words_path(
        seat=seat,
        transfer=transfer,
        sti_room=float(index),
        levels=known,
        feed=feed,
        not_measured={},
        room_measured_at=measured_at,
    )
