"""A recorder between a Modbus TCP client and its device: passes reads on, keeps every frame, refuses anything else."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import datetime

from gateway.commissioning.capture import Direction, Frame, MbapSplitter, is_read, read_request_frame

__all__ = ["Recorder", "recording"]

_CONNECT_S = 3.0
_CHUNK = 65_536
_ILLEGAL_FUNCTION = 1
_EXCEPTION_BIT = 0x80


class Recorder:
    """Made by `recording`."""

    def __init__(self, host: str, port: int, keep: Callable[[Frame], None], now: Callable[[], datetime]) -> None:
        self._device = (host, port)
        self._keep = keep
        self._now = now
        self._connections = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self.unreachable: str | None = None
        """Why the device could not be reached when a client last came; None when it could."""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One client, until either side ends."""
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._connections += 1
        number = self._connections
        try:
            async with asyncio.timeout(_CONNECT_S):
                device_reader, device_writer = await asyncio.open_connection(*self._device)
        except OSError as error:  # TimeoutError is one
            self.unreachable = str(error) or f"no connection within {_CONNECT_S:g} s"
            writer.transport.abort()
            self._tasks.discard(task)
            return
        self.unreachable = None
        try:
            await self._pass_on(number, (reader, writer), (device_reader, device_writer))
        finally:
            writer.transport.abort()
            device_writer.transport.abort()
            self._tasks.discard(task)

    async def stop(self) -> None:
        """End every connection."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=_CONNECT_S)

    async def _pass_on(
        self,
        number: int,
        client: tuple[asyncio.StreamReader, asyncio.StreamWriter],
        device: tuple[asyncio.StreamReader, asyncio.StreamWriter],
    ) -> None:
        ways = [
            asyncio.create_task(self._requests(number, client, device[1]), name=f"recorder {number} requests"),
            asyncio.create_task(self._answers(number, device[0], client[1]), name=f"recorder {number} answers"),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)

    async def _requests(
        self, number: int, client: tuple[asyncio.StreamReader, asyncio.StreamWriter], device: asyncio.StreamWriter
    ) -> None:
        splitter = MbapSplitter()
        with suppress(ConnectionError):
            while data := await client[0].read(_CHUNK):
                for frame in splitter.feed(data):
                    if splitter.broken:
                        # What cannot be read cannot be shown to be a read.
                        self._keep(Frame(self._now(), number, Direction.REFUSED, frame))
                        return
                    if is_read(frame):
                        self._keep(Frame(self._now(), number, Direction.REQUEST, frame))
                        device.write(read_request_frame(frame))
                    else:
                        self._keep(Frame(self._now(), number, Direction.REFUSED, frame))
                        client[1].write(_refusal(frame))
                await device.drain()

    async def _answers(self, number: int, device: asyncio.StreamReader, client: asyncio.StreamWriter) -> None:
        splitter = MbapSplitter()
        with suppress(ConnectionError):
            while data := await device.read(_CHUNK):
                client.write(data)
                for frame in splitter.feed(data):
                    self._keep(Frame(self._now(), number, Direction.ANSWER, frame))
                await client.drain()


@asynccontextmanager
async def recording(
    device: tuple[str, int],
    listen: tuple[str, int],
    keep: Callable[[Frame], None],
    now: Callable[[], datetime],
) -> AsyncIterator[tuple[Recorder, int]]:
    """Listen until the block ends; gives the recorder and its port. `keep` gets every frame and must not block.

    Raises OSError when the address cannot be listened on.
    """
    recorder = Recorder(*device, keep, now)
    server = await asyncio.start_server(recorder.serve, *listen)
    try:
        yield recorder, server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await recorder.stop()


def _refusal(frame: bytes) -> bytes:
    """Exception 1, illegal function, to this request."""
    return frame[:4] + b"\0\x03" + frame[6:7] + bytes([frame[7] | _EXCEPTION_BIT, _ILLEGAL_FUNCTION])
