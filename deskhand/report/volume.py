"""Levels of what people listen to, on the local page and in the reports that hold sound."""

from __future__ import annotations

from typing import Final

START_DB: Final = -30
"""Level at which every page starts, below the file's own: music mastered to full scale comes out near -40 LUFS, which startles
nobody on headphones that were left turned up. Common practice, no source."""
LOWEST_DB: Final = -60
"""Lower end of the slider: nothing is to be heard below it in a room with people. Common practice, no source."""
