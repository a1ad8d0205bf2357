"""Result of the mix of the written faders, after the house's chains."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.house import ROLES
from deskhand.measure.readings import SourceReading, read_source
from deskhand.mix.balance import shares_pct, shift_phon
from deskhand.mix.bus import Strip, level_dba, level_offset_db, listening_dba
from deskhand.mix.faders import find_faders
from deskhand.mix.voice_ratio import VoiceRatio, voice_ratio
from deskhand.mix.voices import lead_of
from deskhand.result import MixResult

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.house import HouseFile, Room
    from deskhand.measure.figures import Figures


def mix_result(
    house: HouseFile, figures: Figures, mix_strips: list[Strip], rows: tuple[int, int], desk_mix: tuple[int, ...]
) -> tuple[MixResult, SourceReading]:
    """Numbers of the mix, and its reading.

    Parameters
    ----------
    house : HouseFile
    figures : Figures
        Recorded tracks, what comes out of the chains, and the mix.
    mix_strips : list of Strip
        Sources of the mix with the rows they come from.
    rows : (left, right)
        Rows of the mix.
    desk_mix : tuple of int
        Tracks that hold the desk's own mix; empty where it was not recorded.
    """
    faders = find_faders(figures, mix_strips, desk_mix) if desk_mix else []
    reading = read_source(figures, rows, strikes=False, mains_hz=house.house.mains_hz, level_dba=listening_dba(house))
    read, room = reading.readings, house.room
    mix = MixResult(
        loudness_lufs=read.loudness_lufs,
        true_peak_dbtp=read.true_peak_dbtp,
        loudness_range_lu=read.loudness_range_lu,
        width_db=read.width_db,
        mono_loss_db=read.mono_loss_db,
        level_dba=level_dba(room, read.loudness_lufs) if room is not None and read.loudness_lufs is not None else None,
        share_pct=shares_pct(figures, mix_strips),
        balance_shift_phon=_balance_shift_phon(room, figures, rows, read.loudness_lufs)
        if room is not None and read.loudness_lufs is not None
        else None,
        normal=(),
        findings=(),
        faders=tuple(faders),
    )
    return mix, reading


def _balance_shift_phon(room: Room, figures: Figures, rows: tuple[int, int], loudness_lufs: float) -> dict[str, float]:
    """Shift of the mix's balance between its own level and the room's."""
    return shift_phon(
        figures,
        rows,
        offset_db=level_offset_db(room, loudness_lufs),
        change_db=room.level_dba - level_dba(room, loudness_lufs),
    )


def mix_voice_ratio(
    house: HouseFile,
    figures: Figures,
    rows: Mapping[str, tuple[int, ...]],
    readings: Mapping[str, SourceReading],
    desk_mix: tuple[int, ...],
) -> VoiceRatio | None:
    """Lead voice against the band in the desk's own mix; None where that was not recorded, or nobody leads.

    Parameters
    ----------
    house : HouseFile
    figures : Figures
        Recorded tracks, and what comes out of the chains.
    rows : mapping
        Source to the rows that hold it after its chain.
    readings : mapping
        Source to its reading at the tap.
    desk_mix : tuple of int
        Tracks that hold the desk's own mix; empty where it was not recorded.
    """
    lead = lead_of(house)
    if not desk_mix or lead is None or lead not in readings:
        return None
    may_be_in_it = [
        Strip(source=source.name, rows=rows[source.name], fader_db=0.0)
        for source in house.source
        if source.name in readings and source.name in rows and ROLES[source.role].in_a_mix
    ]
    return voice_ratio(figures, may_be_in_it, desk_mix[:2], lead, readings[lead].activity.blocks)
