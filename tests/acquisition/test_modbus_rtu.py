"""RTU on a pseudo terminal and inside TCP, against a peer that goes wrong in every way: each read ends rightly, and the
next one is right again."""

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from gateway.acquisition.framing import ReadRequest
from gateway.acquisition.half_duplex import HalfDuplexLink, Timing
from gateway.acquisition.plan import FrameKind, SerialPath, TcpPath
from gateway.acquisition.register_map import Table
from gateway.acquisition.rtu_frame import RtuFraming
from gateway.acquisition.serial_port import SerialChannel
from gateway.acquisition.tcp_channel import TcpChannel
from gateway.acquisition.transports import open_path
from gateway.errors import BadFrameError, DeviceExceptionError, NoAnswerError, NoConnectionError
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
async def serial_bus(folder: Path, timing: Timing = TIMING) -> AsyncIterator[Bus]:
    path = folder / "ttyUSB0"
    async with on_a_pty(path) as (peer, _):
        framing = RtuFraming()
        link = HalfDuplexLink(SerialChannel(SerialPath(str(path), 115_200), framing), framing, timing)
        await link.connect(LONG)
        try:
            yield Bus(link, peer)
        finally:
            await link.close()


@asynccontextmanager
async def tcp_bus(folder: Path, timing: Timing = TIMING) -> AsyncIterator[Bus]:
    async with behind_a_converter() as (peer, port):
        framing = RtuFraming()
        link = HalfDuplexLink(TcpChannel("127.0.0.1", port, framing), framing, timing)
        await link.connect(LONG)
        try:
            yield Bus(link, peer)
        finally:
            await link.close()


MakeBus = Callable[[Path, Timing], AbstractAsyncContextManager[Bus]]


@pytest.fixture(params=[serial_bus, tcp_bus], ids=["serial", "tcp"])
async def bus(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bus]:
    async with request.param(tmp_path) as made:
        yield made


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(LONG):
        while not condition():  # noqa: ASYNC110 - the link tells nobody
            await asyncio.sleep(0.001)


async def right(bus: Bus, unit: int = 1) -> None:
    """The line serves as it should."""
    bus.peer.handler = healthy
    assert await bus.link.read(unit, HOLDING, 7, 2, LONG) == (unit * 1000 + 7, unit * 1000 + 8)


async def test_reads_every_table_up_to_its_limit(bus: Bus) -> None:
    assert await bus.link.read(1, HOLDING, 0, 125, LONG) == tuple(range(1000, 1125))
    assert await bus.link.read(2, Table.INPUT_REGISTERS, 9, 1, LONG) == (2009,)
    assert await bus.link.read(3, Table.COILS, 0, 2000, LONG) == tuple(int(i % 3 == 0) for i in range(2000))
    assert await bus.link.read(247, Table.DISCRETE_INPUTS, 1, 9, LONG) == (0, 0, 1, 0, 0, 1, 0, 0, 1)
    assert [asked.function for asked in bus.peer.asked] == [3, 4, 1, 2]


async def test_reads_asked_for_at_once_are_made_one_after_another(bus: Bus) -> None:
    inside = 0

    async def alone(asked: Asked, wire: Wire) -> None:
        nonlocal inside
        inside += 1
        assert inside == 1
        await asyncio.sleep(0)
        inside -= 1
        wire.send(answer(asked))

    bus.peer.handler = alone
    found = await asyncio.gather(*(bus.link.read(unit, HOLDING, 0, 1, LONG) for unit in range(1, 9)))
    assert found == [(unit * 1000,) for unit in range(1, 9)]


async def trickle(asked: Asked, wire: Wire) -> None:
    for byte in answer(asked):
        wire.send(bytes([byte]))
        await asyncio.sleep(0.001)


async def echo_and_answer(asked: Asked, wire: Wire) -> None:
    request = rtu(bytes([asked.unit, asked.function]) + asked.address.to_bytes(2) + asked.size.to_bytes(2))
    wire.send(request[:3])
    await asyncio.sleep(0.001)
    wire.send(request[3:] + answer(asked))


