"""A serial bus that two masters are on: what each of them and the devices send, all of them hear.

The gateway's end is a pseudo terminal of its own; the devices are those of a simulated serial line.
"""

import asyncio
import os
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.support.serial_wire import check_sum

__all__ = ["SharedBus", "shared_bus"]

_READ_INPUT_REGISTERS = 4
_QUIET_S = 0.04


class SharedBus:
    def __init__(self, gateway: int, devices: int) -> None:
        self._gateway = gateway
        self._devices = devices
        self._loop = asyncio.get_running_loop()
        self._heard_s = self._loop.time()
        self._loop.add_reader(gateway, self._pass_on, gateway, devices)
        self._loop.add_reader(devices, self._pass_on, devices, gateway)

    async def other_master_asks(self, unit: int, address: int, count: int) -> None:
        """A laptop reads registers of a device once the bus is quiet: the gateway hears the request, and the answer."""
        while self._loop.time() - self._heard_s < _QUIET_S:  # noqa: ASYNC110 (quiet is that nothing happens)
            await asyncio.sleep(_QUIET_S / 4.0)
        request = bytes((unit, _READ_INPUT_REGISTERS)) + address.to_bytes(2, "big") + count.to_bytes(2, "big")
        self._heard_s = self._loop.time()
        frame = request + check_sum(request).to_bytes(2, "little")
        os.write(self._gateway, frame)
        os.write(self._devices, frame)

    def close(self) -> None:
        for descriptor in (self._gateway, self._devices):
            self._loop.remove_reader(descriptor)

    def _pass_on(self, origin: int, target: int) -> None:
        self._heard_s = self._loop.time()
        os.write(target, os.read(origin, 4096))


@contextmanager
def shared_bus(gateway_path: Path, devices_path: Path) -> Iterator[SharedBus]:
    """Between the gateway, which opens `gateway_path`, and the simulated line whose client's end is `devices_path`."""
    ours, port = os.openpty()
    devices = os.open(devices_path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    for terminal in (port, devices):
        tty.setraw(terminal)
    gateway_path.symlink_to(os.ttyname(port))
    bus = SharedBus(ours, devices)
    try:
        yield bus
    finally:
        bus.close()
        for descriptor in (ours, port, devices):
            os.close(descriptor)
