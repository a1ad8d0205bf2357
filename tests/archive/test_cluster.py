"""Orders given to a Dask cluster: each comes back, and each show is written once, also when workers and the scheduler are killed."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from deskhand.archive import cluster as cluster_orders
from deskhand.archive.cluster import outcomes_of_cluster
from deskhand.archive.order import ShowOrder
from deskhand.errors import UsageError
from tests.support.clusters import cluster
from tests.support.made_up_checks import READINGS, SOURCES, made_up_check, prepare, slow_made_up_check

distributed = pytest.importorskip("distributed")
scheduler_notes = pytest.importorskip("deskhand.archive.scheduler_notes")
# sockets and loops that Dask closes in its own time
pytestmark = pytest.mark.filterwarnings(
    "ignore::ResourceWarning", "ignore::DeprecationWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)


def orders(folder: Path, count: int) -> list[ShowOrder]:
    prepare(folder)
    return [ShowOrder(path=str(folder / f"show-{number}"), name=f"show-{number}", by="Ana") for number in range(count)]


def shows_in_store(folder: Path) -> dict[str, int]:
    connection = sqlite3.connect(folder / READINGS)
    try:
        return dict(connection.execute("SELECT show, count(*) FROM reading GROUP BY show").fetchall())
    finally:
        connection.close()


def test_each_order_comes_back_once_and_the_scheduler_notes_no_end_of_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scheduler_notes, "_MOST_NOTES", 10)
    monkeypatch.setattr(scheduler_notes, "_MOST_NAMES", 10)
    given = orders(tmp_path, 50)
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        dashboard_address="127.0.0.1:0",
        protocol="tcp",
        host="127.0.0.1",
    ) as local:
        outcomes = list(outcomes_of_cluster(iter(given), scheduler=local.scheduler_address, check=made_up_check))
        spans = local.scheduler.extensions["spans"].spans.values()
        notes = sum(len(span.metadata["collections"]) for span in spans)
    # one of each order without the plugin; what was added last is cut with the next
    assert 0 < notes <= 11
    # worker and command are in the same process here, and remember a few of their own meanwhile
    assert scheduler_notes.key_split.cache_info().currsize < 40
    assert sorted(outcome.path for outcome in outcomes) == sorted(order.path for order in given)
    assert shows_in_store(tmp_path) == {order.name: SOURCES for order in given}


def test_a_scheduler_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(cluster_orders, "_GONE_S", 0.0)
    monkeypatch.setattr(cluster_orders, "_ANSWER_S", 0.2)
    with pytest.raises(UsageError, match=r"--scheduler tcp://127.0.0.1:1: does not answer .*; start it"):
        list(outcomes_of_cluster(iter(orders(tmp_path, 1)), scheduler="tcp://127.0.0.1:1", check=made_up_check))


def test_workers_and_a_scheduler_that_are_killed_lose_nothing(tmp_path: Path) -> None:
    given = orders(tmp_path, 200)
    paths: list[str] = []
    with cluster(tmp_path, workers=2) as running:
        for outcome in outcomes_of_cluster(iter(given), scheduler=running.address, check=slow_made_up_check):
            assert outcome.progress == "checked"
            paths.append(outcome.path)
            if len(paths) in (20, 60, 140):
                running.kill_worker(0)
            if len(paths) == 100:
                running.kill_scheduler()
    assert sorted(set(paths)) == sorted(order.path for order in given)
    assert len(paths) == len(given)
    assert shows_in_store(tmp_path) == {order.name: SOURCES for order in given}
