"""RTU on a real pseudo terminal and inside a real TCP connection: the I/O around what `test_half_duplex.py` tries.

Nothing here depends on how fast the machine is: what must be answered has all the time in the world, and what must not
is never answered at all.
"""

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress
from pathlib import Path
from typing import NamedTuple

import pytest

from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.quiet import Timing
from gateway.acquisition.links.serial_port import SerialChannel
from gateway.acquisition.links.tcp_channel import TcpChannel
from gateway.acquisition.links.transports import open_path
from gateway.acquisition.plan import FrameKind, SerialPath, TcpPath
from gateway.errors import DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.rtu_frame import RtuFraming
from gateway.modbus.tables import Table
from tests.acquisition.rtu_faults import FAULTS, echo_and_answer, silence, trickle
from tests.acquisition.wire_peer import (
    Asked,
    Handler,
    Wire,
    WirePeer,
    answer,
    behind_a_converter,
    healthy,
    on_a_pty,
    rtu,
)

LONG = 30.0
SHORT = 0.05
HOLDING = Table.HOLDING_REGISTERS
TIMING = Timing(silence_s=0.00175, quiet_shortest_s=0.02, quiet_longest_s=0.3)


class Bus(NamedTuple):
    link: HalfDuplexLink
    peer: WirePeer


@asynccontextmanager
async def serial_bus(folder: Path) -> AsyncIterator[Bus]:
    path = folder / "ttyUSB0"
    async with on_a_pty(path) as (peer, _):
        framing = RtuFraming()
        link = HalfDuplexLink(SerialChannel(SerialPath(str(path), 115_200), framing), framing, TIMING)
        await link.connect(LONG)
        try:
            yield Bus(link, peer)
        finally:
            await link.close()


@asynccontextmanager
async def tcp_bus(folder: Path) -> AsyncIterator[Bus]:
    async with behind_a_converter() as (peer, port):
        framing = RtuFraming()
        link = HalfDuplexLink(TcpChannel("127.0.0.1", port, framing), framing, TIMING)
        await link.connect(LONG)
        try:
            yield Bus(link, peer)
        finally:
            await link.close()


MakeBus = Callable[[Path], AbstractAsyncContextManager[Bus]]


@pytest.fixture(params=[serial_bus, tcp_bus], ids=["serial", "tcp"])
async def bus(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bus]:
    async with request.param(tmp_path) as made:
        yield made


async def right(bus: Bus, unit: int = 1) -> None:
    """The line serves as it should, in the end: a machine that stood still may have let a bad frame come in two."""
    bus.peer.handler = healthy
    async with asyncio.timeout(LONG):
        while True:
            with suppress(LinkError):
                assert await bus.link.read(unit, HOLDING, 7, 2, LONG) == (unit * 1000 + 7, unit * 1000 + 8)
                return


async def test_reads_every_table_up_to_its_limit(bus: Bus) -> None:
    assert await bus.link.read(1, HOLDING, 0, 125, LONG) == tuple(range(1000, 1125))
    assert await bus.link.read(2, Table.INPUT_REGISTERS, 9, 1, LONG) == (2009,)
    assert await bus.link.read(3, Table.COILS, 0, 2000, LONG) == tuple(int(i % 3 == 0) for i in range(2000))
    assert await bus.link.read(247, Table.DISCRETE_INPUTS, 1, 9, LONG) == (0, 0, 1, 0, 0, 1, 0, 0, 1)


@pytest.mark.parametrize("handler", [trickle, echo_and_answer])
async def test_answers_that_look_odd_and_are_right(bus: Bus, handler: Handler) -> None:
    bus.peer.handler = handler
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)


@pytest.mark.parametrize("handler", [fault for fault, _, _ in FAULTS], ids=lambda fault: str(fault.__name__))
async def test_after_a_fault_the_line_serves_again(bus: Bus, handler: Handler) -> None:
    for _ in range(2):
        bus.peer.handler = handler
        with pytest.raises(LinkError):
            await bus.link.read(1, HOLDING, 7, 2, SHORT)
        assert bus.link.connected
        await right(bus)


