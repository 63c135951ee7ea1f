"""A PostgreSQL server for all tests that do not harm it."""

from collections.abc import Iterator

import pytest

from tests.support.postgres import Postgres


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """Each test makes a database of its own in it."""
    with Postgres() as server:
        yield server
