"""Measurements kept beside a recording, so that a second check does again only what a change touches."""

from deskhand.reuse.kept import KeptMeasurements
from deskhand.reuse.packed import pack, unpack

__all__ = ["KeptMeasurements", "pack", "unpack"]
