"""A line with two ways: over to the standby, back again, and never both at once."""

import asyncio
import random
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway.acquisition.line import Line
from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.standby import StandbyLink, Way
from gateway.acquisition.links.transports import open_link
from gateway.acquisition.plan import FrameKind, InstrumentPlan, LinePlan, SerialPath, TcpPath
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.clock import SystemClock
from gateway.errors import BadFrameError, DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from gateway.process.tasks import EndedError
from gateway.records import Quality, Reading
from tests.acquisition.wire_peer import Asked, Handler, Wire, answer, behind_a_converter, on_a_pty

LONG = 30.0
SOON = 0.005
FIRST, STANDBY = TcpPath("192.0.2.1", 502), TcpPath("192.0.2.2", 502)
HOLDING = Table.HOLDING_REGISTERS


class Bus:
    """What both ways lead to: it must be asked one thing at a time, by one of them."""

    def __init__(self) -> None:
        self.asking = 0

    async def ask(self, error: LinkError | None) -> tuple[int, ...]:
        self.asking += 1
        assert self.asking == 1
        await asyncio.sleep(0)
        self.asking -= 1
        if error is not None:
            raise error
        return (7,)


class FakeLink:
    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self.connected = False
        self.counters = LinkCounters(1, 2)
        self.refuses = False
        self.error: LinkError | None = None
        self.connects: list[float] = []
        self.reads = 0
        self.closing: asyncio.Event | None = None

    async def connect(self, timeout_s: float) -> None:
        self.connects.append(asyncio.get_running_loop().time())
        await asyncio.sleep(0)
        if self.refuses:
            raise NoConnectionError("the connection was refused")
        self.connected = True

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        if not self.connected:
            raise NoConnectionError("not connected")
        self.reads += 1
        return await self._bus.ask(self.error)

    async def close(self) -> None:
        self.connected = False


class Two:
    def __init__(self, fail_back_s: float = LONG) -> None:
        bus = Bus()
        self.first, self.standby = FakeLink(bus), FakeLink(bus)
        self.link = StandbyLink(Way(FIRST, self.first), Way(STANDBY, self.standby), fail_back_s, "yard")

    async def connect(self) -> None:
        await self.link.connect(LONG)

    async def read(self) -> tuple[int, ...]:
        return await self.link.read(1, HOLDING, 0, 1, SOON)

    async def read_until(self, path: TcpPath) -> None:
        """Reads on until that way is in use."""
        async with asyncio.timeout(LONG):
            while self.link.path != path:
                with suppress(NoAnswerError):
                    await self.read()
                await asyncio.sleep(0.001)


@pytest.fixture
async def two() -> AsyncIterator[Two]:
    made = Two()
    yield made
    await made.link.close()


async def test_the_first_way_is_taken_while_it_is_well(two: Two) -> None:
    await two.connect()
    assert await two.read() == (7,)
    assert (two.link.path, two.link.connected) == (FIRST, True)
    assert (two.first.reads, two.standby.reads, two.standby.connects) == (1, 0, [])


async def test_the_standby_is_taken_when_the_first_refuses(two: Two) -> None:
    two.first.refuses = True
    with capture_logs() as logs:
        await two.connect()
    assert await two.read() == (7,)
    assert (two.link.path, two.link.connected, two.first.reads) == (STANDBY, True, 0)
    assert logs == [
        {
            "event": "line.path_changed",
            "line": "yard",
            "path": "192.0.2.2:502",
            "cause": "192.0.2.1:502: the connection was refused",
            "log_level": "warning",
        }
    ]


async def test_both_refuse(two: Two) -> None:
    two.first.refuses = two.standby.refuses = True
    for _ in range(2):
        with pytest.raises(
            NoConnectionError, match=r"192\.0\.2\.1:502: the .* refused; 192\.0\.2\.2:502: the .* refused"
        ):
            await two.connect()
    two.first.refuses = False
    await two.connect()
    assert two.link.path == FIRST


