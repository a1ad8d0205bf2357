"""A reading in one file: how it is measured, what people call it, where it is shown, and how it is compared over the weeks."""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal, NamedTuple

from deskhand.measure import provided

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import Figures


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceMaterial:
    """Figures and activity of one source at one place in its chain, from which its readings are made."""

    figures: Figures
    tracks: tuple[int, ...]
    """One or two positions in the figures."""
    playing: Activity
    mean_square: NDArray[np.float32]
    """(blocks,) mean over the sides."""
    weighted: NDArray[np.float64]
    """(blocks,) K-weighted mean square, summed over the sides."""
    tone_db: dict[str, float] | None
    """Third-octave levels of the playing; None where it plays too little."""
    level_dbfs: float | None
    """None where it never plays."""
    strikes: bool
    level_dba: float
    """Level at which it is listened to."""
    behind_chain: bool
    """True where it is read after its chain, with the activity known from the tap."""


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """Reason why a reading could not be measured."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WeeklyComparison:
    """Rules by which a reading is set against the kept takes."""

    number: str
    """Name of the number in the result's `normal`, the history and the drift charts."""
    label: str
    """In the middle of a sentence."""
    stage: Literal["tap", "after"]
    """Read at the tap, or after the chain where there is one."""
    scale: Literal["linear", "octaves"]
    """Scale on which equal steps are equally normal."""
    jnd: float
    """Just noticeable difference on that scale."""
    jnd_source: str
    spread: float
    """Standard deviation from week to week of one player's long takes, on that scale."""
    sure_after_s: float
    """Playing after which the variance within a take has come down to that between takes."""
    player_ratio: float
    """Variance between players over the variance of one player from week to week."""
    pairs_only: bool = False
    upwards_only: bool = False
    wider: tuple[tuple[str, float], ...] = ()
    """Roles whose spread is larger, with the factor."""
    version: int = 1
    """Raised when the reading's definition changes: kept takes that hold the earlier one are set aside until they are measured again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingProvider:
    """Reading that stands in a file of its own, as that file's `READING`."""

    name: str
    """Field of the JSON; carries its unit."""
    unit: str
    label: str
    """Name for people."""
    explain: str
    """One sentence for people beside the label."""
    meaning: str
    """Column "what it is" of docs/measurements.md."""
    method: str
    limits: str
    hears: str
    measure: Callable[[SourceMaterial], float | NotMeasured]
    """Value, or why there is none."""
    rates_apart: float
    """How far it may lie apart between sample rates of 44.1, 48 and 96 kHz, to which the tests hold it."""
    follows_gain: bool = False
    """True where a gain before it moves it by as much; else a gain leaves it as it is, to which the tests hold it."""
    shown: Literal["beside the settings", "folded", "in print"] = "in print"
    """On a source's page beside its settings, or behind a fold there; in print: in the report alone. All of these are in the report."""
    digits: int = 1
    """Places after the point with which it is shown."""
    label_before: str | None = None
    """Reading before which it is listed; None: after all others."""
    compared: WeeklyComparison | None = None
    """None: it is kept, but not judged."""


class ProvidedValues(NamedTuple):
    """Values of the readings that stand in a file of their own, and why there is none, by their names."""

    values: dict[str, float | None]
    reasons: dict[str, str]


def provide(material: SourceMaterial) -> ProvidedValues:
    """Measure the readings that stand in a file of their own."""
    results = {provider.name: provider.measure(material) for provider in providers()}
    return ProvidedValues(
        values={name: None if isinstance(result, NotMeasured) else result for name, result in results.items()},
        reasons={name: result.reason for name, result in results.items() if isinstance(result, NotMeasured)},
    )


@cache
def providers() -> tuple[ReadingProvider, ...]:
    """Readings of all files of `measure.provided`, by the names of the files.

    Raises
    ------
    TypeError
        A file there has no `READING`.
    """
    files = sorted(module.name for module in pkgutil.iter_modules(provided.__path__))
    modules = [importlib.import_module(f"{provided.__name__}.{name}") for name in files]
    for module in modules:
        if not isinstance(getattr(module, "READING", None), ReadingProvider):
            raise TypeError(f"{module.__name__} has no READING that is a ReadingProvider")
    return tuple(module.READING for module in modules)