@pytest.mark.parametrize("handler", [trickle, echo_and_answer])
async def test_answers_that_look_odd_and_are_right(bus: Bus, handler: Handler) -> None:
    bus.peer.handler = handler
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    await right(bus)


async def silence(asked: Asked, wire: Wire) -> None:
    pass


async def other_unit(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked._replace(unit=asked.unit + 1)))


async def other_function(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked._replace(function=7 - asked.function)))


async def other_count(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked._replace(size=asked.size - 1)))


async def wrong_sum(asked: Asked, wire: Wire) -> None:
    frame = answer(asked)
    wire.send(frame[:-1] + bytes([frame[-1] ^ 1]))


async def truncated(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked)[:-3])


async def glued(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked) + answer(asked._replace(address=0)))


async def garbage(asked: Asked, wire: Wire) -> None:
    wire.send(b"\xff\x00\xff\x00")


async def another_master(asked: Asked, wire: Wire) -> None:
    wire.send(rtu(bytes.fromhex("05 03 0000 0002")))


class OtherUnitInTwoPieces:
    """The second comes when the first has been heard, and is known to be wrong."""

    def __init__(self, bus: Bus) -> None:
        self._link = bus.link

    async def __call__(self, asked: Asked, wire: Wire) -> None:
        frame = answer(asked._replace(unit=asked.unit + 1))
        heard_s = self._link._heard_s
        wire.send(frame[:2])
        while self._link._heard_s == heard_s:  # noqa: ASYNC110 - the link tells nobody
            await asyncio.sleep(0)
        wire.send(frame[2:])


Fault = Handler | type[OtherUnitInTwoPieces]
DEADLINE_MUST_PASS: tuple[Fault, ...] = (silence, truncated)


def made(fault: Fault, bus: Bus) -> Handler:
    return fault(bus) if isinstance(fault, type) else fault


@pytest.mark.parametrize(
    ("handler", "error", "message"),
    [
        (silence, NoAnswerError, "no answer within 0.05 s"),
        (truncated, BadFrameError, "the answer broke off after 6 of 9 bytes"),
        (other_unit, BadFrameError, "unit 2 answered a request to unit 1"),
        (other_function, BadFrameError, "function 4 answered a request for function 3"),
        (other_count, BadFrameError, "2 bytes of data where 4 were asked for"),
        (wrong_sum, BadFrameError, "wrong check sum"),
        (glued, BadFrameError, "18 bytes came where an answer of 9 was awaited"),
        (garbage, BadFrameError, "unit 255 answered"),
        (another_master, BadFrameError, "unit 5 answered"),
        (OtherUnitInTwoPieces, BadFrameError, "unit 2 answered a request to unit 1"),
    ],
)
async def test_a_fault_is_named_and_the_next_read_is_right(
    bus: Bus, handler: Fault, error: type[Exception], message: str
) -> None:
    for _ in range(3):
        bus.peer.handler = made(handler, bus)
        with pytest.raises(error, match=message):
            await bus.link.read(1, HOLDING, 7, 2, SHORT if handler in DEADLINE_MUST_PASS else LONG)
        assert bus.link.connected
        await right(bus)


@pytest.mark.parametrize("code", range(1, 12))
async def test_an_exception_reply_costs_no_quiet_time(bus: Bus, code: int) -> None:
    async def refuse(asked: Asked, wire: Wire) -> None:
        wire.send(rtu(bytes([asked.unit, asked.function | 0x80, code])))

    bus.peer.handler = refuse
    with pytest.raises(DeviceExceptionError, match=f"exception {code} "):
        await bus.link.read(1, HOLDING, 7, 2, LONG)
    await right(bus)


