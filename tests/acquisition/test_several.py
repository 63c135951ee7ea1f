"""Several connections to one device: as many as it allows; one lost, refused or forgotten harms none of the rest."""

import asyncio
import random
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress

import pytest
from structlog.testing import capture_logs

from gateway.acquisition.line import Line
from gateway.acquisition.links.connection_pool import ConnectionPool
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.standby import StandbyLink
from gateway.acquisition.links.transports import open_link
from gateway.acquisition.plan import InstrumentPlan, LinePlan, TcpPath
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.clock import SystemClock
from gateway.errors import NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from gateway.process.tasks import EndedError
from gateway.records import Quality, Reading
from tests.acquisition.peer import Request, healthy, peer
from tests.acquisition.virtual_loop import LoopClock, run_virtually

ONE = InstrumentMap("one block", (Signal("s", Table.HOLDING_REGISTERS, 0, ValueType.UINT16),))
TAKES_S = 0.1


class Device:
    """What the connections of one test have in common: a device that bears `room` of them."""

    def __init__(self, room: int, *, drops_oldest: bool = False) -> None:
        self.room = room
        self.drops_oldest = drops_oldest
        self.open: list[Member] = []
        self.attempts: list[float] = []

    def taken_in(self, member: "Member") -> bool:
        self.attempts.append(asyncio.get_running_loop().time())
        if len(self.open) >= self.room:
            if not self.drops_oldest:
                return False
            self.open[0].gone()
        self.open.append(member)
        return True


