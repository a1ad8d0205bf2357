"""A seeded part of the study of what is heard through other songs every week: two made houses with ten kept weeks."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from deskhand.baseline.normal import judge_parts
from deskhand.baseline.numbers import TONE
from deskhand.findings.judgements import LEAST_NOTICEABLE
from tests.support.repertoires import PLANTS, house_of, kept_weeks

KEPT, SONGS, CLEAN_WEEKS, SOURCES = 10, 4, 4, 8
CHANCE = 0.02 / 70
"""Each number's share of a show's chance, of a house with as many numbers as the invented venue."""


@functools.cache
def houses() -> tuple[list[bool], dict[str, list[bool]]]:
    """Raised in clean weeks, and of each planted filter."""
    clean: list[bool] = []
    planted: dict[str, list[bool]] = {name: [] for name in PLANTS}
    for seed in range(2):
        rng = np.random.default_rng([71, seed])
        sources = house_of(rng, SOURCES)
        baseline = kept_weeks([[source.part(source.week(rng, SONGS)) for source in sources] for _ in range(KEPT)])
        for number in range(CLEAN_WEEKS):
            week = [source.week(rng, SONGS) for source in sources]
            parts = [source.part(levels) for source, levels in zip(sources, week, strict=True)]
            clean += [_raised(judge_parts(baseline, [part])[part.source]) for part in parts]
            if number:
                continue
            for name, plant in PLANTS.items():
                for source, levels in zip(sources, week, strict=True):
                    if source.role in plant.roles:
                        part = source.part(levels + plant.response_db)
                        planted[name].append(_raised(judge_parts(baseline, [part])[source.name]))
    return clean, planted


def _raised(normals) -> bool:
    (tone,) = (normal for normal in normals if normal.name == TONE)
    return tone.probability < CHANCE and tone.noticeable >= LEAST_NOTICEABLE


def test_clean_weeks_are_left_alone() -> None:
    clean, _ = houses()
    # 64 tones of clean weeks; songs that are quite another thing are in them
    assert sum(clean) <= 1


@pytest.mark.source(
    "Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: what is planted (analogue prototypes, by scipy)"
)
def test_gross_changes_are_heard_through_the_songs() -> None:
    _, planted = houses()
    gross = [found for name, several in planted.items() if PLANTS[name].gross for found in several]
    assert len(gross) > 20
    # 64 % here; by kept weeks and by the best judge: docs/validation-heard-through.md
    assert np.mean(gross) >= 0.6
    # the larger of two is found more often
    assert np.mean(planted["bell +6 dB at 3 kHz"]) >= np.mean(planted["bell +4 dB at 3 kHz"])