async def test_an_exception_reply_is_told_by_its_code(bus: Bus) -> None:
    async def refuse(asked: Asked, wire: Wire) -> None:
        wire.send(rtu(bytes([asked.unit, asked.function | 0x80, 3])))

    bus.peer.handler = refuse
    with pytest.raises(DeviceExceptionError, match="exception 3 "):
        await bus.link.read(1, HOLDING, 7, 2, LONG)


async def test_a_kept_answer_is_not_taken_for_that_of_other_registers(bus: Bus) -> None:
    kept: list[bytes] = []

    async def one_behind(asked: Asked, wire: Wire) -> None:
        kept.append(answer(asked))
        if len(kept) > 1:
            wire.send(kept.pop(0))

    await right(bus)
    bus.peer.handler = one_behind
    for address in (7, 20) * 4:
        with pytest.raises(LinkError):
            await bus.link.read(1, HOLDING, address, 2, SHORT)
        if not bus.link.connected:
            await bus.link.connect(LONG)
    assert bus.link.counters.late_answers > 0
    assert bus.link.counters.unsolicited_frames == 0


async def test_closing_ends_a_waiting_read(bus: Bus) -> None:
    bus.peer.handler = silence
    reading = asyncio.create_task(bus.link.read(1, HOLDING, 7, 2, LONG))
    await bus.peer.seen(1)
    await bus.link.close()
    with pytest.raises(NoConnectionError, match="closed here"):
        await reading
    assert not bus.link.connected
    with pytest.raises(NoConnectionError):
        await bus.link.read(1, HOLDING, 7, 2, LONG)
    await bus.link.connect(LONG)
    await right(bus)


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(LONG):
        while not condition():  # noqa: ASYNC110 - nobody tells
            await asyncio.sleep(0.001)


async def test_no_descriptor_and_no_task_is_left_behind(bus: Bus) -> None:
    await right(bus)
    await bus.link.close()
    await asyncio.sleep(0)
    descriptors = len(os.listdir("/proc/self/fd"))
    tasks = len(asyncio.all_tasks())
    for _ in range(200):
        await bus.link.connect(LONG)
        await bus.link.close()
    await until(lambda: len(os.listdir("/proc/self/fd")) <= descriptors and len(asyncio.all_tasks()) <= tasks)


async def test_cancelled_while_it_connects_or_reads_it_leaves_nothing_and_works_on(bus: Bus) -> None:
    async def connect_and_read() -> tuple[int, ...]:
        await bus.link.connect(LONG)
        return await bus.link.read(1, HOLDING, 7, 2, LONG)

    await bus.link.close()
    await asyncio.sleep(0.01)  # lets the converter notice the end
    descriptors = len(os.listdir("/proc/self/fd"))
    for turns in range(12):
        reading = asyncio.create_task(connect_and_read())
        for _ in range(turns):
            await asyncio.sleep(0)
        if reading.cancel():
            with pytest.raises(asyncio.CancelledError):
                await reading
        await bus.link.close()
    await until(lambda: len(os.listdir("/proc/self/fd")) <= descriptors)
    await bus.link.connect(LONG)
    await right(bus)


async def test_a_converter_that_hangs_up_and_comes_back() -> None:
    async def hang_up(asked: Asked, wire: Wire) -> None:
        wire._writer.transport.abort()  # type: ignore[attr-defined]

    async with behind_a_converter(hang_up) as (peer, port):
        link = open_path(TcpPath("127.0.0.1", port, FrameKind.RTU))
        await link.connect(LONG)
        with pytest.raises(NoConnectionError, match=r"the peer closed|the connection broke"):
            await link.read(1, HOLDING, 7, 2, LONG)
        assert not link.connected
        peer.handler = healthy
        await link.connect(LONG)
        assert await link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
        await link.close()
    with pytest.raises(NoConnectionError, match="refused"):
        await link.connect(LONG)


async def test_silence_is_waited_for_no_longer_than_given(bus: Bus) -> None:
    bus.peer.handler = silence
    with pytest.raises(NoAnswerError, match=r"no answer within 0\.05 s"):
        await bus.link.read(1, HOLDING, 7, 2, SHORT)
