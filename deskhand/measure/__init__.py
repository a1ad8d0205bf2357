"""Measurements: one pass over the audio gives figures a block; the readings of a source are computed from those."""
