"""What a line learns, on a real connection: a refused register, and many requests under way."""

import asyncio
import random
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress

import pytest

from gateway.acquisition.line import Line
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.clock import SystemClock
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.peer import Request, exception, healthy, peer

WIDE = InstrumentMap(
    "wide", tuple(Signal(f"s{place}", Table.HOLDING_REGISTERS, place, ValueType.UINT16) for place in range(64))
)
MISSING = 41


async def refuse_one(request: Request, writer: asyncio.StreamWriter) -> None:
    if request.address <= MISSING < request.address + request.size:
        writer.write(exception(request, 2))
    else:
        await healthy(request, writer)


@asynccontextmanager
async def polled(port: int, in_flight: int, units: Sequence[int]) -> "AsyncIterator[asyncio.Queue[Sequence[Reading]]]":
    plans = tuple(InstrumentPlan(f"LT-{unit}", unit, WIDE, 0.01, 2.0) for unit in units)
    plan = LinePlan("yard", "127.0.0.1", port, plans, backoff_first_s=0.05, backoff_longest_s=0.2, in_flight=in_flight)
    polls: asyncio.Queue[Sequence[Reading]] = asyncio.Queue()
    task = asyncio.create_task(Line(plan, polls.put_nowait, clock=SystemClock(), random=random.Random(2)).run())
    try:
        yield polls
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def good(readings: Sequence[Reading]) -> list[str]:
    return [reading.signal for reading in readings if reading.quality is Quality.GOOD]


@pytest.mark.parametrize("in_flight", [1, 8])
async def test_the_register_that_a_device_refuses_is_named_the_rest_is_read_and_it_is_taken_back(
    in_flight: int,
) -> None:
    async with peer(refuse_one) as server, polled(server.port, in_flight, [7]) as polls:
        while len(good(readings := await polls.get())) < 63:
            pass
        (bad,) = (reading for reading in readings if reading.quality is Quality.BAD)
        assert bad.reason is not None
        assert bad.reason.code is ReasonCode.DEVICE_EXCEPTION
        assert bad.reason.text.endswith("exception 2 (illegal data address) (reading holding register 41)")
        assert [reading.value for reading in readings if reading is not bad] == [
            7000 + place for place in range(64) if place != MISSING
        ]
        learned = len(server.requests)
        assert learned <= 24
        server.handler = healthy
        while len(good(await polls.get())) < 64:
            pass
        while (server.requests[-1].address, server.requests[-1].size) != (0, 64):
            assert len(good(await polls.get())) == 64


async def test_many_requests_under_way_are_each_answered_with_their_own() -> None:
    under_way = most = 0

    async def take_time(request: Request, writer: asyncio.StreamWriter) -> None:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)

        async def later() -> None:
            nonlocal under_way
            await asyncio.sleep(0.001 * (request.unit % 3))
            under_way -= 1
            await healthy(request, writer)

        answering.add(asyncio.create_task(later()))

    answering: set[asyncio.Task[None]] = set()
    async with peer(take_time) as server, polled(server.port, 4, range(1, 9)) as polls:
        for _ in range(200):
            readings = await polls.get()
            unit = int(readings[0].instrument.removeprefix("LT-"))
            assert [reading.value for reading in readings] == [1000 * unit + place for place in range(64)]
        assert most == 4
        assert server.connections == 1
    await asyncio.gather(*answering, return_exceptions=True)
