"""Instruments on a serial line, written by hand, so that a test can make them answer anything at all.

Their line is a pseudo terminal, or a TCP connection as a converter gives it. Imports nothing of ours. What is sent to
them is judged here: eight bytes with a right check sum and a function that reads; anything else fails the test.
"""

import asyncio
import os
import tty
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import NamedTuple, Protocol

from pymodbus.framer.rtu import FramerRTU

from tests.support.wire import READ_FUNCTIONS, SESSION_LEDGER

REQUEST_SIZE = 8
REGISTER_FUNCTIONS = (3, 4)


class Asked(NamedTuple):
    unit: int
    function: int
    address: int
    size: int
    """How many registers or bits are asked for."""


def rtu(message: bytes) -> bytes:
    """A frame with its check sum, computed by a library."""
    return message + FramerRTU.compute_CRC(message).to_bytes(2, "big")


def values_of(asked: Asked) -> list[int]:
    """What a healthy unit holds: each register its unit times 1000 plus its address, each bit its address mod 3."""
    if asked.function in REGISTER_FUNCTIONS:
        return [asked.unit * 1000 + asked.address + place for place in range(asked.size)]
    return [int((asked.address + place) % 3 == 0) for place in range(asked.size)]


def answer(asked: Asked, values: list[int] | None = None) -> bytes:
    """The regular answer as an RTU frame."""
    values = values_of(asked) if values is None else values
    if asked.function in REGISTER_FUNCTIONS:
        body = b"".join(value.to_bytes(2) for value in values)
    else:
        body = sum(bit << place for place, bit in enumerate(values)).to_bytes((len(values) + 7) // 8, "little")
    return rtu(bytes([asked.unit, asked.function, len(body)]) + body)


class Wire(Protocol):
    def send(self, data: bytes) -> None: ...


Handler = Callable[[Asked, Wire], Awaitable[None]]


async def healthy(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked))


class WirePeer:
    """Gets bytes, finds requests in them and has `handler`, which may be exchanged, answer each in a task."""

    def __init__(self, handler: Handler) -> None:
        self.handler = handler
        self.asked: list[Asked] = []
        self.violations: list[str] = []
        self.functions: Counter[int] = Counter()
        self._buffer = b""
        self._tasks: set[asyncio.Task[None]] = set()
        self._news = asyncio.Event()

    def take(self, data: bytes, wire: Wire) -> None:
        self._buffer += data
        while len(self._buffer) >= REQUEST_SIZE:
            frame, self._buffer = self._buffer[:REQUEST_SIZE], self._buffer[REQUEST_SIZE:]
            self.functions[frame[1]] += 1
            if rtu(frame[:6]) != frame or frame[1] not in READ_FUNCTIONS:
                self.violations.append(f"{frame.hex(' ')} is no read request")
            asked = Asked(frame[0], frame[1], int.from_bytes(frame[2:4]), int.from_bytes(frame[4:6]))
            self.asked.append(asked)
            self._news.set()
            task = asyncio.get_running_loop().create_task(self._handle(asked, wire))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def seen(self, requests: int) -> None:
        """Waits until so many requests have come in."""
        while len(self.asked) < requests:
            self._news.clear()
            await self._news.wait()

    async def stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._buffer:
            self.violations.append(f"{self._buffer.hex(' ')} is no whole request")
        SESSION_LEDGER.add(dict(self.functions), self.violations)
        assert not self.violations, self.violations

    async def _handle(self, asked: Asked, wire: Wire) -> None:
        with suppress(OSError):  # the test took the line away
            await self.handler(asked, wire)


class PtyLine:
    """The far end of a pseudo terminal whose near end is called `path`, as a serial port is."""

    def __init__(self, path: Path, peer: WirePeer) -> None:
        self._path = path
        self._peer = peer
        self._far, near = os.openpty()
        tty.setraw(near)
        path.symlink_to(os.ttyname(near))
        os.set_blocking(self._far, False)
        self._near = near
        asyncio.get_running_loop().add_reader(self._far, self._readable)

    def send(self, data: bytes) -> None:
        os.write(self._far, data)

    def unplug(self) -> None:
        """Both ends and the name go away. Doing it twice does no harm."""
        if self._far < 0:
            return
        asyncio.get_running_loop().remove_reader(self._far)
        os.close(self._near)
        os.close(self._far)
        self._far = -1
        self._path.unlink()

    def _readable(self) -> None:
        with suppress(BlockingIOError):
            self._peer.take(os.read(self._far, 4096), self)


class TcpWire:
    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self._writer = writer

    def send(self, data: bytes) -> None:
        self._writer.write(data)


@asynccontextmanager
async def on_a_pty(path: Path, handler: Handler = healthy) -> AsyncIterator[tuple[WirePeer, PtyLine]]:
    peer = WirePeer(handler)
    line = PtyLine(path, peer)
    try:
        yield peer, line
    finally:
        line.unplug()
        await peer.stop()


@asynccontextmanager
async def behind_a_converter(handler: Handler = healthy) -> AsyncIterator[tuple[WirePeer, int]]:
    """The peer and its TCP port."""
    peer = WirePeer(handler)
    writers: set[asyncio.StreamWriter] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.add(writer)
        wire = TcpWire(writer)
        try:
            with suppress(OSError):
                while data := await reader.read(4096):
                    peer.take(data, wire)
        finally:
            writers.discard(writer)
            writer.transport.abort()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield peer, server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for writer in writers:
            writer.transport.abort()
        await server.wait_closed()
        await peer.stop()
