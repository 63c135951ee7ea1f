"""The Modbus TCP link against peers that do it right and peers that do everything wrong, on real sockets."""

import asyncio
import os
import socket
import struct
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.links.link import Link
from gateway.acquisition.links.modbus_tcp import ModbusTcpLink, request_frame
from gateway.errors import DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from tests.acquisition.faults import DEADLINE_MUST_PASS, FAULTS, closes, flood, header_only, silence, truncated
from tests.acquisition.peer import Handler, Request, answer, exception, healthy, peer

H = Table.HOLDING_REGISTERS
SOON = 0.05
"""A deadline that is meant to pass."""
LONG = 30.0
"""A deadline that is not."""
REPETITIONS = int(os.environ.get("SOAK_REPETITIONS", "100"))


@asynccontextmanager
async def linked(port: int) -> AsyncIterator[Link]:
    link = ModbusTcpLink("127.0.0.1", port)
    await link.connect(LONG)
    try:
        yield link
    finally:
        await link.close()


@pytest.mark.parametrize(
    ("table", "count", "values"),
    [
        (Table.COILS, 10, (0, 0, 1, 0, 0, 1, 0, 0, 1, 0)),
        (Table.DISCRETE_INPUTS, 1, (0,)),
        (H, 3, (17007, 17008, 17009)),
        (Table.INPUT_REGISTERS, 1, (17007,)),
    ],
)
async def test_reads_each_table(table: Table, count: int, values: tuple[int, ...]) -> None:
    async with peer() as server, linked(server.port) as link:
        assert await link.read(17, table, 7, count, LONG) == values
        # What it says it has sent is what came to the other end.
        assert link.counters.sent == Counter(each.function for each in server.requests) == {table.read_function: 1}
        assert link.connected


@pytest.mark.parametrize(("table", "count"), [(Table.COILS, 2000), (H, 125)])
async def test_reads_the_largest_block(table: Table, count: int) -> None:
    async with peer() as server, linked(server.port) as link:
        assert len(await link.read(1, table, 0, count, LONG)) == count


@pytest.mark.parametrize(("table", "count"), [(Table.COILS, 2001), (H, 126), (H, 0)])
async def test_a_count_that_no_device_may_answer_is_a_mistake_of_the_caller(table: Table, count: int) -> None:
    async with peer() as server, linked(server.port) as link:
        with pytest.raises(ValueError, match="cannot be read in one request"):
            await link.read(1, table, 0, count, LONG)
        assert server.requests == []


async def test_several_requests_in_flight_answered_in_reverse() -> None:
    waiting: list[Request] = []

    async def reverse(request: Request, writer: asyncio.StreamWriter) -> None:
        waiting.append(request)
        if len(waiting) == 8:
            writer.write(b"".join(answer(request) for request in reversed(waiting)))

    async with peer(reverse) as server, linked(server.port) as link:
        results = await asyncio.gather(*(link.read(unit, H, 5, 1, LONG) for unit in range(1, 9)))
    assert results == [(unit * 1000 + 5,) for unit in range(1, 9)]


@pytest.mark.parametrize(("handler", "kind", "message", "stays"), FAULTS, ids=[fault[0].__name__ for fault in FAULTS])
async def test_fault_is_named_and_the_next_answer_is_right(
    handler: Handler, kind: type[LinkError], message: str, stays: bool
) -> None:
    deadline = SOON if handler in DEADLINE_MUST_PASS else LONG
    async with peer(handler) as server, linked(server.port) as link:
        with pytest.raises(kind, match=message) as caught:
            await link.read(17, H, 3, 2, deadline)
        assert type(caught.value) is kind
        assert link.connected is stays
        server.handler = healthy
        if not stays:
            with pytest.raises(NoConnectionError):
                await link.read(17, H, 3, 2, LONG)
            await link.connect(LONG)
        assert await link.read(17, H, 3, 2, LONG) == (17003, 17004)


