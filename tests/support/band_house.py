"""A house with takes of a bass, a piano and a voice."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from deskhand.demo.band import Band, pick_song
from deskhand.demo.season import _level_dbfs

if TYPE_CHECKING:
    pass

RATE_HZ: Final = 48000

LENGTH_S: Final = 7.0

HOUSE: Final = """\
# Invented.
[house]
name = "Tern Street Hall"
nominal = "-18 dBFS"

[room]
level = "88 dBA"
mix_loudness = "-23 LUFS"

[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
fader = "-12 dB"
[[source.chain]]
block = "high-pass"
frequency = "40 Hz"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno l", "pno r"]
fader = "-8 dB"
[[source.chain]]
block = "bell"
frequency = "400 Hz"
gain = "-1.5 dB"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["lead vox"]
fader = "0 dB"

[vocal]
source = "lead voice"
"""

TRACKS: Final = {"bass": ("bass",), "piano": ("pno l", "pno r"), "lead voice": ("lead vox",)}


def make_house(folder: Path, *, weeks: int, quiet_db: float = 0.0) -> list[Path]:
    """The house file and takes of a bass, a piano and a voice: another song, key and tempo in each.

    Parameters
    ----------
    quiet_db : float
        By how much the bass is too low, for a house that has something to fix.
    """
    (folder / "house.toml").write_text(HOUSE)
    made = []
    for week in range(1, weeks + 1):
        rng = np.random.default_rng(week)
        band = Band(rng, pick_song(rng, start_s=0.3, length_s=LENGTH_S - 1.0), LENGTH_S)
        voice = band.vocal(octave=12, size=1.1, offset=2, starts_bar=0)
        show = folder / f"week-{week}"
        show.mkdir()
        for name, part in {"bass": band.bass(), "piano": band.keys(), "lead voice": voice}.items():
            goal_dbfs = -18.0 + float(rng.uniform(-0.5, 0.5)) - (quiet_db if name == "bass" else 0.0)
            sound = part.sound * 10.0 ** ((goal_dbfs - _level_dbfs(part, part.sound)) / 20.0)
            for row, track in zip(sound, TRACKS[name], strict=True):
                hiss = 10.0 ** (-88 / 20) * rng.standard_normal(row.size)
                soundfile.write(show / f"{track}.wav", np.clip(row + hiss, -1, 1), RATE_HZ, subtype="PCM_24")
        made.append(show)
    return made
