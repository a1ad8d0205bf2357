"""Ten years of weekly shows of 32 sources in the history: how long keeping, loading a reference and `history` take.

As a ratio: the same readings of one reference read with Python's own sqlite3 by one plain query. Printed, never asserted.
"""

from __future__ import annotations

import sqlite3
import tempfile
import time
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.kept import against, drifts, load
from deskhand.demo.season import ShowPlan, make_show
from deskhand.demo.venue import house_text
from deskhand.house import parse_house
from deskhand.store import KeptTake
from deskhand.store.history import open_history
from deskhand.tasks.check import check
from deskhand.tasks.keep import weeks

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.store import KeptPart

WEEKS: Final = 520
SOURCES: Final = 32


def _timed(what: str, run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    seconds = time.perf_counter() - start
    print(f"{what}: {seconds:.2f} s", flush=True)
    return seconds


def _week(parts: list[KeptPart], rng: np.random.Generator, names: dict[str, str]) -> list[KeptPart]:
    out = []
    for part in parts:
        values = {name: (value + float(rng.normal(0, 0.3)), pm) for name, (value, pm) in part.values.items()}
        out += [replace(part, values=values), replace(part, source=names[part.source], values=values)]
    return out


def main() -> None:
    """Build it and time it."""
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "house.toml").write_text(house_text(), "utf-8")
        plan = ShowPlan(name="show", date="2026-03-01", seed=5, length_s=30.0)
        make_show(folder / "show", plan)
        parts = check(folder / "show").parts
        sources = list(dict.fromkeys(part.source for part in parts if part.stage == "tap"))
        names = {part.source: f"{part.source} of the second stage" for part in parts}
        place = folder / "history.sqlite"
        url = f"sqlite:///{place}"
        history = open_history(url, create=True)
        assert history is not None
        total, slowest = 0.0, 0.0
        for week in range(WEEKS):
            day = date(2016, 1, 3) + timedelta(weeks=week)
            take = KeptTake(
                house="Tern Street Hall", show=f"week {week}", date=day.isoformat(), phase="rehearsal", duration_s=600.0,
                sample_rate_hz=48000, recording="show", house_hash="0", deskhand="0", kept_by="benchmark",
                parts=_week(parts, rng, names),
            )  # fmt: skip
            start = time.perf_counter()
            history.keep(take)
            total += time.perf_counter() - start
            slowest = max(slowest, time.perf_counter() - start)
        print(f"{WEEKS} takes of {2 * len(sources)} sources: {place.stat().st_size / 1e6:.0f} MB; "
              f"keeping one: {total / WEEKS:.3f} s, slowest {slowest:.3f} s")  # fmt: skip
        kept = load(url, house="Tern Street Hall", phase="rehearsal", show=("now", None))
        assert kept is not None
        loading = _timed(
            "loading the reference (newest 60 takes)",
            lambda: load(url, house="Tern Street Hall", phase="rehearsal", show=("now", None)),
        )
        now = _week(parts, rng, names)
        taps = {part.source: part.tap for part in now}
        chains = {part.source: part.chain for part in now if part.stage == "after"}
        reference, _ = against(kept, now, taps=taps, chains=chains)
        _timed("setting a take of all sources against it", lambda: against(kept, now, taps=taps, chains=chains))
        _timed("looking for drift", lambda: drifts(reference, now))
        house = parse_house(house_text(), folder / "house.toml")
        _timed("history, all sources", lambda: weeks(history, house, source=None, phase="rehearsal"))
        _timed("history, one source, ten years", lambda: weeks(history, house, source="guitar a", phase="rehearsal"))
        connection = sqlite3.connect(place)
        plain = _timed(
            "plain sqlite3, the same readings",
            lambda: connection.execute(
                "SELECT p.*, v.metric, v.value, v.pm FROM part p JOIN value v ON v.part_id = p.id WHERE p.take_id > ? AND "
                "(v.metric LIKE 'tone_db.%' OR v.metric IN ('articulation_db', 'tail_s', 'width_db', 'balance_db', 'crest_db', "
                "'harsh_sone', 'loudness_sone', 'share', 'level_dbfs', 'mono_loss_db'))",
                (WEEKS - 60,),
            ).fetchall(),
        )
        print(f"loading against plain sqlite3: {loading / plain:.1f} times")


if __name__ == "__main__":
    main()