@pytest.mark.parametrize("code", [*range(1, 12), 0, 255])
async def test_exceptions_are_told_by_their_code(code: int) -> None:
    async def refuse(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(exception(request, code))

    async with peer(refuse) as server, linked(server.port) as link:
        with pytest.raises(DeviceExceptionError, match=f"exception {code} ") as caught:
            await link.read(1, H, 0, 1, LONG)
        assert caught.value.code == code
        assert caught.value.retry_helps is (code not in (1, 2, 3))
        assert link.connected


async def test_a_late_answer_is_never_the_answer_to_the_next_request() -> None:
    held: list[Request] = []

    async def late(request: Request, writer: asyncio.StreamWriter) -> None:
        if not held:
            held.append(request)
            return
        writer.write(answer(held[0], [666]) + answer(request, [7]))

    async with peer(late) as server, linked(server.port) as link:
        with pytest.raises(NoAnswerError):
            await link.read(1, H, 0, 1, SOON)
        assert await link.read(1, H, 0, 1, LONG) == (7,)
        assert link.counters.late_answers == 1
        assert link.counters.unsolicited_frames == 0


async def test_the_answer_to_a_cancelled_read_is_dropped() -> None:
    held: list[Request] = []

    async def late(request: Request, writer: asyncio.StreamWriter) -> None:
        if not held:
            held.append(request)
            return
        writer.write(answer(held[0], [666]) + answer(request, [7]))

    async with peer(late) as server, linked(server.port) as link:
        reading = asyncio.create_task(link.read(1, H, 0, 1, LONG))
        await server.seen(1)
        reading.cancel()
        with pytest.raises(asyncio.CancelledError):
            await reading
        assert await link.read(1, H, 0, 1, LONG) == (7,)
        assert link.counters.late_answers == 1


async def test_a_read_cancelled_by_a_timeout_of_the_caller_gives_that_timeout() -> None:
    async with peer(silence) as server, linked(server.port) as link:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(SOON):
                await link.read(1, H, 0, 1, LONG)


async def test_a_read_cancelled_as_its_answer_arrives_stays_cancelled() -> None:
    async with peer() as server, linked(server.port) as link:
        for handler in (healthy, closes):
            server.handler = handler
            reading = asyncio.create_task(link.read(1, H, 0, 1, LONG))
            await server.seen(len(server.requests) + 1)
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading


async def test_cancelled_while_connecting_leaves_nothing_open() -> None:
    # A listener with a full backlog neither accepts nor refuses.
    with socket.socket() as listener, socket.socket() as first, socket.socket() as second:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for filler in (first, second):
            filler.setblocking(False)
            with suppress(BlockingIOError):
                filler.connect(listener.getsockname())
        link = ModbusTcpLink("127.0.0.1", listener.getsockname()[1])
        before = _open_sockets()
        for _ in range(10):
            connecting = asyncio.create_task(link.connect(LONG))
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            connecting.cancel()
            with pytest.raises(asyncio.CancelledError):
                await connecting
            assert not link.connected
            with pytest.raises(NoConnectionError, match=r"no connection within 0\.01 s"):
                await link.connect(0.01)
        for _ in range(3):
            await asyncio.sleep(0)  # the loop closes in its own turn what was given up
        assert _open_sockets() - before == set()


def _open_sockets() -> set[str]:
    """Each by its own number, so that none is taken for another that was closed meanwhile by whoever else there is."""
    found = set()
    for descriptor in os.listdir("/proc/self/fd"):
        with suppress(FileNotFoundError):  # that of the listing itself
            found.add(os.readlink(f"/proc/self/fd/{descriptor}"))
    return {each for each in found if each.startswith("socket:")}


async def test_byte_by_byte_is_as_good_as_at_once() -> None:
    async def trickle(request: Request, writer: asyncio.StreamWriter) -> None:
        for byte in answer(request):
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0)

    async with peer(trickle) as server, linked(server.port) as link:
        assert await link.read(2, H, 0, 10, LONG) == tuple(range(2000, 2010))


async def test_frames_glued_together_are_taken_apart() -> None:
    async def glued(request: Request, writer: asyncio.StreamWriter) -> None:
        again = answer(server.requests[0], [1])
        writer.write(again + answer(request) + again + again[:5])
        await writer.drain()
        writer.write(again[5:])

    async with peer() as server, linked(server.port) as link:
        assert await link.read(2, H, 7, 1, LONG) == (2007,)
        server.handler = glued
        assert await link.read(2, H, 0, 1, LONG) == (2000,)
        server.handler = healthy
        assert await link.read(2, H, 9, 1, LONG) == (2009,)
        assert (link.counters.late_answers, link.counters.unsolicited_frames) == (3, 0)


