"""A gate whose people are in a folder of the test."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.web.access.gate import Gate


@pytest.fixture
def gate(tmp_path: Path) -> Iterator[Gate]:
    made = Gate(tmp_path)
    yield made
    made.end()
