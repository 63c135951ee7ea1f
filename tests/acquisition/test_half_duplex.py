"""The link of RTU and ASCII against a peer that goes wrong in every way: each read ends rightly, and the next is right.

On virtual time. `test_in_step.py` has the answers that are kept, `test_modbus_rtu.py` the real ports and sockets.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import NamedTuple

import pytest

from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.quiet import Timing
from gateway.errors import BadFrameError, DeviceExceptionError, NoAnswerError, NoConnectionError
from gateway.modbus.ascii_frame import lrc8
from gateway.modbus.tables import Table
from tests.acquisition.rtu_faults import FAULTS, echo_and_answer, silence, trickle
from tests.acquisition.virtual_wire import FRAMINGS, VirtualWire, link_on_loop_time
from tests.acquisition.wire_peer import Asked, Handler, Wire, WirePeer, answer, healthy, rtu

LONG = 30.0
SHORT = 0.05
HOLDING = Table.HOLDING_REGISTERS
TIMING = Timing(silence_s=0.00175, quiet_shortest_s=0.02, quiet_longest_s=0.3)


class Bus(NamedTuple):
    link: HalfDuplexLink
    peer: WirePeer
    wire: VirtualWire


@asynccontextmanager
async def bus_of(kind: str) -> AsyncIterator[Bus]:
    peer = WirePeer(healthy)
    link, wire = link_on_loop_time(peer, FRAMINGS[kind](), TIMING)
    await link.connect(LONG)
    try:
        yield Bus(link, peer, wire)
    finally:
        await link.close()
        await peer.stop()


@pytest.fixture(params=["rtu", "ascii"])
async def bus(request: pytest.FixtureRequest) -> AsyncIterator[Bus]:
    async with bus_of(request.param) as made:
        yield made


@pytest.fixture
async def rtu_bus() -> AsyncIterator[Bus]:
    async with bus_of("rtu") as made:
        yield made


async def right(bus: Bus, unit: int = 1) -> None:
    """The line serves as it should."""
    bus.peer.handler = healthy
    assert await bus.link.read(unit, HOLDING, 7, 2, LONG) == (unit * 1000 + 7, unit * 1000 + 8)


async def test_reads_every_table_up_to_its_limit(bus: Bus) -> None:
    assert await bus.link.read(1, HOLDING, 0, 125, LONG) == tuple(range(1000, 1125))
    assert await bus.link.read(2, Table.INPUT_REGISTERS, 9, 1, LONG) == (2009,)
    assert await bus.link.read(3, Table.COILS, 0, 2000, LONG) == tuple(int(i % 3 == 0) for i in range(2000))
    assert await bus.link.read(247, Table.DISCRETE_INPUTS, 1, 9, LONG) == (0, 0, 1, 0, 0, 1, 0, 0, 1)
    assert [asked.function for asked in bus.peer.asked] == [3, 3, 4, 1, 2]


async def test_the_interval_between_two_frames_is_kept(rtu_bus: Bus) -> None:
    loop = asyncio.get_running_loop()
    heard: list[float] = []
    sent: list[float] = []

    async def noted(asked: Asked, wire: Wire) -> None:
        sent.append(loop.time())
        await asyncio.sleep(0.003)
        heard.append(loop.time())
        wire.send(answer(asked))

    rtu_bus.peer.handler = noted
    for _ in range(20):
        await rtu_bus.link.read(1, HOLDING, 7, 2, LONG)
    gaps = [later - earlier for earlier, later in zip(heard, sent[1:], strict=False)]
    assert gaps == pytest.approx([TIMING.silence_s] * len(gaps), abs=1e-6)


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


@pytest.mark.parametrize("handler", [trickle, echo_and_answer])
async def test_answers_that_look_odd_and_are_right(rtu_bus: Bus, handler: Handler) -> None:
    rtu_bus.peer.handler = handler
    assert await rtu_bus.link.read(1, HOLDING, 7, 2, LONG) == (1007, 1008)
    await right(rtu_bus)


@pytest.mark.parametrize(("handler", "error", "message"), FAULTS, ids=[handler.__name__ for handler, _, _ in FAULTS])
async def test_a_fault_is_named_and_the_next_read_is_right(
    rtu_bus: Bus, handler: Handler, error: type[Exception], message: str
) -> None:
    await right(rtu_bus)
    for _ in range(3):
        rtu_bus.peer.handler = handler
        with pytest.raises(error, match=message):
            await rtu_bus.link.read(1, HOLDING, 7, 2, SHORT)
        assert rtu_bus.link.connected
        await right(rtu_bus)


def characters(message: bytes) -> bytes:
    return b":" + (message + bytes([lrc8(message)])).hex().upper().encode() + b"\r\n"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (characters(bytes.fromhex("01 03 04 0001 0002"))[:-4] + b"00\r\n", "wrong check sum"),
        (characters(bytes.fromhex("02 03 04 0001 0002")), "unit 2 answered a request to unit 1"),
        (characters(bytes.fromhex("01 03 02 0001")), "2 bytes of data where 4 were asked for"),
        (characters(bytes.fromhex("01 03 04 0001 0002"))[:9], "broke off after 9 of 19 bytes"),
        (b"\xff\xff", "byte 0xff came where a colon begins each frame"),
        (b":01G3", "other characters than hexadecimal digits"),
    ],
)
async def test_a_fault_in_ascii_is_named_and_the_next_read_is_right(data: bytes, message: str) -> None:
    async def wrong(asked: Asked, wire: Wire) -> None:
        made.wire.send_raw(data)

    async with bus_of("ascii") as made:
        await right(made)
        for _ in range(3):
            made.peer.handler = wrong
            with pytest.raises(BadFrameError, match=message):
                await made.link.read(1, HOLDING, 7, 2, SHORT)
            await right(made)


@pytest.mark.parametrize("code", range(1, 12))
async def test_an_exception_reply_costs_no_quiet_time(bus: Bus, code: int) -> None:
    async def refuse(asked: Asked, wire: Wire) -> None:
        wire.send(rtu(bytes([asked.unit, asked.function | 0x80, code])))

    await right(bus)
    begun_s = asyncio.get_running_loop().time()
    bus.peer.handler = refuse
    with pytest.raises(DeviceExceptionError, match=f"exception {code} "):
        await bus.link.read(1, HOLDING, 7, 2, LONG)
    await right(bus)
    assert asyncio.get_running_loop().time() - begun_s < 3 * TIMING.silence_s


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
    await asyncio.sleep(0.001)
    await right(bus)
    assert bus.link.counters.unsolicited_frames == 1


async def test_a_line_that_never_falls_silent_is_not_sent_into(bus: Bus) -> None:
    wires: list[Wire] = []

    async def keep(asked: Asked, wire: Wire) -> None:
        wires.append(wire)
        wire.send(answer(asked))

    bus.peer.handler = keep
    await bus.link.read(1, HOLDING, 7, 2, LONG)

    async def babble() -> None:
        while True:
            wires[0].send(b"\x55" * 20)
            await asyncio.sleep(0.005)

    babbling = asyncio.create_task(babble())
    await asyncio.sleep(0.1)
    with pytest.raises(BadFrameError, match="does not fall silent: another master"):
        await bus.link.read(1, HOLDING, 7, 2, LONG)
    babbling.cancel()
    assert len(bus.peer.asked) == 2, "the read before, and the short request at the start"
    await right(bus)


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


async def test_a_connection_that_is_lost_ends_a_waiting_read_and_the_next_serves(bus: Bus) -> None:
    bus.peer.handler = silence
    reading = asyncio.create_task(bus.link.read(1, HOLDING, 7, 2, LONG))
    await bus.peer.seen(1)
    bus.wire.hang_up()
    with pytest.raises(NoConnectionError, match="the peer closed"):
        await reading
    assert not bus.link.connected
    await bus.link.connect(LONG)
    await right(bus)


async def test_cancelled_at_any_moment_it_works_on(bus: Bus) -> None:
    async def connect_and_read() -> tuple[int, ...]:
        await bus.link.connect(LONG)
        return await bus.link.read(1, HOLDING, 7, 2, LONG)

    for turns in range(24):
        reading = asyncio.create_task(connect_and_read())
        for _ in range(turns):
            await asyncio.sleep(0)
        if reading.cancel():
            with pytest.raises(asyncio.CancelledError):
                await reading
    await bus.link.connect(LONG)
    await right(bus)
