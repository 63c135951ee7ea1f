"""An identifier whose answer may still come is not given to another request, though all 65,536 have gone round."""

import asyncio

import pytest

from gateway.acquisition.modbus_tcp import ModbusTcpLink
from gateway.acquisition.register_map import Table
from gateway.errors import NoAnswerError
from tests.acquisition.peer import Request, answer, peer

SOON, LONG = 0.05, 30.0


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
                await link.read(1, Table.HOLDING_REGISTERS, 0, 1, SOON)
            # The count of identifiers, put where 65,535 more requests would have brought it.
            connection = link._connection
            assert connection is not None
            connection._transaction = (held[0].transaction - 1) & 0xFFFF
            assert await link.read(1, Table.HOLDING_REGISTERS, 0, 1, LONG) == (7,)
            assert server.requests[1].transaction != held[0].transaction
            assert link.counters.late_answers == 1
        finally:
            await link.close()