async def test_a_way_that_served_and_hung_up_is_tried_again_first(two: Two) -> None:
    await two.connect()
    await two.read()
    two.first.connected = False
    assert not two.link.connected
    await two.connect()
    assert two.link.path == FIRST


@pytest.mark.parametrize("error", [NoAnswerError("silence"), BadFrameError("noise")])
async def test_a_way_without_answers_is_left_when_the_line_connects_anew(two: Two, error: LinkError) -> None:
    await two.connect()
    await two.read()
    two.first.error = error
    with pytest.raises(type(error)):
        await two.read()
    await two.connect()
    assert two.link.path == STANDBY
    assert not two.first.connected


async def test_a_way_that_hangs_up_before_it_answers_anything_is_left(two: Two) -> None:
    await two.connect()
    two.first.connected = False
    with pytest.raises(NoConnectionError):
        await two.read()
    await two.connect()
    assert two.link.path == STANDBY


async def test_a_refusal_by_an_instrument_is_an_answer(two: Two) -> None:
    await two.connect()
    two.first.error = DeviceExceptionError(2, "illegal data address")
    with pytest.raises(DeviceExceptionError):
        await two.read()
    await two.connect()
    assert two.link.path == FIRST


async def test_after_a_request_without_answer_the_other_way_waits_its_time_out(two: Two) -> None:
    await two.connect()
    two.first.error = NoAnswerError("silence")
    asked_at = asyncio.get_running_loop().time()
    with pytest.raises(NoAnswerError):
        await two.link.read(1, HOLDING, 0, 1, 0.1)
    await two.connect()
    assert two.standby.connects[0] >= asked_at + 0.1 - 0.001


async def test_when_nobody_looks_for_the_first_way_any_more_it_is_not_hidden(two: Two) -> None:
    two.first.refuses = True
    await two.connect()
    (probe,) = [task for task in asyncio.all_tasks() if task.get_name().startswith("probe of")]
    probe.cancel()
    await asyncio.wait([probe])
    with pytest.raises(EndedError, match=r"probe of 192\.0\.2\.1:502 was cancelled, and nobody asked for it"):
        await two.read()
    await two.connect()
    assert await two.read() == (7,)


async def test_back_to_the_first_way_once_it_can_be_reached() -> None:
    two = Two(fail_back_s=SOON)
    two.first.refuses = True
    await two.connect()
    await two.read()
    async with asyncio.timeout(LONG):
        while len(two.first.connects) < 4:  # noqa: ASYNC110 - the link tells nobody
            await asyncio.sleep(0.001)
    assert two.link.path == STANDBY
    two.first.refuses = False
    with capture_logs() as logs:
        await two.read_until(FIRST)
    assert [(entry["event"], entry["path"]) for entry in logs] == [("line.path_changed", "192.0.2.1:502")]
    assert (two.first.connected, two.standby.connected) == (True, False)
    assert await two.read() == (7,)
    await two.link.close()


async def test_several_reads_at_once_end_before_the_way_changes() -> None:
    two = Two(fail_back_s=SOON)
    two.first.refuses = True
    await two.connect()
    two.first.refuses = False

    async def slow(self: Bus, error: LinkError | None) -> tuple[int, ...]:
        self.asking += 1
        await asyncio.sleep(0.003)
        self.asking -= 1
        assert self.asking < 4
        return (7,)

    bus = two.first._bus
    bus.ask = slow.__get__(bus)  # type: ignore[method-assign]

    async def keep_reading() -> None:
        while two.link.path == STANDBY:
            assert await two.read() == (7,)

    await asyncio.wait_for(asyncio.gather(*(keep_reading() for _ in range(4))), LONG)
    assert two.link.path == FIRST
    assert not two.standby.connected
    await two.link.close()


async def test_a_first_way_that_connects_and_brings_no_answer_is_tried_ever_less_often() -> None:
    two = Two(fail_back_s=0.02)
    two.first.error = NoAnswerError("silence")
    await two.connect()
    returns = []
    for _ in range(4):
        with pytest.raises(NoAnswerError):
            await two.read()
        await two.connect()
        assert two.link.path == STANDBY
        left_at = asyncio.get_running_loop().time()
        await two.read_until(FIRST)
        returns.append(two.first.connects[-1] - left_at)
    for earlier, later in zip(range(4), returns, strict=True):
        assert later >= 0.02 * 2**earlier - 0.002
    await two.link.close()


