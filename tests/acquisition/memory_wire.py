"""A transport that goes nowhere: a connection is fed bytes and its requests are read off, without a socket."""

import asyncio
from collections.abc import Callable

from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.modbus_tcp import MbapConnection
from gateway.acquisition.links.transaction_numbers import TransactionNumbers

BEFORE = 4


class MemoryTransport(asyncio.Transport):
    def __init__(self, protocol: asyncio.Protocol, on_write: Callable[[bytes], None]) -> None:
        super().__init__()
        self._protocol = protocol
        self._on_write = on_write
        self._aborted = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        assert not self._aborted
        self._on_write(bytes(data))

    def abort(self) -> None:
        if not self._aborted:
            self._aborted = True
            asyncio.get_running_loop().call_soon(self._protocol.connection_lost, None)


def connected(on_write: Callable[[bytes], None], counters: LinkCounters) -> MbapConnection:
    """A connection whose requests go to `on_write`, numbered from 1 after a few that went over another connection.

    Must be called on a running loop.
    """
    numbers = TransactionNumbers(1 - BEFORE)
    for _ in range(BEFORE):
        numbers.answered(numbers.next())
    connection = MbapConnection(asyncio.get_running_loop(), counters, numbers)
    connection.connection_made(MemoryTransport(connection, on_write))
    return connection
