"""Silent inputs of which nobody knows what they are for, and pairs that carry one signal: weighed by the kept weeks."""

from __future__ import annotations

import pytest

from deskhand.findings import Finding, as_usual, pairs_as_usual


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


@pytest.mark.source("common practice, no source: electronic drums and many stage pianos send mono to both outputs")
@pytest.mark.parametrize(
    ("before", "mono", "after"),
    [
        pytest.param("listen", 1.0, "note", id="always-mono"),
        pytest.param("listen", 0.2, "listen", id="mono-now-and-then"),
        pytest.param("note", 0.0, "listen", id="always-stereo-before"),
    ],
)
def test_one_signal_on_both_sides_is_weighed_by_the_kept_weeks(before: str, mono: float, after: str) -> None:
    same = Finding(id="keys/duplicate", kind="duplicate", stage="tap", severity=before, what="sides")  # type: ignore[arg-type]
    of_two_inputs = Finding(
        id="pad/duplicate", kind="duplicate", stage="tap", severity="fix", what="tracks", other="keys"
    )
    told = pairs_as_usual(
        {"keys": [same], "pad": [of_two_inputs], "bass": [same]}, mono={"keys": mono, "pad": mono}, late={}
    )
    assert told["keys"][0].severity == after
    assert told["pad"] == [of_two_inputs]
    assert told["bass"][0].severity == before


@pytest.mark.source("common practice, no source: what was never late and is late tonight was patched otherwise")
@pytest.mark.parametrize(
    ("late", "after"),
    [
        pytest.param({"keys": 0.0}, "listen", id="never-late-before"),
        pytest.param({"keys": 0.4}, "note", id="late-now-and-then"),
        pytest.param({}, "note", id="nothing-known"),
    ],
)
def test_a_late_side_is_weighed_by_the_kept_weeks(late: dict[str, float], after: str) -> None:
    delay = Finding(id="keys/delay", kind="delay", stage="tap", severity="note", what="late")
    assert pairs_as_usual({"keys": [delay]}, mono={}, late=late)["keys"][0].severity == after
