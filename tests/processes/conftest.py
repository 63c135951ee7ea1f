"""What the processes of these tests live among: two instruments, a broker, a site, a pipe for their log."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.processes.gateway_process import Instruments, write_site
from tests.processes.pipe import Pipe
from tests.support.mosquitto import Mosquitto


@pytest.fixture
def yard() -> Iterator[list[Instruments]]:
    """Two servers, each with an instrument of its own."""
    with Instruments(5000) as first, Instruments(7000) as second:
        yield [first, second]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, verbose=False) as mosquitto:
        yield mosquitto


@pytest.fixture
def site(tmp_path: Path, yard: list[Instruments], broker: Mosquitto) -> Path:
    return write_site(tmp_path, yard, broker=broker.port)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.close()
