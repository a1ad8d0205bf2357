"""Blocks of a chain, running: each takes (channels, frames) of float64 and goes on where it ended.

A block may act on the left, the right, the middle or the sides of a pair alone. What it holds back to look ahead or to
oversample is its latency, the same for all channels, so that the parts of a pair stay together.
"""

from deskhand.chain.blocks.build import build
from deskhand.chain.blocks.dynamics import RMS_S
from deskhand.chain.blocks.filter import filter_sos
from deskhand.chain.blocks.processor import Processor
from deskhand.chain.blocks.stereo import from_mid_side, pan_gains, to_mid_side

__all__ = ["RMS_S", "Processor", "build", "filter_sos", "from_mid_side", "pan_gains", "to_mid_side"]
