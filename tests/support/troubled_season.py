"""A season of the invented hall whose newest show has nine problems at once: every planted one has to be found, and nothing else.

No evening is like that: what people see of the hall is `deskhand.demo.story`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.demo import PlantedFault, ShowPlan, faults, make_show
from deskhand.demo.venue import house_text

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np

    from deskhand.demo.faults import Tracks

NEWEST_LENGTH_S: Final = 64.0
"""Length of the newest show: enough for all faults to lie apart. Common practice, no source."""
_EARLIER: Final = ("2026-02-01", "2026-02-08", "2026-02-15", "2026-02-22")
_NEWEST: Final = "2026-03-01"


def season_plan(seed: int) -> list[ShowPlan]:
    """Plans of a season: four earlier shows without problems and the newest, which has several."""
    plans = [ShowPlan(name=f"show-{date}", date=date, seed=1000 * seed + week) for week, date in enumerate(_EARLIER)]
    newest = ShowPlan(name=f"show-{_NEWEST}", date=_NEWEST, seed=1000 * seed + 99, length_s=NEWEST_LENGTH_S)
    return [*plans, newest]


def plant(tracks: Tracks, rng: np.random.Generator) -> list[PlantedFault]:
    """Plant problems that happen on such evenings, and tell which."""
    song_s = 14.0
    late_s = NEWEST_LENGTH_S - 24.0
    planted = []
    faults.gain(tracks, ["lead vox"], 21.0)
    planted.append(
        PlantedFault(source="lead voice", kind="clipped", description="preamp 21 dB too high: cut flat at full scale")
    )
    faults.invert(tracks, "gtr b r")
    planted.append(PlantedFault(source="guitar b", kind="polarity", description="right side upside down"))
    faults.hum(tracks, "bass", -56.0)
    planted.append(PlantedFault(source="bass", kind="hum", description="50 Hz and harmonics at -56 dBFS"))
    faults.gain(tracks, ["bv 2"], -9.0)
    planted.append(PlantedFault(source="voice 3", kind="level-low", description="9 dB too low"))
    faults.dies(tracks, "pno r", late_s, rng)
    planted.append(PlantedFault(source="piano", kind="one-sided", at_s=(late_s,), description="right side dies"))
    hits = (8.6, 9.8, 11.1)
    faults.wireless_hits(tracks, "spk hand", hits, rng)
    planted.append(
        PlantedFault(source="handheld", kind="wireless-hit", at_s=hits, description="bursts of noise of 60 ms")
    )
    moments = (song_s + 6.3, song_s + 21.7)
    faults.dropouts(tracks, "agtr", moments)
    planted.append(PlantedFault(source="acoustic", kind="dropout", at_s=moments, description="20 ms lost"))
    faults.leak(tracks, "click", "bv 1", -12.0)
    planted.append(PlantedFault(source="voice 2", kind="in-the-mix", description="click from headphones"))
    del tracks["aud r"]
    planted.append(PlantedFault(source="audience", kind="missing", description="right track not recorded"))
    return planted


def make_season(folder: Path, *, seed: int = 1, shows: int = 5) -> Path:
    """Write the house file and the newest shows of a season, and return the folder of the newest."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(house_text(), "utf-8")
    *earlier, newest = season_plan(seed)[-shows:]
    for plan in earlier:
        make_show(folder / plan.name, plan)
    make_show(folder / newest.name, newest, plant)
    return folder / newest.name
