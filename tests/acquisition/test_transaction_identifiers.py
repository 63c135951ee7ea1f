"""A transaction identifier tells whose an answer is: over connections, and from whenever it was kept."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.acquisition.links.modbus_tcp import ModbusTcpLink
from gateway.acquisition.links.transaction_numbers import TransactionNumbers, numbers_of
from gateway.acquisition.links.transports import open_link
from gateway.acquisition.plan import LinePlan, TcpPath
from gateway.errors import BadFrameError, LinkError, NoAnswerError
from gateway.modbus.tables import Table
from tests.acquisition.peer import Request, answer, healthy, peer

SOON, LONG = 0.05, 30.0
HOLDING = Table.HOLDING_REGISTERS


@given(st.integers(0, 0xFFFF), st.lists(st.booleans(), max_size=3000))
def test_a_number_that_may_yet_be_answered_is_not_given_again(first: int, answered: list[bool]) -> None:
    numbers = TransactionNumbers(first)
    waiting: list[int] = []
    for is_answered in answered:
        number = numbers.next()
        assert 0 <= number <= 0xFFFF
        if is_answered:
            numbers.answered(number)
        else:
            numbers.given_up(number)
            waiting.append(number)
    for _ in range(0x10000 - len(answered)):
        numbers.answered(numbers.next())  # the whole round
    again = {numbers.next() for _ in range(3000)}
    assert again.isdisjoint(waiting[-1024:])


@given(st.integers(0, 0xFFFF), st.integers(0, 3000))
def test_the_last_1024_that_were_sent_are_known_and_none_that_never_was(first: int, sent: int) -> None:
    numbers = TransactionNumbers(first)
    given_out = []
    for _ in range(sent):
        given_out.append(numbers.next())
        numbers.answered(given_out[-1])
    known = {number for number in range(0x10000) if numbers.is_known(number)}
    assert known == set(given_out[-1024:])


def test_the_count_begins_anywhere_and_is_the_peers() -> None:
    assert len({TransactionNumbers().next() for _ in range(100)}) > 90
    one = numbers_of("192.0.2.77")
    assert numbers_of("192.0.2.77") is one
    assert numbers_of("192.0.2.78") is not one
    named = numbers_of("Converter.example")
    assert numbers_of("converter.EXAMPLE") is named


async def test_a_late_answer_that_comes_a_whole_round_later_is_still_nobodys() -> None:
    held: list[Request] = []

    async def late(request: Request, writer: asyncio.StreamWriter) -> None:
        if not held:
            held.append(request)
            return
        writer.write(answer(held[0], [666]) + answer(request, [7]))

    async with peer(late) as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        await link.connect(LONG)
        try:
            with pytest.raises(NoAnswerError):
                await link.read(1, HOLDING, 0, 1, SOON)
            for _ in range(0xFFFF):
                link._numbers.answered(link._numbers.next())
            assert await link.read(1, HOLDING, 0, 1, LONG) == (7,)
            assert server.requests[1].transaction != held[0].transaction
            assert link.counters.late_answers == 1
        finally:
            await link.close()


class Keeps:
    """A server that keeps every answer, over connections, and gives the oldest to each request."""

    def __init__(self) -> None:
        self.kept: list[bytes] = []

    async def __call__(self, request: Request, writer: asyncio.StreamWriter) -> None:
        self.kept.append(answer(request))
        if len(self.kept) > 2:
            writer.write(self.kept.pop(0))


async def test_answers_that_a_server_keeps_over_connections_are_nobodys() -> None:
    async with peer(Keeps()) as server:
        for address in (0, 100, 200, 300, 400, 500):
            link = ModbusTcpLink("127.0.0.1", server.port)
            await link.connect(LONG)
            for _ in range(2):
                with pytest.raises(LinkError):
                    await link.read(1, HOLDING, address, 1, SOON)
            await link.close()


async def test_one_count_serves_parallel_connections_and_the_standby_way() -> None:
    async with peer() as server:
        standby = TcpPath("127.0.0.1", server.port)
        links = [
            open_link(LinePlan("yard", "127.0.0.1", server.port, (), connections=3)),
            open_link(LinePlan("yard", "127.0.0.1", 1, (), standby=standby)),
            open_link(LinePlan("yard", "127.0.0.1", server.port, ())),
        ]
        for link in links:
            await link.connect(LONG)
        for unit in range(1, 20):
            for link in links:
                assert await link.read(unit, HOLDING, 5, 1, LONG) == (unit * 1000 + 5,)
        for link in links:
            await link.close()
        numbers = [request.transaction for request in server.requests]
        assert len(set(numbers)) == len(numbers) == 57
        assert sorted((number - numbers[0]) & 0xFFFF for number in numbers) == list(range(57))


def foreign(request: Request) -> bytes:
    return answer(request._replace(transaction=request.transaction ^ 0x5555), [666] * request.size)


async def test_an_answer_under_a_number_that_was_never_sent_ends_the_connection() -> None:
    async def both(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(foreign(request) + answer(request))

    async with peer() as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        await link.connect(LONG)
        await link.read(1, HOLDING, 0, 1, LONG)
        server.handler = both
        with pytest.raises(BadFrameError, match=r"under transaction identifier \d+, which was never sent"):
            await link.read(1, HOLDING, 0, 1, LONG)
        assert not link.connected
        assert link.counters.unsolicited_frames == 1
        server.handler = healthy
        await link.connect(LONG)
        assert await link.read(1, HOLDING, 0, 1, LONG) == (1000,)
        await link.close()


async def read_over(link: ModbusTcpLink, times: int) -> list[str]:
    found = []
    for _ in range(times):
        if not link.connected:
            await link.connect(LONG)
        try:
            found.append(str(await link.read(1, HOLDING, 0, 1, SOON)))
        except LinkError as exc:
            found.append(str(exc))
    return found


async def always_zero(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(foreign(request))


async def test_a_server_that_never_has_the_right_number_is_told_so_once_and_not_connected_to_anew() -> None:
    async with peer(always_zero) as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        with capture_logs() as logs:
            found = await read_over(link, 12)
        assert server.connections == 3
        assert set(found[2:]) == {
            "answers come under transaction identifiers that were never sent: what they are to cannot be told"
        }
        assert [log["event"] for log in logs] == ["peer.foreign_transaction_identifiers"]
        server.handler = healthy
        assert (await read_over(link, 1)) == ["(1000,)"]
        server.handler = always_zero
        assert "which was never sent" in (await read_over(link, 1))[0], (
            "a right one has come: the next wrong one counts"
        )
        await link.close()


async def test_a_server_that_floods_with_foreign_numbers_is_left() -> None:
    async def flood(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(foreign(request) * 2000)

    async with peer(flood) as server:
        link = ModbusTcpLink("127.0.0.1", server.port)
        found = await read_over(link, 3)
        assert found[2] == "more than 1000 frames in a row that answer no request"
        await link.close()
