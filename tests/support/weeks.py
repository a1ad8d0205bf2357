"""Kept takes out of chosen numbers: no audio, so that what they are set against is arithmetic."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.normal import Baseline, baseline_of
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.measure.passages import OCTAVES_HZ
from deskhand.store import KeptPart, TakeRow

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.store import Dismissal

    Array = NDArray[np.float64]

HOUSE: Final = "Tern Street Hall"
FIRST: Final = date(2026, 1, 4)
LONG_S: Final = 1e9
"""Playing after which a reading has no variance of its own left."""
FLAT: Final = np.zeros(len(OCTAVES_HZ))
PIANO: Final = np.array([-24.0, -12.0, -6.0, -4.0, -6.0, -10.0, -16.0, -22.0])
"""An invented tone, by octave."""
CYMBALS: Final = np.array([-30.0, -26.0, -20.0, -14.0, -9.0, -6.0, -4.0, -3.0])


def third_octaves(octaves_db: Array) -> dict[str, tuple[float, float | None]]:
    """Readings of a dense spectrum through these levels at the octaves, with the power sum 0 dB as readings have it."""
    levels_db = np.interp(np.log2(NOMINAL_HZ), np.log2(OCTAVES_HZ), octaves_db)
    levels_db -= 10.0 * np.log10(np.sum(10.0 ** (levels_db / 10.0)))
    return {f"tone_db.{band:g}": (float(level), None) for band, level in zip(NOMINAL_HZ, levels_db, strict=True)}


def part(
    octaves_db: Array | None = None,
    *,
    source: str = "piano",
    role: str = "keys",
    stage: str = "tap",
    sound: int = 0,
    player: str | None = None,
    tap: str = "preamp",
    chain: str | None = None,
    playing_s: float = 600.0,
    take: int = 0,
    values: Mapping[str, float] | None = None,
) -> KeptPart:
    """One kept part: a tone by octave, and other readings by name."""
    read: dict[str, tuple[float, float | None]] = {name: (value, None) for name, value in (values or {}).items()}
    if octaves_db is not None:
        read |= third_octaves(octaves_db)
    return KeptPart(
        source=source,
        stage=stage,  # type: ignore[arg-type]
        sound=sound,
        role=role,
        player=player,
        tap=tap,
        chain=chain,
        playing_s=playing_s,
        values=read,
        take=take,
    )


def row(number: int, *, when: str | None = "") -> TakeRow:
    """The take of a week; week 1 is the first."""
    day = (FIRST + timedelta(weeks=number - 1)).isoformat() if when == "" else when
    return TakeRow(
        id=number,
        house=HOUSE,
        show=f"week {number}",
        date=day,
        phase="show",
        duration_s=3600.0,
        recording=f"week {number}.wav",
        house_hash="",
        note="",
        kept_by="",
        kept_at=f"{day}T22:00:00+00:00",
        forgotten_by=None,
        forgotten_at=None,
    )


@dataclass(slots=True)
class Weeks:
    """Takes, added one by one."""

    kept: list[tuple[TakeRow, KeptPart]] = field(default_factory=list)
    count: int = 0

    def add(self, *parts: KeptPart) -> None:
        """A week with these parts; they get its number."""
        from dataclasses import replace

        self.count += 1
        self.kept += [(row(self.count), replace(one, take=self.count)) for one in parts]

    def baseline(
        self,
        dismissals: Sequence[Dismissal] = (),
        *,
        taps: Mapping[str, str] | None = None,
        chains: Mapping[str, str | None] | None = None,
    ) -> Baseline:
        """What they are worth to a take."""
        return baseline_of(self.kept, dismissals, taps=taps, chains=chains)