async def test_a_first_way_that_is_lost_again_before_it_is_used() -> None:
    two = Two(fail_back_s=SOON)
    two.first.refuses = True
    await two.connect()
    two.first.refuses = False
    async with asyncio.timeout(LONG):
        while not two.first.connected:  # noqa: ASYNC110 - the link tells nobody
            await asyncio.sleep(0.001)
        await asyncio.sleep(0)
    two.first.connected = False
    assert await two.read() == (7,)
    assert two.link.path == STANDBY
    await two.read_until(FIRST)
    await two.link.close()


async def test_no_task_is_left_when_it_is_closed() -> None:
    two = Two(fail_back_s=SOON)
    two.first.refuses = True
    before = asyncio.all_tasks()
    for _ in range(50):
        await two.connect()
        await two.read()
        await two.link.close()
        await two.link.close()
    assert asyncio.all_tasks() == before
    assert (two.first.connected, two.standby.connected) == (False, False)


async def test_counts_of_both_ways_are_added(two: Two) -> None:
    assert (two.link.counters.late_answers, two.link.counters.unsolicited_frames) == (2, 4)


LEVEL = InstrumentMap("level", (Signal("level", HOLDING, 7, ValueType.UINT16),))


async def test_a_line_goes_over_to_a_second_converter_and_back(tmp_path: Path) -> None:
    """A serial port that is unplugged, and a converter on the same bus: readings go on, Good, and return."""
    path = tmp_path / "ttyUSB0"
    readings: list[Reading] = []
    arrived = asyncio.Event()
    served: list[str] = []

    def by(name: str) -> Handler:
        async def handle(asked: Asked, wire: Wire) -> None:
            served.append(name)
            wire.send(answer(asked))

        return handle

    def take(found: Sequence[Reading]) -> None:
        readings.extend(found)
        arrived.set()

    async def good_by(name: str) -> None:
        served.clear()
        readings.clear()
        async with asyncio.timeout(LONG):
            while name not in served or not any(reading.quality is Quality.GOOD for reading in readings):
                arrived.clear()
                await arrived.wait()

    async with behind_a_converter(by("converter")) as (_, port):
        plan = LinePlan(
            "yard",
            str(path),
            0,
            (InstrumentPlan("LT-1", 1, LEVEL, period_s=0.02, timeout_s=0.2),),
            backoff_first_s=0.01,
            backoff_longest_s=0.05,
            path=SerialPath(str(path), 115_200),
            standby=TcpPath("127.0.0.1", port, FrameKind.RTU),
            fail_back_s=0.05,
        )
        line = Line(plan, take, clock=SystemClock(), random=random.Random(5))
        running = asyncio.create_task(line.run())
        try:
            async with on_a_pty(path, by("port")):
                await good_by("port")
                assert line.status().path == str(path)
            await good_by("converter")
            assert (line.status().path, line.status().connected) == (f"127.0.0.1:{port}", True)
            async with on_a_pty(path, by("port")):
                await good_by("port")
                assert line.status().path == str(path)
                running.cancel()
                with suppress(asyncio.CancelledError):
                    await running
        finally:
            running.cancel()
            await asyncio.wait([running])


def test_what_is_owed_over_one_way_is_known_on_the_other() -> None:
    """A late answer on the bus is heard by the converters of both."""
    link = open_link(
        LinePlan(
            "yard", "", 0, (), path=SerialPath("/dev/null", 9600), standby=TcpPath("192.0.2.1", 4001, FrameKind.RTU)
        )
    )
    assert isinstance(link, StandbyLink)
    first, standby = (way.link for way in link._ways)
    assert isinstance(first, HalfDuplexLink)
    assert isinstance(standby, HalfDuplexLink)
    assert first._machine._units is standby._machine._units
