from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.commands.panel import Panel, open_panel
from tests.support.wire import WireRecorder


@pytest.fixture
def panel(tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]) -> Iterator[Panel]:
    """Ten simulated tanks and a site file that leads to them; every byte sent to them is judged."""
    with open_panel(tmp_path, wire_recorder) as opened:
        yield opened


@pytest.fixture(autouse=True)
def no_gateway_by_default(monkeypatch: pytest.MonkeyPatch) -> None:
    """What other tests run at the usual address of a gateway meanwhile must not be asked about the lines of these."""
    monkeypatch.setattr("gateway.commands.technician.line_guard.DEFAULT_ADDRESS", "127.0.0.1:1")
