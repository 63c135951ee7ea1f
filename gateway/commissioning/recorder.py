"""A recorder between a Modbus TCP client and its device: passes reads on, keeps every frame, refuses anything else."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime

from gateway.commissioning.capture import Direction, Frame, MbapSplitter, is_read, read_request_frame
from gateway.commissioning.connections import Connections
from gateway.process.tasks import end

__all__ = ["Recorder", "recording"]

_CONNECT_S = 3.0
_CHUNK = 65_536
_ILLEGAL_FUNCTION = 1
_EXCEPTION_BIT = 0x80

_Side = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class Recorder:
    """Made by `recording`."""

    def __init__(self, host: str, port: int, keep: Callable[[Frame], None], now: Callable[[], datetime]) -> None:
        self._device = (host, port)
        self._keep = keep
        self._now = now
        self._connections = 0
        self.clients = Connections(self._serve)
        self.unreachable: str | None = None
        """Why the device could not be reached when a client last came; None when it could."""
        self.losses: Counter[str] = Counter()
        """What ended connections though neither side had closed them, and how often; and what was never whole."""

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._connections += 1
        number = self._connections
        try:
            async with asyncio.timeout(_CONNECT_S):
                device = await asyncio.open_connection(*self._device)
        except (OSError, UnicodeError) as error:  # TimeoutError is one; UnicodeError: no name that a machine can have
            self.unreachable = str(error) or f"no connection within {_CONNECT_S:g} s"
            return
        self.unreachable = None
        try:
            await self._pass_on(number, (reader, writer), device)
        finally:
            device[1].transport.abort()

    async def _pass_on(self, number: int, client: _Side, device: _Side) -> None:
        """Until one of the two ways has ended, however."""
        ways = [
            asyncio.create_task(self._requests(number, client, device[1]), name=f"recorder {number} requests"),
            asyncio.create_task(self._answers(number, device[0], client[1]), name=f"recorder {number} answers"),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            await end(ways)
            faults = [fault for way in ways if not way.cancelled() and (fault := way.exception()) is not None]
            for fault in faults:
                if not isinstance(fault, _LostError):
                    raise fault
            # The first is the cause; the other way only ended with it.
            self.losses.update(str(fault) for fault in faults[:1])

    async def _requests(self, number: int, client: _Side, device: asyncio.StreamWriter) -> None:
        splitter = MbapSplitter()
        try:
            while data := await _read("client", client[0]):
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
                await _drain("device", device)
                await _drain("client", client[1])
        finally:
            self._tell_rest("client", splitter)

    async def _answers(self, number: int, device: asyncio.StreamReader, client: asyncio.StreamWriter) -> None:
        splitter = MbapSplitter()
        try:
            while data := await _read("device", device):
                # Kept first: what the client has had is in the file, whatever happens.
                for frame in splitter.feed(data):
                    self._keep(Frame(self._now(), number, Direction.ANSWER, frame))
                client.write(data)
                await _drain("client", client)
        finally:
            self._tell_rest("device", splitter)

    def _tell_rest(self, side: str, splitter: MbapSplitter) -> None:
        if splitter.waiting:
            self.losses[f"a frame of the {side} was never complete"] += 1


@asynccontextmanager
async def recording(
    device: tuple[str, int],
    listen: tuple[str, int],
    keep: Callable[[Frame], None],
    now: Callable[[], datetime],
) -> AsyncIterator[tuple[Recorder, int]]:
    """Listen until the block ends; gives the recorder and its port. `keep` gets every frame and must not block.

    Raises OSError when the address cannot be listened on, and at the end of the block what `keep` raised: nothing is
    passed on after it, and `recorder.clients.until` comes back.
    """
    recorder = Recorder(*device, keep, now)
    server = await asyncio.start_server(recorder.clients.accept, *listen)
    try:
        yield recorder, server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await recorder.clients.close()


class _LostError(Exception):
    """A connection was lost on one side: nothing that we could have done."""


async def _read(side: str, reader: asyncio.StreamReader) -> bytes:
    try:
        return await reader.read(_CHUNK)
    except OSError as error:
        raise _lost(side, error) from error


async def _drain(side: str, writer: asyncio.StreamWriter) -> None:
    try:
        await writer.drain()
    except OSError as error:
        raise _lost(side, error) from error


def _lost(side: str, error: OSError) -> _LostError:
    return _LostError(f"the connection to the {side} was lost: {(error.strerror or str(error)).lower()}")


def _refusal(frame: bytes) -> bytes:
    """Exception 1, illegal function, to this request."""
    return frame[:4] + b"\0\x03" + frame[6:7] + bytes([frame[7] | _EXCEPTION_BIT, _ILLEGAL_FUNCTION])
