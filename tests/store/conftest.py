"""A PostgreSQL server that the tests of this folder share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.postgres import running

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.support.postgres import Server


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    with running() as made:
        yield made
