"""The servers of the tools: what goes wrong in one of their connections ends them, and is told."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from gateway.commissioning.capture import Direction, Exchange, Frame
from gateway.commissioning.connections import Connections
from gateway.commissioning.recorder import recording
from gateway.commissioning.replay import replaying

REQUEST = bytes.fromhex("000100000006010300000001")
ANSWER = bytes.fromhex("00010000000501030204d2")
WAIT_S = 20.0


class FaultError(Exception):
    """Of our own, which no peer can bring about."""


def failing_at(direction: Direction, kept: list[Frame]) -> Callable[[Frame], None]:
    def keep(frame: Frame) -> None:
        if frame.direction is direction:
            raise FaultError
        kept.append(frame)

    return keep


async def ask_and_wait(port: int, connections: Connections, heard: bytearray) -> None:
    """Nobody asks for the end, and it comes all the same. What the client heard is looked at when all is over: what is
    raised here gives way to the fault that is waited for."""
    async with asyncio.timeout(WAIT_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            writer.write(REQUEST)
            heard += await reader.read()
        finally:
            writer.close()
        await connections.until(asyncio.Event())


@pytest.mark.parametrize(("direction", "asked"), [(Direction.REQUEST, b""), (Direction.ANSWER, REQUEST)])
async def test_what_cannot_be_kept_is_not_passed_on(direction: Direction, asked: bytes) -> None:
    asked_of_device, answered = bytearray(), bytearray()

    async def device(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(100):
            asked_of_device.extend(data)
            writer.write(ANSWER)
        writer.close()

    kept: list[Frame] = []
    device_server = await asyncio.start_server(device, "127.0.0.1", 0)
    place = device_server.sockets[0].getsockname()[:2]

    async def record() -> None:
        keep = failing_at(direction, kept)
        async with recording(place, ("127.0.0.1", 0), keep, lambda: datetime.now(UTC)) as (recorder, port):
            await ask_and_wait(port, recorder.clients, answered)

    async with device_server:
        with pytest.raises(FaultError):
            await record()
    assert (bytes(asked_of_device), bytes(answered)) == (asked, b"")
    assert [frame.data for frame in kept] == ([asked] if asked else [])


async def test_an_answer_that_cannot_be_given_is_told() -> None:
    answered = bytearray()
    too_long = {(1, REQUEST[7:]): [Exchange(b"\3" * 70_000, 0.0)]}

    async def replay() -> None:
        async with replaying(too_long, ("127.0.0.1", 0)) as (server, port):
            await ask_and_wait(port, server.clients, answered)

    with pytest.raises(OverflowError):
        await replay()
    assert answered == b""


async def test_an_end_that_was_asked_for_is_no_fault() -> None:
    began = asyncio.Event()

    async def serve(_reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
        began.set()
        await asyncio.Event().wait()

    connections = Connections(serve)
    server = await asyncio.start_server(connections.accept, "127.0.0.1", 0)
    async with asyncio.timeout(WAIT_S), server:
        _, writer = await asyncio.open_connection(*server.sockets[0].getsockname()[:2])
        await began.wait()
        await connections.until(began)
        await connections.close()
        writer.close()