class LateOnce:
    """Answers the first request so long after it was sent, and no later one before that.

    The late answer has the unit, function and length of the awaited one, and other values: who asks again too early
    gets those.
    """

    def __init__(self, late_s: float) -> None:
        self._late_s = late_s
        self._asked_before = False
        self._sent = asyncio.Event()

    async def __call__(self, asked: Asked, wire: Wire) -> None:
        if self._asked_before:
            await self._sent.wait()
            wire.send(answer(asked))
        else:
            self._asked_before = True
            await asyncio.sleep(self._late_s)
            wire.send(answer(asked, [666] * asked.size))
            self._sent.set()


async def test_a_late_answer_is_not_taken_for_the_next_requests(bus: Bus) -> None:
    bus.peer.handler = LateOnce(2 * SHORT)
    with pytest.raises(NoAnswerError):
        await bus.link.read(1, HOLDING, 7, 2, SHORT)
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    assert bus.link.counters.late_answers == 1
    assert bus.link.counters.unsolicited_frames == 0


async def test_a_cancelled_reads_answer_is_not_taken_for_the_next_requests(bus: Bus) -> None:
    bus.peer.handler = LateOnce(SHORT)
    reading = asyncio.create_task(bus.link.read(1, HOLDING, 7, 2, LONG))
    await bus.peer.seen(1)
    reading.cancel()
    with pytest.raises(asyncio.CancelledError):
        await reading
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    assert bus.link.counters.late_answers == 1


async def test_a_read_cancelled_while_the_line_settles_leaves_it_to_the_next(bus: Bus) -> None:
    bus.peer.handler = LateOnce(3 * SHORT)
    reading = asyncio.create_task(bus.link.read(1, HOLDING, 7, 2, SHORT))
    await bus.peer.seen(1)
    await asyncio.sleep(1.5 * SHORT)
    reading.cancel()
    with pytest.raises(asyncio.CancelledError):
        await reading
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    assert bus.link.counters.late_answers == 1


class Kept:
    """Something between that keeps what it is given: it passes on nothing, until `freed`, and then all in order."""

    def __init__(self, bus: Bus, refuses: bool = False) -> None:
        self.freed = False
        self.asked = 0
        self._link = bus.link
        self._refuses = refuses
        self._kept: list[bytes] = []

    async def __call__(self, asked: Asked, wire: Wire) -> None:
        self.asked += 1
        refuses = self._refuses and self.asked == 1
        self._kept.append(rtu(bytes([asked.unit, asked.function | 0x80, 2])) if refuses else answer(asked))
        if self.freed:
            kept, self._kept = self._kept, []
            for frame in kept:
                await asyncio.sleep(0.03)  # as long as each takes on the bus behind it
                heard_s = self._link._heard_s
                wire.send(frame)
                await until(lambda: self._link._heard_s > heard_s)  # noqa: B023 - called before the next is bound


async def unanswered(bus: Bus, unit: int, address: int, times: int = 1) -> None:
    for _ in range(times):
        with pytest.raises(NoAnswerError):
            await bus.link.read(unit, HOLDING, address, 2, SHORT)


@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("refuses", [False, True])
async def test_an_answer_kept_since_long_is_not_taken_for_that_of_other_registers(
    bus: Bus, times: int, refuses: bool
) -> None:
    """The line was silent for longer than a late answer is waited for: nothing but the order of things tells."""
    kept = bus.peer.handler = Kept(bus, refuses)
    await unanswered(bus, 1, 7, times)
    kept.freed = True
    assert await bus.link.read(1, HOLDING, 20, 2, LONG) == (1020, 1021)
    assert kept.asked == times + 2, "asked once more"
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    assert kept.asked == times + 3, "and not again"
    assert (bus.link.counters.late_answers, bus.link.counters.unsolicited_frames) == (times, 0)


async def test_an_old_answer_to_the_same_registers_is_dropped_too(bus: Bus) -> None:
    """Taken for the new one, it would leave the new one to be taken for that of the registers asked for next."""
    kept = bus.peer.handler = Kept(bus)
    await unanswered(bus, 1, 7)
    kept.freed = True
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    assert await bus.link.read(1, HOLDING, 20, 2, LONG) == (1020, 1021)
    assert kept.asked == 4
    assert (bus.link.counters.late_answers, bus.link.counters.unsolicited_frames) == (1, 0)


