"""A Modbus TCP server written by hand, so that a test can make it answer anything at all. Imports nothing of ours.

What is sent to it is judged: anything but a read of one of the four tables fails the test.
"""

import asyncio
import struct
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from typing import NamedTuple

from tests.support.wire import READ_FUNCTIONS, SESSION_LEDGER

REGISTER_FUNCTIONS = (3, 4)


class Request(NamedTuple):
    transaction: int
    protocol: int
    length: int
    unit: int
    function: int
    address: int
    size: int
    """How many registers or bits are asked for."""


def adu(transaction: int, unit: int, pdu: bytes, protocol: int = 0, length: int | None = None) -> bytes:
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


def answer_pdu(request: Request, values: Sequence[int]) -> bytes:
    """The regular answer: registers big-endian, bits from the least significant of the first byte on."""
    if request.function in REGISTER_FUNCTIONS:
        body = b"".join(value.to_bytes(2) for value in values)
    else:
        packed = sum(bit << place for place, bit in enumerate(values))
        body = packed.to_bytes((len(values) + 7) // 8, "little")
    return bytes([request.function, len(body)]) + body


def values_of(request: Request) -> list[int]:
    """What the healthy peer holds: each register its unit times 1000 plus its address, each bit its address mod 3."""
    if request.function in REGISTER_FUNCTIONS:
        return [request.unit * 1000 + request.address + place for place in range(request.size)]
    return [int((request.address + place) % 3 == 0) for place in range(request.size)]


def answer(request: Request, values: Sequence[int] | None = None) -> bytes:
    return adu(request.transaction, request.unit, answer_pdu(request, values_of(request) if values is None else values))


def exception(request: Request, code: int) -> bytes:
    return adu(request.transaction, request.unit, bytes([request.function | 0x80, code]))


Handler = Callable[[Request, asyncio.StreamWriter], Awaitable[None]]


async def healthy(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request))


class Peer:
    """Serves `handler`, which may be exchanged while it runs. Keeps every request it has seen."""

    def __init__(self, handler: Handler) -> None:
        self.handler = handler
        self.port = 0
        self.requests: list[Request] = []
        self.connections = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._news = asyncio.Event()

    async def start(self, port: int = 0) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for writer in self._writers:
            writer.transport.abort()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._server is not None:
            await self._server.wait_closed()
            self._server = None
        self.forget()

    async def seen(self, requests: int) -> None:
        """Waits until so many requests have come in."""
        while len(self.requests) < requests:
            self._news.clear()
            await self._news.wait()

    def forget(self) -> None:
        """Judges the requests that were kept, and keeps them no longer."""
        seen, self.requests = self.requests, []
        wrong = [
            f"{request} is no read request"
            for request in seen
            if request.protocol != 0 or request.length != 6 or request.function not in READ_FUNCTIONS
        ]
        SESSION_LEDGER.add(Counter(request.function for request in seen), wrong)
        assert not wrong, wrong

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._writers.add(writer)
        self.connections += 1
        try:
            with suppress(asyncio.IncompleteReadError, ConnectionError):
                while True:
                    request = Request(*struct.unpack(">HHHBBHH", await reader.readexactly(12)))
                    self.requests.append(request)
                    self._news.set()
                    await self.handler(request, writer)
        finally:
            self._tasks.discard(task)
            self._writers.discard(writer)
            writer.transport.abort()


@asynccontextmanager
async def peer(handler: Handler = healthy) -> AsyncIterator[Peer]:
    made = Peer(handler)
    await made.start()
    try:
        yield made
    finally:
        await made.stop()
