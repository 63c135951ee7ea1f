"""A Modbus TCP server that answers as a recorded device did: for support and for tests, without the device."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress

from gateway.commissioning.capture import Exchange, MbapSplitter, is_read
from gateway.commissioning.connections import Connections

__all__ = ["Replay", "replaying"]

_CHUNK = 65_536
_EXCEPTION_BIT = 0x80
_ILLEGAL_FUNCTION = 1
_ILLEGAL_ADDRESS = 2


class Replay:
    """Made by `replaying`. Each request gets the recorded answers to it in turn, and from the start again at the end.

    A request that was never recorded gets exception 2 from a unit that was, else silence; one that is no read gets
    exception 1.
    """

    def __init__(self, exchanges: Mapping[tuple[int, bytes], list[Exchange]], *, with_delays: bool) -> None:
        self._exchanges = exchanges
        self._units = {unit for unit, _ in exchanges}
        self._with_delays = with_delays
        self._turns: dict[tuple[int, bytes], int] = {}
        self.clients = Connections(self._serve)

    async def _serve(self, reader: asyncio.StreamReader, client: asyncio.StreamWriter) -> None:
        splitter = MbapSplitter()
        with suppress(OSError):  # a client that is lost has ended
            while data := await reader.read(_CHUNK):
                for frame in splitter.feed(data):
                    if splitter.broken:
                        return
                    await self._answer(frame, client)
                await client.drain()

    async def _answer(self, frame: bytes, client: asyncio.StreamWriter) -> None:
        exchange = self._next(frame)
        if exchange.answer is None:
            return
        if self._with_delays:
            await asyncio.sleep(exchange.delay_s)
        length = len(exchange.answer) + 1
        client.write(frame[:4] + length.to_bytes(2) + frame[6:7] + exchange.answer)

    def _next(self, frame: bytes) -> Exchange:
        unit, pdu = frame[6], frame[7:]
        if not is_read(frame):
            return Exchange(bytes([pdu[0] | _EXCEPTION_BIT, _ILLEGAL_FUNCTION]), 0.0)
        recorded = self._exchanges.get((unit, pdu))
        if recorded is None:
            known = unit in self._units
            return Exchange(bytes([pdu[0] | _EXCEPTION_BIT, _ILLEGAL_ADDRESS]) if known else None, 0.0)
        turn = self._turns.get((unit, pdu), 0)
        self._turns[unit, pdu] = turn + 1
        return recorded[turn % len(recorded)]


@asynccontextmanager
async def replaying(
    exchanges: Mapping[tuple[int, bytes], list[Exchange]], listen: tuple[str, int], *, with_delays: bool = False
) -> AsyncIterator[tuple[Replay, int]]:
    """Serve until the block ends; gives the server and its port.

    Raises OSError when the address cannot be listened on, and at the end of the block the first fault of its own, for
    which `clients.until` comes back.
    """
    replay = Replay(exchanges, with_delays=with_delays)
    server = await asyncio.start_server(replay.clients.accept, *listen)
    try:
        yield replay, server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await replay.clients.close()
