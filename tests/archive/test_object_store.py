"""Shows of an object store, read by a client that others wrote from a server of the tests' own.

In order: the same results as from a disk, once; a show whose content changed, and a server that went away; a long file.
"""

from __future__ import annotations

import os
import tempfile
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.archive.remote import _PIECE_BYTES, brought_here
from tests.support.command import run
from tests.support.object_store import served

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.support.object_store import ObjectStore

obstore = pytest.importorskip("obstore.fsspec")
fsspec = pytest.importorskip("fsspec")


@pytest.fixture
def store(archive_folder: Path) -> Iterator[ObjectStore]:
    """The small archive as a bucket, which `s3://` addresses reach."""
    registered = dict(fsspec.registry)
    with served(archive_folder, bucket="hall") as made:
        obstore.register("s3")
        fsspec.config.conf["s3"] = {
            "config": {"aws_endpoint": made.address, "aws_access_key_id": "ana", "aws_secret_access_key": "tern", "aws_region": "here"},
            "client_options": {"allow_http": True},
            "retry_config": {"max_retries": 1, "retry_timeout": timedelta(seconds=1)},
        }  # fmt: skip
        try:
            yield made
        finally:
            del fsspec.config.conf["s3"]
            fsspec.registry._registry.clear() if hasattr(fsspec.registry, "_registry") else None
            for name, kind in registered.items():
                fsspec.register_implementation(name, kind, clobber=True)


def test_it_is_checked_once_as_from_a_disk(store: ObjectStore, archive_folder: Path, tmp_path: Path) -> None:
    own = f"deskhand-*-{os.getpid()}-*/"
    before = set(Path(tempfile.gettempdir()).glob(own))
    url = f"sqlite:///{tmp_path / 'far.sqlite'}"
    far = ("archive", "s3://hall/2025", "--results", tmp_path / "far", "--history", url)
    done = run(*far)
    assert "3 shows: 3 checked." in done.stdout, done.output
    assert "1 kept" in done.stdout
    assert any(request.startswith("GET bytes") for request in store.requests)
    store.requests.clear()
    assert "3 checked before" in run(*far).stdout
    # known by its listing: nothing of it is read again
    assert not any(request.startswith("GET bytes") for request in store.requests)
    run("archive", archive_folder / "2025", "--results", tmp_path / "near")
    results = [path for path in (tmp_path / "near").rglob("*-check.json") if ".deskhand" not in path.parts]
    assert len(results) == 3
    for path in results:
        assert path.read_bytes() == (tmp_path / "far" / path.relative_to(tmp_path / "near")).read_bytes()
    # no copy is left
    assert set(Path(tempfile.gettempdir()).glob(own)) <= before


def test_a_change_is_seen_and_a_server_that_went_away_is_told(
    store: ObjectStore, archive_folder: Path, tmp_path: Path
) -> None:
    """The length stays, and so does the time that the store tells: its tag is another."""
    far = (
        "archive",
        "s3://hall/2025/show 2",
        "--results",
        tmp_path / "far",
        "--history",
        f"sqlite:///{tmp_path / 'far.sqlite'}",
    )
    assert "1 checked" in run(*far).stdout
    track = next((archive_folder / "2025" / "show 2").glob("*.wav"))
    data = bytearray(track.read_bytes())
    data[-1] ^= 1
    track.write_bytes(data)
    again = run(*far)
    assert "1 shows: 1 checked." in again.stdout, again.output
    store.bucket = "gone"
    refused = run(*far)
    assert refused.exit_code == 2
    assert refused.stderr.count("\n") == 1
    assert "s3://hall/2025/show 2: " in refused.stderr


def test_a_long_file_comes_in_pieces(store: ObjectStore, archive_folder: Path, rng: np.random.Generator) -> None:
    data = rng.bytes(3 * _PIECE_BYTES // 2)
    (archive_folder / "long").mkdir()
    (archive_folder / "long" / "gtr.wav").write_bytes(data)
    with brought_here("s3://hall/long") as path:
        assert (path / "gtr.wav").read_bytes() == data
        assert (path.parent / "house.toml").is_file()
    lengths = [_length(request) for request in store.requests if request.startswith("GET bytes")]
    assert max(lengths) <= _PIECE_BYTES < sum(lengths)


def _length(request: str) -> int:
    first, _, last = request.removeprefix("GET bytes=").partition("-")
    return int(last) - int(first) + 1
