"""Measurements kept beside a recording, so that a second check does again only what a change touches."""

from deskhand.reuse.kept import KeptMeasurements, measuring_code
from deskhand.reuse.packed import pack, unpack

__all__ = ["KeptMeasurements", "measuring_code", "pack", "unpack"]
