"""The fault matrix over and over: each fault ends as it should, the next read is right, and nothing is kept.

A hundred turns here, ten thousand in `make soak`, which sets SOAK_REPETITIONS.
"""

import asyncio
import os
import random
from collections.abc import Sequence
from contextlib import suppress
from itertools import cycle, islice

import pytest

from gateway.acquisition.line import Line
from gateway.acquisition.links.modbus_tcp import ModbusTcpLink
from gateway.acquisition.links.quiet import Timing
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.clock import SystemClock
from gateway.errors import LinkError
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading
from tests.acquisition import faults as tcp
from tests.acquisition import peer as tcp_peer
from tests.acquisition import rtu_faults, wire_peer
from tests.acquisition.virtual_loop import run_virtually
from tests.acquisition.virtual_wire import link_on_loop_time
from tests.support.leftovers import Held

HOLDING = Table.HOLDING_REGISTERS
LONG = 30.0
SOON = 0.001
REPETITIONS = int(os.environ.get("SOAK_REPETITIONS", "100"))
WARM_UP = 40
"""Turns before the count, in which every fault comes once: what they load and cache stays."""

TCP_FAULTS = [handler for handler, *_ in tcp.FAULTS if handler is not tcp.flood]
RTU_FAULTS = [handler for handler, _, _ in rtu_faults.FAULTS]
RTU_TIMING = Timing(silence_s=0.0, quiet_shortest_s=0.01, quiet_longest_s=0.05)


async def test_a_tcp_link() -> None:
    async with tcp_peer.peer() as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        await link.connect(LONG)

        async def turns(count: int) -> None:
            for handler in islice(cycle(TCP_FAULTS), count):
                server.handler = handler
                with pytest.raises(LinkError):
                    await link.read(1, HOLDING, 0, 2, SOON if handler in tcp.DEADLINE_MUST_PASS else LONG)
                server.handler = tcp_peer.healthy
                # Half an answer may also come just after so short a deadline.
                if not link.connected or handler in (tcp.truncated, tcp.header_only):
                    await link.connect(LONG)
                assert await link.read(1, HOLDING, 0, 2, LONG) == (1000, 1001)
                server.forget()

        await turns(WARM_UP)
        before = Held.now()
        await turns(REPETITIONS)
        await before.assert_no_more(REPETITIONS)
        await link.close()


def test_an_rtu_link() -> None:
    """On virtual time: each fault ends in its own way, however busy the machine is."""

    async def run() -> None:
        peer = wire_peer.WirePeer(wire_peer.healthy)
        link, _ = link_on_loop_time(peer, timing=RTU_TIMING)
        await link.connect(LONG)

        async def turns(count: int) -> None:
            for handler in islice(cycle(RTU_FAULTS), count):
                peer.handler = handler
                with pytest.raises(LinkError):
                    await link.read(1, HOLDING, 7, 2, 0.02)
                assert link.connected
                peer.handler = wire_peer.healthy
                assert await link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
                peer.asked.clear()

        await turns(WARM_UP)
        before = Held.now()
        await turns(REPETITIONS)
        await before.assert_no_more(REPETITIONS)
        await link.close()
        await peer.stop()

    run_virtually(run)


LEVEL = InstrumentMap("level", (Signal("level", HOLDING, 7, ValueType.UINT16),))
SICK, WELL = 1, 2


class Newest:
    """What a line handed on, without keeping it."""

    def __init__(self) -> None:
        self.wrong: list[Reading] = []
        self._wanted: tuple[str, Quality] | None = None
        self._seen = asyncio.Event()

    def take(self, readings: Sequence[Reading]) -> None:
        for reading in readings:
            unit = int(reading.instrument.removeprefix("LT-"))
            if reading.quality is Quality.GOOD and reading.value != unit * 1000 + 7:
                self.wrong.append(reading)
            if (reading.instrument, reading.quality) == self._wanted:
                self._seen.set()

    async def next(self, unit: int, quality: Quality) -> None:
        self._wanted = (f"LT-{unit}", quality)
        self._seen.clear()
        async with asyncio.timeout(LONG):
            await self._seen.wait()


async def test_a_line_of_a_sick_and_a_well_instrument() -> None:
    """By the line itself: it finds its way back after every fault, and no wrong value is ever Good."""

    def for_the_sick(fault: tcp_peer.Handler) -> tcp_peer.Handler:
        async def choose(request: tcp_peer.Request, writer: asyncio.StreamWriter) -> None:
            await (fault if request.unit == SICK else tcp_peer.healthy)(request, writer)

        return choose

    async with tcp_peer.peer() as server:
        instruments = tuple(InstrumentPlan(f"LT-{u}", u, LEVEL, period_s=0.005, timeout_s=0.02) for u in (SICK, WELL))
        plan = LinePlan("yard", "127.0.0.1", server.port, instruments, backoff_first_s=0.002, backoff_longest_s=0.01)
        newest = Newest()
        line = asyncio.create_task(Line(plan, newest.take, clock=SystemClock(), random=random.Random(5)).run())

        async def turns(count: int) -> None:
            for handler in islice(cycle(TCP_FAULTS), count):
                server.handler = for_the_sick(handler)
                await newest.next(SICK, Quality.BAD)
                await newest.next(WELL, Quality.GOOD)
                server.handler = tcp_peer.healthy
                await newest.next(SICK, Quality.GOOD)
                server.forget()

        await turns(WARM_UP)
        before = Held.now()
        await turns(REPETITIONS)
        await before.assert_no_more(REPETITIONS)
        line.cancel()
        with suppress(asyncio.CancelledError):
            await line
        assert newest.wrong == []