class Member:
    """One connection; requests on it do not wait for one another."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.connected = False
        self.forgotten = False
        self.counters = LinkCounters()
        self.under_way = 0
        self.most = 0
        self.reads = 0
        self.lost: asyncio.Event | None = None

    def gone(self) -> None:
        self.connected = False
        if self in self.device.open:
            self.device.open.remove(self)
        if self.lost is not None:
            self.lost.set()

    async def connect(self, timeout_s: float) -> None:
        await asyncio.sleep(0.001)
        if not self.device.taken_in(self):
            raise NoConnectionError("connection refused")
        self.connected, self.forgotten, self.lost = True, False, asyncio.Event()

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        if not self.connected or self.lost is None:
            raise NoConnectionError("not connected")
        self.reads += 1
        self.under_way += 1
        self.most = max(self.most, self.under_way)
        try:
            wait_s = timeout_s if self.forgotten else TAKES_S
            with suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self.lost.wait()
                raise NoConnectionError("the peer closed the connection")
            if self.forgotten:
                raise NoAnswerError(f"no answer within {timeout_s:g} s")
            return (unit,) * count
        finally:
            self.under_way -= 1

    async def close(self) -> None:
        self.gone()


class Yard:
    """A line over several connections, on a loop of virtual time."""

    def __init__(self, device: Device, connections: int, in_flight: int = 1, period_s: float = 0.5) -> None:
        self.device = device
        self.members = [Member(device) for _ in range(connections)]
        self.link = ConnectionPool(self.members, 0.5, 30.0, "yard", random.Random(5))
        plans = tuple(InstrumentPlan(f"LT-{unit}", unit, ONE, period_s, 1.0) for unit in range(1, 33))
        self.plan = LinePlan("yard", "127.0.0.1", 502, plans, in_flight=in_flight, connections=connections)
        self.line: Line | None = None
        self.sunk: list[tuple[float, Reading]] = []

    def run(self, seconds: float, *events: tuple[float, Callable[[], None]]) -> "Yard":
        async def main() -> None:
            loop = asyncio.get_running_loop()
            self.line = Line(
                self.plan, self._sink, clock=LoopClock(), random=random.Random(3), open_link=lambda plan: self.link
            )
            for when, happens in events:
                loop.call_at(when, happens)
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self.line.run()

        run_virtually(main)
        assert not any(member.connected for member in self.members)
        return self

    def _sink(self, readings: Sequence[Reading]) -> None:
        now_s = asyncio.get_running_loop().time()
        self.sunk += [(now_s, reading) for reading in readings]

    def rate(self, begin_s: float, end_s: float) -> float:
        good = [when for when, reading in self.sunk if reading.quality is Quality.GOOD and begin_s <= when < end_s]
        return len(good) / (end_s - begin_s)

    def not_good(self) -> list[Reading]:
        return [reading for _, reading in self.sunk if reading.quality is not Quality.GOOD]


@pytest.mark.parametrize(("connections", "in_flight"), [(2, 1), (4, 1), (3, 2)])
def test_each_connection_bears_its_share_and_never_more(connections: int, in_flight: int) -> None:
    yard = Yard(Device(8), connections, in_flight).run(60.0)
    assert [member.most for member in yard.members] == [in_flight] * connections
    # Each request takes 0.1 s; 32 instruments each 0.5 s would be 64 polls a second.
    assert yard.rate(10.0, 60.0) == pytest.approx(min(10.0 * in_flight * connections, 64.0), rel=0.05)
    assert yard.not_good() == []


def test_a_device_that_refuses_some_is_used_as_far_as_it_goes_and_asked_for_more_ever_more_rarely() -> None:
    with capture_logs() as logs:
        yard = Yard(Device(2), 4).run(3600.0)
    assert yard.not_good() == []
    assert yard.rate(10.0, 3600.0) == pytest.approx(20.0, rel=0.05)
    assert [member.most for member in yard.members[:2]] == [1, 1]
    assert [member.reads for member in yard.members[2:]] == [0, 0]
    # Two that are refused, each tried after 0 to 300 s, so 24 times in the second half hour; three standard deviations.
    assert len([when for when in yard.device.attempts if when > 1800.0]) <= 24 + 3 * 24**0.5
    # And in an hour twice that, four at the start and the ten doublings from 0.5 s of each.
    assert len(yard.device.attempts) <= 48 + 3 * 48**0.5 + 4 + 2 * 10
    (told,) = [entry for entry in logs if entry["event"] == "line.connections_changed" and entry["open"] == 2]
    assert told["wanted"] == 4


def test_a_device_that_drops_an_older_connection_for_a_new_one_loses_no_reading() -> None:
    yard = Yard(Device(2, drops_oldest=True), 3).run(3600.0)
    assert yard.not_good() == [], "what was under way is asked again over another connection"
    assert yard.rate(60.0, 3600.0) > 19.0
    assert len([when for when in yard.device.attempts if when > 1800.0]) < 40


def test_room_that_becomes_free_is_used() -> None:
    device = Device(1)

    def grow() -> None:
        device.room = 3

    yard = Yard(device, 3).run(900.0, (300.0, grow))
    assert yard.rate(100.0, 300.0) == pytest.approx(10.0, rel=0.05)
    assert yard.rate(700.0, 900.0) == pytest.approx(30.0, rel=0.05)


def test_a_connection_that_the_peer_has_forgotten_is_made_anew_while_the_others_serve() -> None:
    device = Device(3)
    yard = Yard(device, 3)

    def forget() -> None:
        yard.members[1].forgotten = True

    yard.run(300.0, (100.0, forget))
    silent = {reading.instrument for reading in yard.not_good()}
    assert 1 <= len(silent) <= 3, "those that were asked over it"
    assert len(device.attempts) == 4
    assert not yard.members[1].forgotten
    late = [when for when, reading in yard.sunk if reading.quality is not Quality.GOOD]
    assert max(late) < 110.0
    assert yard.rate(200.0, 300.0) == pytest.approx(30.0, rel=0.05)


def test_with_the_last_connection_the_line_is_lost_and_all_come_back() -> None:
    device = Device(3)
    yard = Yard(device, 3)

    def lose_all() -> None:
        device.room = 0
        for member in yard.members:
            member.gone()

    def recover() -> None:
        device.room = 3

    yard.run(400.0, (100.0, lose_all), (160.0, recover))
    assert {reading.reason.code.value for reading in yard.not_good() if reading.reason} == {"no_connection"}
    assert {reading.instrument for reading in yard.not_good()} == {f"LT-{unit}" for unit in range(1, 33)}
    assert yard.rate(300.0, 400.0) == pytest.approx(30.0, rel=0.05)


def test_a_mistake_in_looking_after_the_connections_is_not_hidden() -> None:
    async def main() -> None:
        members = [Member(Device(2)) for _ in range(2)]

        async def broken(timeout_s: float) -> None:
            raise RuntimeError("a mistake")

        members[1].connect = broken  # type: ignore[method-assign]
        link = ConnectionPool(members, 0.5, 30.0, "yard", random.Random(5))
        await link.connect(1.0)
        await asyncio.sleep(0.1)
        with pytest.raises(RuntimeError, match="a mistake"):
            await link.read(1, Table.HOLDING_REGISTERS, 0, 1, 1.0)
        await link.close()

    run_virtually(main)


def test_when_nobody_looks_after_the_connections_any_more_it_is_not_hidden() -> None:
    async def main() -> None:
        link = ConnectionPool([Member(Device(2)) for _ in range(2)], 0.5, 30.0, "yard", random.Random(5))
        await link.connect(1.0)
        (keeper,) = [task for task in asyncio.all_tasks() if task.get_name() == "connections"]
        keeper.cancel()
        await asyncio.sleep(0.1)
        with pytest.raises(EndedError, match="connections was cancelled, and nobody asked for it"):
            await link.read(1, Table.HOLDING_REGISTERS, 0, 1, 1.0)
        await link.connect(1.0)
        assert await link.read(1, Table.HOLDING_REGISTERS, 0, 1, 1.0)
        await link.close()

    run_virtually(main)


# On sockets


def plan(port: int, connections: int, standby: int | None = None, in_flight: int = 1) -> LinePlan:
    plans = tuple(InstrumentPlan(f"LT-{unit}", unit, ONE, 0.02, 0.5) for unit in range(1, 9))
    return LinePlan(
        "yard",
        "127.0.0.1",
        port,
        plans,
        backoff_first_s=0.05,
        backoff_longest_s=0.2,
        connections=connections,
        in_flight=in_flight,
        standby=None if standby is None else TcpPath("127.0.0.1", standby),
    )


class Running:
    """A line at work, for as long as the block lasts."""

    def __init__(self, of: LinePlan) -> None:
        self.readings: asyncio.Queue[Reading] = asyncio.Queue()
        self.line = Line(of, self._take, clock=SystemClock(), random=random.Random(2))

    def _take(self, readings: Sequence[Reading]) -> None:
        for reading in readings:
            self.readings.put_nowait(reading)

    async def __aenter__(self) -> "Running":
        self._task = asyncio.create_task(self.line.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        with suppress(asyncio.CancelledError):
            await self._task

    async def good(self, number: int) -> None:
        """Waits until so many more Good readings have come, none of them with another's value."""
        while number:
            reading = await self.readings.get()
            if reading.quality is Quality.GOOD:
                assert reading.value == 1000.0 * int(reading.instrument.removeprefix("LT-"))
                number -= 1

    async def open_connections(self, number: int) -> None:
        while self.line.status().connections_open != number:
            await self.readings.get()


