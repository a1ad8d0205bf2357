"""Silent inputs of which nobody knows what they are for: weighed by how often they play in the kept weeks."""

from __future__ import annotations

import pytest

from deskhand.findings import Finding, as_usual


def silent(severity: str, at_s: tuple[tuple[float, float], ...] = ()) -> Finding:
    return Finding(id="spare/silent", kind="silent", stage="tap", severity=severity, what="quiet", at_s=at_s)  # type: ignore[arg-type]


@pytest.mark.source("common practice, no source: a spare input waits for a guest")
@pytest.mark.parametrize(
    ("before", "share", "after"),
    [
        pytest.param("note", 0.25, "note", id="spare-is-quiet-as-usual"),
        pytest.param("note", 0.9, "listen", id="one-that-always-plays-is-silent"),
        pytest.param("listen", 0.1, "note", id="playback-that-is-hardly-used"),
        pytest.param("listen", 1.0, "listen", id="playback-of-every-week"),
        pytest.param("fix", 0.0, "fix", id="never-less-than-a-fault"),
    ],
)
def test_silence_is_weighed_by_the_kept_weeks(before: str, share: float, after: str) -> None:
    assert as_usual({"spare": [silent(before)]}, {"spare": share})["spare"][0].severity == after


@pytest.mark.source("common practice, no source: a spare input waits for a guest")
def test_what_falls_silent_and_other_sources_stay() -> None:
    fell = silent("listen", ((10.0, 30.0),))
    assert as_usual({"spare": [fell], "bass": [silent("listen")]}, {"spare": 0.0}) == {
        "spare": [fell],
        "bass": [silent("listen")],
    }
