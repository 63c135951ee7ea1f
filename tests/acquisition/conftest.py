"""The link, and lines with their faults, are tried on both event loops that the gateway may run on; what depends on
time, on one whose time is the test's own."""

import asyncio
from collections.abc import Callable

import pytest

from tests.acquisition.virtual_loop import VirtualLoop
from tests.support.loop_checks import CheckedUvloop

ON_VIRTUAL_TIME = frozenset({"test_half_duplex.py", "test_in_step.py"})
ON_SOCKETS = frozenset(
    {"test_modbus_tcp.py", "test_line_faults.py", "test_modbus_rtu.py", "test_serial_port.py", "test_modbus_tls.py"}
    | {"test_standby.py", "test_foreign_serial_peers.py", "test_several.py"}
)


def pytest_asyncio_loop_factories(item: pytest.Item) -> dict[str, Callable[[], asyncio.AbstractEventLoop]]:
    if item.path.name in ON_VIRTUAL_TIME:
        return {"virtual": VirtualLoop}
    # The other foreign server runs on the test's own loop, and only on that of asyncio.
    if item.path.name in ON_SOCKETS or "libmodbus_port" in getattr(item, "fixturenames", ()):
        return {"asyncio": asyncio.new_event_loop, "uvloop": CheckedUvloop}
    return {"asyncio": asyncio.new_event_loop}
