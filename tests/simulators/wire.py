"""A bare Modbus TCP client for the tests: bytes out, bytes in, nothing interpreted for it."""

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

__all__ = ["PATIENCE_S", "Wire", "eventually", "frame", "read_request", "wire_to"]

PATIENCE_S = 5.0
"""Longest wait for what must come."""


def frame(transaction: int, unit: int, pdu: bytes) -> bytes:
    """One Modbus TCP frame."""
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def read_request(transaction: int, unit: int, function: int, start: int, count: int) -> bytes:
    """A frame that reads registers or bits."""
    return frame(transaction, unit, struct.pack(">BHH", function, start, count))


class Wire:
    """One connection."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    def send(self, data: bytes) -> None:
        """Put bytes on the wire."""
        self.writer.write(data)

    async def frame(self) -> bytes:
        """The next frame, by the length in its header."""
        async with asyncio.timeout(PATIENCE_S):
            header = await self.reader.readexactly(6)
            return header + await self.reader.readexactly(struct.unpack(">H", header[4:])[0])

    async def rest(self) -> bytes:
        """Everything until the other side closes."""
        async with asyncio.timeout(PATIENCE_S):
            try:
                return await self.reader.read(-1)
            except ConnectionResetError:
                return b""

    async def ask(self, unit: int, function: int, start: int, count: int) -> bytes:
        """One request; the reply's PDU."""
        self.send(read_request(7, unit, function, start, count))
        reply = await self.frame()
        assert reply[:4] == b"\x00\x07\x00\x00"
        assert reply[6] == unit
        return reply[7:]


@asynccontextmanager
async def wire_to(address: tuple[str, int]) -> AsyncIterator[Wire]:
    """A connection to a line, closed afterwards."""
    async with asyncio.timeout(PATIENCE_S):
        reader, writer = await asyncio.open_connection(*address)
    try:
        yield Wire(reader, writer)
    finally:
        writer.close()
        with suppress(ConnectionError):
            async with asyncio.timeout(PATIENCE_S):
                await writer.wait_closed()


async def eventually(condition: Callable[[], object]) -> None:
    """Wait for something that sends no event, such as a full socket buffer."""
    step_s = 0.002
    for _ in range(int(PATIENCE_S / step_s)):
        if condition():
            return
        await asyncio.sleep(step_s)
    raise AssertionError("what was waited for did not come")
