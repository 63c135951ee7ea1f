"""A PostgreSQL server for all tests that do not harm it, and a disk in memory."""

import os
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.support.postgres import Postgres


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """Each test makes a database of its own in it."""
    with Postgres() as server:
        yield server


@pytest.fixture
def memory_path(tmp_path: Path) -> Iterator[Path]:
    """A folder on a disk of which a sync costs nothing, where there is one: tests of syncs see to what they are for."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with TemporaryDirectory(dir=memory) as folder:
        yield Path(folder)