async def test_kept_answers_of_several_units_look_like_late_ones_and_not_like_another_master(bus: Bus) -> None:
    kept = bus.peer.handler = Kept(bus)
    for unit in (1, 2, 3):
        await unanswered(bus, unit, 7)
    kept.freed = True
    with pytest.raises(BadFrameError):
        await bus.link.read(4, HOLDING, 7, 2, LONG)
    assert (bus.link.counters.late_answers, bus.link.counters.unsolicited_frames) == (3, 0)
    await right(bus, 4)


async def test_how_long_a_late_answer_is_waited_for_is_learned_from_the_units_answers(bus: Bus) -> None:
    await right(bus)  # at once: a late answer of this unit would be waited for shortly only

    async def slow(asked: Asked, wire: Wire) -> None:
        await asyncio.sleep(2 * SHORT)
        wire.send(answer(asked))

    bus.peer.handler = slow
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    bus.peer.handler = LateOnce(3 * SHORT)
    with pytest.raises(NoAnswerError):
        await bus.link.read(1, HOLDING, 7, 2, SHORT)
    assert await bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    assert bus.link.counters.late_answers == 1


async def test_frames_that_nobody_asked_for_are_counted_and_waited_out(bus: Bus) -> None:
    wires: list[Wire] = []

    async def keep(asked: Asked, wire: Wire) -> None:
        wires.append(wire)
        wire.send(answer(asked))

    bus.peer.handler = keep
    await bus.link.read(1, HOLDING, 7, 2, LONG)
    wires[0].send(answer(Asked(1, 3, 7, 2), [666, 666]))
    await until(lambda: bus.link.counters.unsolicited_frames > 0)
    await right(bus)
    assert bus.link.counters.unsolicited_frames == 1


class Noise:
    """A channel on which something comes in every turn of the loop, until it is `quiet`; then it answers rightly."""

    def __init__(self) -> None:
        self.quiet = False
        self.asked: list[ReadRequest] = []
        self._on_bytes: Callable[[bytes], None] = lambda data: None

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        self._on_bytes = on_bytes
        self.quiet = False
        self._babble()

    def _babble(self) -> None:
        if not self.quiet:
            self._on_bytes(b"\x55" * 20)
            asyncio.get_running_loop().call_soon(self._babble)

    def transmit(self, request: ReadRequest) -> None:
        self.asked.append(request)
        asked = Asked(request.unit, request.table.read_function, request.address, request.quantity)
        asyncio.get_running_loop().call_soon(self._on_bytes, answer(asked))

    async def close(self) -> None:
        self.quiet = True


async def test_a_line_that_never_falls_silent_is_not_sent_into() -> None:
    noise = Noise()
    link = HalfDuplexLink(noise, RtuFraming(), Timing(quiet_shortest_s=0.2, quiet_longest_s=0.2))
    await link.connect(LONG)
    with pytest.raises(BadFrameError, match="does not fall silent: another master"):
        await link.read(1, HOLDING, 7, 2, LONG)
    assert noise.asked == []
    noise.quiet = True
    assert await link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    await link.close()


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


async def test_no_descriptor_and_no_task_is_left_behind(bus: Bus) -> None:
    await right(bus)
    await bus.link.close()
    await asyncio.sleep(0)
    descriptors = len(os.listdir("/proc/self/fd"))
    tasks = len(asyncio.all_tasks())
    for _ in range(200):
        await bus.link.connect(LONG)
        await bus.link.close()
    await asyncio.sleep(0.01)  # lets the converter notice the last end
    assert len(os.listdir("/proc/self/fd")) <= descriptors + 1
    assert len(asyncio.all_tasks()) <= tasks + 1


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
