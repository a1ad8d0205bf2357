"""Keys of the house file about what leaves the house: with a history on a server, and with an exported one."""

from __future__ import annotations

from typing import Final

from pydantic.dataclasses import dataclass as checked

from deskhand.house.values import STRICT

AUDIO_KEYS: Final = ("audio", "recordings", "recording", "sound", "tracks", "stems", "excerpts")
"""Keys that would ask for audio to leave the house; there is none that does. Common practice, no source."""


@checked(config=STRICT, kw_only=True)
class SharingTerms:
    """Choice of what leaves the house; audio never does, and no key changes that."""

    readings: bool = True
    """False: nothing is written to a server's history, and nothing is exported."""
    names: bool = True
    """False: people's names stay, and stand-ins such as "guitarist 2" go in their place."""