async def test_all_connections_are_made_and_used_on_real_sockets() -> None:
    used: Counter[asyncio.StreamWriter] = Counter()

    async def counted(request: Request, writer: asyncio.StreamWriter) -> None:
        used[writer] += 1
        await asyncio.sleep(0.01)
        await healthy(request, writer)

    async with peer(counted) as server, Running(plan(server.port, 4)) as running:
        await running.open_connections(4)
        await running.good(200)
        status = running.line.status()
        assert (status.connected, status.connections_open, status.connections_wanted) == (True, 4, 4)
    assert server.connections == 4
    assert len(used) == 4
    assert min(used.values()) > 10


async def test_a_server_that_hangs_up_on_the_third_serves_two() -> None:
    writers: list[asyncio.StreamWriter] = []

    async def two_only(request: Request, writer: asyncio.StreamWriter) -> None:
        if writer not in writers:
            writers.append(writer)
        if writers.index(writer) >= 2:
            writer.close()
            return
        await healthy(request, writer)

    async with peer(two_only) as server, Running(plan(server.port, 3)) as running:
        await running.good(400)
        assert running.line.status().connections_open >= 2
    assert len(writers) >= 3


async def test_one_connection_that_falls_silent_is_replaced_and_the_rest_goes_on() -> None:
    silent: list[asyncio.StreamWriter] = []

    async def forgets_one(request: Request, writer: asyncio.StreamWriter) -> None:
        if len(server.requests) > 60 and not silent:
            silent.append(writer)
        if writer not in silent:
            await healthy(request, writer)

    async with peer(forgets_one) as server, Running(plan(server.port, 3)) as running:
        await running.good(20)
        while server.connections < 4:
            await running.good(1)
        await running.open_connections(3)
        await running.good(100)


async def test_a_standby_with_several_connections_takes_over() -> None:
    async with peer() as first, peer() as second:
        async with Running(plan(first.port, 2, second.port)) as running:
            await running.good(50)
            assert isinstance(open_link(plan(first.port, 2, second.port)), StandbyLink)
            await first.stop()
            while not running.line.status().on_standby:
                await running.readings.get()
            await running.open_connections(2)
            await running.good(50)
        assert second.connections >= 2


@pytest.mark.parametrize("in_flight", [1, 4])
async def test_cancelled_at_any_moment_nothing_stays_open(in_flight: int) -> None:
    for turns in range(0, 60, 3):
        async with peer() as server:
            async with Running(plan(server.port, 3, in_flight=in_flight)):
                for _ in range(turns):
                    await asyncio.sleep(0)
            assert not [task for task in asyncio.all_tasks() if task.get_name() == "connections"]
