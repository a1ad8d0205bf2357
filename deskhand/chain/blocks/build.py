"""Running blocks made from the blocks of the house file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.chain.blocks.dynamics import (
    CompressorProcessor,
    DynamicBellProcessor,
    GateProcessor,
    LimiterProcessor,
)
from deskhand.chain.blocks.filter import CurveProcessor, FilterProcessor, curve_taps, filter_sos
from deskhand.chain.blocks.gain import DelayProcessor, GainProcessor, SaturationProcessor
from deskhand.chain.blocks.stereo import MidSideProcessor, PanProcessor
from deskhand.errors import HouseError
from deskhand.house import (
    CompressorBlock,
    CurveBlock,
    DelayBlock,
    DynamicBellBlock,
    GainBlock,
    GateBlock,
    LimiterBlock,
    MidSideBlock,
    PanBlock,
    PolarityBlock,
    SaturationBlock,
    TrimBlock,
)

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.chain.blocks.processor import Processor
    from deskhand.house import ChainBlock


def build(block: ChainBlock, *, channels: int, sample_rate_hz: int, folder: Path | None = None) -> Processor:
    """A running block from what the house file says of it.

    Parameters
    ----------
    block : ChainBlock
    channels : int
        Channels of its input: 1, or 2 for a pair.
    sample_rate_hz : int
    folder : Path, optional
        Folder of the house file, where the file of a curve lies.

    Raises
    ------
    HouseError
        A block that needs a pair on one channel, or a curve that cannot be read.
    """
    if channels == 1 and (isinstance(block, MidSideBlock) or getattr(block, "on", "both") != "both"):
        raise HouseError(block.block, "acts on a part of a pair, but its source is one channel", "name its two tracks")
    if isinstance(block, LimiterBlock) and (block.detector == "mid-side" or block.on in {"mid", "side"}):
        raise HouseError(block.block, "holds left and right; in mid and side it could not", "make it linked or dual")
    if getattr(block, "shape", "") == "linkwitz-riley" and getattr(block, "slope_db_per_octave", 12.0) % 12.0:
        raise HouseError(
            block.block, "a linkwitz-riley slope is a multiple of 12 dB/oct", "make it 12, 24, 36 or 48 dB/oct"
        )
    match block:
        case GainBlock() | TrimBlock():
            return GainProcessor(block.gain_db, block.on, channels)
        case PolarityBlock():
            return GainProcessor(0.0, block.on, channels, flip=True)
        case DelayBlock():
            return DelayProcessor(block.time_s, block.on, channels, sample_rate_hz)
        case MidSideBlock():
            return MidSideProcessor(block.mid_db, block.side_db)
        case PanBlock():
            return PanProcessor(block.position, block.law_db, channels)
        case SaturationBlock():
            return SaturationProcessor(block.drive_db, block.on, channels, sample_rate_hz)
        case CompressorBlock():
            return CompressorProcessor(block, channels, sample_rate_hz)
        case GateBlock():
            return GateProcessor(block, channels, sample_rate_hz)
        case DynamicBellBlock():
            return DynamicBellProcessor(block, channels, sample_rate_hz)
        case LimiterBlock():
            return LimiterProcessor(block, channels, sample_rate_hz)
        case CurveBlock():
            taps, latency = curve_taps(block, sample_rate_hz, folder)
            return CurveProcessor(taps, latency, block.on, channels)
        case _:
            return FilterProcessor(filter_sos(block, sample_rate_hz), block.on, channels)