async def test_any_number_of_answers_that_come_again_is_counted_and_dropped() -> None:
    async def chatty(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(answer(server.requests[0], [1]) * 900 + answer(request))

    async with peer() as server, linked(server.port) as link:
        await link.read(2, H, 7, 1, LONG)
        server.handler = chatty
        for _ in range(5):
            assert await link.read(2, H, 0, 1, LONG) == (2000,)
        assert link.counters.late_answers == 4500


async def test_a_closing_peer_wakes_every_waiting_read_at_once() -> None:
    async def close_at_the_third(request: Request, writer: asyncio.StreamWriter) -> None:
        if len(server.requests) == 3:
            writer.close()

    async with peer(close_at_the_third) as server, linked(server.port) as link:
        results = await asyncio.gather(*(link.read(1, H, 0, 1, LONG) for _ in range(3)), return_exceptions=True)
        assert [type(result) for result in results] == [NoConnectionError] * 3
        assert not link.connected


async def test_deadlines_of_several_requests_pass_each_at_its_own_time() -> None:
    async def only_unit_two(request: Request, writer: asyncio.StreamWriter) -> None:
        if request.unit == 4:
            for earlier in server.requests:
                if earlier.unit in (2, 4):
                    writer.write(answer(earlier))

    async with peer(only_unit_two) as server, linked(server.port) as link:
        slow = asyncio.create_task(link.read(2, H, 0, 1, LONG))
        with pytest.raises(NoAnswerError, match=r"0\.05 s"):
            await link.read(1, H, 0, 1, SOON)
        with pytest.raises(NoAnswerError, match=r"0\.01 s"):
            await link.read(3, H, 0, 1, 0.01)
        assert await link.read(4, H, 0, 1, LONG) == (4000,)
        assert await slow == (2000,)


async def test_refused_and_unresolvable_are_no_connection() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        link = ModbusTcpLink("127.0.0.1", unused.getsockname()[1])
        with pytest.raises(NoConnectionError, match="the connection was refused") as refused:
            await link.connect(LONG)
    assert isinstance(refused.value.__cause__, ConnectionRefusedError)
    with pytest.raises(NoConnectionError):
        await ModbusTcpLink("x" * 64 + ".invalid", 502).connect(LONG)


async def test_a_name_that_does_not_resolve_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    async def no_such_name(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", no_such_name)
    with pytest.raises(NoConnectionError, match="the host name cannot be resolved"):
        await ModbusTcpLink("tank-farm.invalid", 502).connect(LONG)


async def test_reads_without_a_connection_are_refused_and_closing_twice_does_no_harm() -> None:
    link = ModbusTcpLink("127.0.0.1", 9)
    await link.close()
    with pytest.raises(NoConnectionError, match="not connected"):
        await link.read(1, H, 0, 1, LONG)
    async with peer() as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        await link.connect(LONG)
        await link.connect(LONG)
        assert await link.read(1, H, 0, 1, LONG) == (1000,)
        assert server.connections == 2
        await link.close()
        await link.close()


async def test_closing_ends_a_waiting_read() -> None:
    async with peer(silence) as server, linked(server.port) as link:
        reading = asyncio.create_task(link.read(1, H, 0, 1, LONG))
        await server.seen(1)
        await link.close()
        with pytest.raises(NoConnectionError, match="closed here"):
            await reading


@pytest.mark.parametrize(
    "handler", [fault[0] for fault in FAULTS if fault[0] is not flood], ids=lambda fault: fault.__name__
)
async def test_repeated_faults_leave_nothing_behind(handler: Handler) -> None:
    async with peer(healthy) as server, linked(server.port) as link:
        await link.read(1, H, 0, 2, LONG)
        tasks = len(asyncio.all_tasks())
        files = len(os.listdir("/proc/self/fd"))
        for _ in range(REPETITIONS):
            server.handler = handler
            with pytest.raises(LinkError):
                await link.read(1, H, 0, 2, 0.001 if handler in DEADLINE_MUST_PASS else LONG)
            server.handler = healthy
            # Half an answer may also come just after so short a deadline.
            if not link.connected or handler in (truncated, header_only):
                await link.connect(LONG)
            assert await link.read(1, H, 0, 2, LONG) == (1000, 1001)
        assert len(asyncio.all_tasks()) == tasks
        assert len(os.listdir("/proc/self/fd")) == files


@given(
    transaction=st.integers(0, 0xFFFF),
    unit=st.integers(0, 255),
    table=st.sampled_from(Table),
    address=st.integers(0, 0xFFFF),
    count=st.integers(1, 2000),
)
def test_no_arguments_make_a_frame_that_is_not_a_read(
    transaction: int, unit: int, table: Table, address: int, count: int
) -> None:
    frame = request_frame(transaction, unit, table, address, count)
    expected = {"coils": 1, "discrete_inputs": 2, "holding_registers": 3, "input_registers": 4}[table.value]
    assert struct.unpack(">HHHBBHH", frame) == (transaction, 0, 6, unit, expected, address, count)
