"""One instrument of a real line goes wrong in every way; the other stays on time; all recover by themselves."""

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress

import pytest

from gateway.acquisition.line import Line
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.clock import SystemClock
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.faults import FAULTS
from tests.acquisition.peer import Handler, Peer, Request, answer, exception, healthy, peer
from tests.support.wire import WireRecorder

SICK, WELL = 1, 2
LEVEL = InstrumentMap("level", (Signal("level", Table.HOLDING_REGISTERS, 7, ValueType.UINT16),))


class Watched:
    """A running line and the readings it has handed on."""

    def __init__(self, port: int) -> None:
        instruments = tuple(
            InstrumentPlan(f"LT-{unit}", unit, LEVEL, period_s=0.02, timeout_s=0.05) for unit in (SICK, WELL)
        )
        plan = LinePlan("yard", "127.0.0.1", port, instruments, backoff_first_s=0.01, backoff_longest_s=0.05)
        self.readings: list[Reading] = []
        self.line = Line(plan, self._take, clock=SystemClock(), random=random.Random(5))
        self._arrived = asyncio.Event()

    def _take(self, readings: Sequence[Reading]) -> None:
        self.readings.extend(readings)
        self._arrived.set()

    async def see(self, wanted: Callable[[Reading], bool], count: int = 1) -> Reading:
        """Waits for so many readings, from now on, that are as wanted; gives the last."""
        position = len(self.readings)
        while True:
            while position < len(self.readings):
                reading = self.readings[position]
                position += 1
                if wanted(reading):
                    count -= 1
                    if count == 0:
                        return reading
            self._arrived.clear()
            await self._arrived.wait()


@asynccontextmanager
async def running(port: int) -> AsyncIterator[Watched]:
    watched = Watched(port)
    task = asyncio.create_task(watched.line.run())
    try:
        yield watched
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def good(unit: int) -> Callable[[Reading], bool]:
    return lambda reading: reading.instrument == f"LT-{unit}" and reading.quality is Quality.GOOD


def bad(unit: int) -> Callable[[Reading], bool]:
    return lambda reading: reading.instrument == f"LT-{unit}" and reading.quality is Quality.BAD


def only_for_the_sick(handler: Handler) -> Handler:
    async def choose(request: Request, writer: asyncio.StreamWriter) -> None:
        await (handler if request.unit == SICK else healthy)(request, writer)

    return choose


CODES = {
    "NoAnswerError": ReasonCode.NO_ANSWER,
    "BadFrameError": ReasonCode.BAD_FRAME,
    "NoConnectionError": ReasonCode.NO_CONNECTION,
}


@pytest.mark.parametrize(
    ("handler", "code"),
    [(fault, CODES[kind.__name__]) for fault, kind, _, _ in FAULTS],
    ids=[fault.__name__ for fault, _, _, _ in FAULTS],
)
async def test_the_sick_is_bad_for_the_right_reason_the_well_stays_good_and_the_sick_recovers(
    handler: Handler, code: ReasonCode
) -> None:
    async with peer() as server, running(server.port) as watched:
        await watched.see(good(SICK))
        await watched.see(good(WELL))
        server.handler = only_for_the_sick(handler)
        reading = await watched.see(bad(SICK))
        assert reading.value is None
        assert reading.reason is not None
        assert reading.reason.code is code
        await watched.see(good(WELL), 10)
        assert not [reading for reading in watched.readings if good(SICK)(reading) and reading.value != 1007]
        server.handler = healthy
        assert (await watched.see(good(SICK))).value == 1007
        assert {reading.value for reading in watched.readings if good(WELL)(reading)} == {2007}


EXCEPTION_CODES = {
    5: ReasonCode.DEVICE_STILL_WORKING,
    6: ReasonCode.DEVICE_BUSY,
    10: ReasonCode.PATH_UNAVAILABLE,
    11: ReasonCode.TARGET_SILENT,
}


@pytest.mark.parametrize("code", range(1, 12))
async def test_an_exception_makes_its_instrument_bad_and_no_other(code: int) -> None:
    async def refuse(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(exception(request, code))

    async with peer(only_for_the_sick(refuse)) as server, running(server.port) as watched:
        reading = await watched.see(bad(SICK))
        assert reading.reason is not None
        assert reading.reason.code is EXCEPTION_CODES.get(code, ReasonCode.DEVICE_EXCEPTION)
        assert f"exception {code} " in reading.reason.text
        await watched.see(good(WELL), 5)
        assert not any(map(bad(WELL), watched.readings))
        assert server.connections == 1
        server.handler = healthy
        await watched.see(good(SICK))


async def test_a_late_answer_is_counted_and_never_shown() -> None:
    held: list[Request] = []

    async def one_behind(request: Request, writer: asyncio.StreamWriter) -> None:
        """Answers each request of the sick instrument only when the next has come, with a value of long ago."""
        if held:
            writer.write(answer(held.pop(), [666]))
        held.append(request)

    async with peer(only_for_the_sick(one_behind)) as server, running(server.port) as watched:
        await watched.see(
            lambda reading: bad(SICK)(reading) and sum(request.unit == SICK for request in server.requests) >= 3
        )
        server.handler = healthy
        await watched.see(good(SICK))
        assert 666 not in {reading.value for reading in watched.readings}
        assert watched.line.status().late_answers > 0


async def test_a_stopped_server_makes_all_bad_and_a_started_one_all_good() -> None:
    server = Peer(healthy)
    await server.start()
    port = server.port
    async with running(port) as watched:
        for unit in (SICK, WELL):
            await watched.see(good(unit))
        await server.stop()
        for unit in (SICK, WELL):
            reading = await watched.see(bad(unit))
            assert reading.reason is not None
            assert reading.reason.code is ReasonCode.NO_CONNECTION
        assert not watched.line.status().connected
        await server.start(port)
        for unit in (SICK, WELL):
            await watched.see(good(unit))
        assert watched.line.status().connected
        await server.stop()


async def test_a_peer_that_freezes_with_its_connection_open_is_left_for_a_new_connection() -> None:
    frozen: list[asyncio.StreamWriter] = []

    async def freeze(request: Request, writer: asyncio.StreamWriter) -> None:
        if writer in frozen or not frozen:
            frozen.append(writer)
        else:
            await healthy(request, writer)

    async with peer() as server, running(server.port) as watched:
        await watched.see(good(SICK))
        server.handler = freeze
        await watched.see(good(SICK))
        await watched.see(good(WELL))
        assert server.connections == 2


async def test_an_unresolvable_name_is_no_connection() -> None:
    plan = LinePlan("yard", "x" * 64 + ".invalid", 502, (InstrumentPlan("LT-1", 1, LEVEL, 0.02, 0.05),))
    seen: asyncio.Queue[Reading] = asyncio.Queue()

    def take(readings: Sequence[Reading]) -> None:
        for reading in readings:
            seen.put_nowait(reading)

    task = asyncio.create_task(Line(plan, take, clock=SystemClock(), random=random.Random(1)).run())
    reading = await seen.get()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert reading.reason is not None
    assert reading.reason.code is ReasonCode.NO_CONNECTION


async def test_a_line_sends_nothing_but_reads(wire_recorder: Callable[[int], WireRecorder]) -> None:
    async with peer() as server:
        recorder = wire_recorder(server.port)
        async with running(recorder.port) as watched:
            await watched.see(good(SICK), 5)
            await watched.see(good(WELL), 5)
