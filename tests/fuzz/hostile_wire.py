"""A wire in memory whose far end does what a string of bytes says, on an event loop of virtual time.

Every request is answered by the next piece of the script: rightly, with damage, with anything at all, late, in pieces,
twice, or not; or the connection ends. When the script is at its end, everything is answered rightly.
"""

import asyncio
from collections.abc import Callable

from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.link import Link, LinkCounters
from gateway.acquisition.links.modbus_tcp import MbapConnection
from gateway.acquisition.links.quiet import Timing
from gateway.acquisition.links.transaction_numbers import TransactionNumbers
from gateway.errors import NoConnectionError
from gateway.modbus.ascii_frame import AsciiFraming
from gateway.modbus.framing import Framing, ReadRequest
from gateway.modbus.rtu_frame import RtuFraming
from gateway.modbus.tables import Table
from tests.acquisition.virtual_wire import LoopTimer
from tests.fuzz.dialects import Dialect, asked_count, right_pdu
from tests.support.wire import Request

__all__ = ["HostileWire", "Script", "link_on"]

TIMING = Timing(silence_s=0.00175, quiet_shortest_s=0.05, quiet_longest_s=0.5)
FRAMINGS: dict[str, Callable[[], Framing]] = {"rtu": RtuFraming, "ascii": AsciiFraming}


class Script:
    """Bytes that are used up from the first to the last."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._place = 0

    @property
    def is_over(self) -> bool:
        return self._place >= len(self._data)

    def number(self, below: int) -> int:
        """0 when the script is over."""
        return self.some(1)[0] % below if not self.is_over else 0

    def some(self, count: int) -> bytes:
        found = self._data[self._place : self._place + count]
        self._place += count
        return found


class HostileWire:
    def __init__(self, dialect: Dialect, script: Script) -> None:
        self._dialect = dialect
        self._script = script
        self._deliver: Callable[[bytes], None] | None = None
        self._lose: Callable[[], None] | None = None
        self.asked: list[tuple[Request, bytearray]] = []
        """Every request, and all bytes that came after it over the connection."""

    def right_values(self, request: Request) -> list[int]:
        first = int.from_bytes(request.body[:2])
        return [(request.unit * 1000 + first + place) & 0xFFFF for place in range(asked_count(request))]

    def was_answered(self, request: Request, values: list[int], since: bytes) -> bool:
        """Whether the whole, regular answer with these values is among the bytes."""
        return self._dialect.frame(request, right_pdu(request, values)) in since

    def connect(self, deliver: Callable[[bytes], None], lose: Callable[[], None]) -> None:
        """Raises NoConnectionError when the script says so."""
        if self._script.number(8) == 7:
            raise NoConnectionError("the connection was refused")
        self._deliver, self._lose = deliver, lose

    def cut(self) -> None:
        """Nothing comes any more over the connection that is."""
        self._deliver = self._lose = None

    def sent(self, frame: bytes) -> None:
        (request,), fault = self._dialect.parse(frame)
        assert fault is None
        assert request.reads_only
        self.asked.append((request, bytearray()))
        loop = asyncio.get_running_loop()
        for delay_s, piece in self._answer(request):
            loop.call_later(delay_s, self._arrive, self._deliver, piece)

    def _arrive(self, deliver: Callable[[bytes], None] | None, piece: bytes | None) -> None:
        if deliver is None or deliver is not self._deliver:
            return  # of a connection that is no more
        if piece is None:
            lose = self._lose
            self.cut()
            assert lose is not None
            lose()
            return
        for _, since in self.asked[-40:]:
            since += piece
        deliver(piece)

    def _answer(self, request: Request) -> list[tuple[float, bytes | None]]:
        """Pieces with their delays; None for the end of the connection."""
        script = self._script
        right = self._dialect.frame(request, right_pdu(request, self.right_values(request)))
        if script.is_over:
            return [(0.001, right)]
        kind = script.number(15)
        data: bytes | None = right
        if kind == 1:
            data = b""
        elif kind == 2:
            data = script.some(script.number(40))
        elif kind == 3:
            data = _changed(right, script.number(256), script.number(255) + 1)
        elif kind == 4:
            data = right[: script.number(256) % len(right)]
        elif kind == 5:
            data = script.some(script.number(12)) + right
        elif kind == 6:
            data = right + script.some(script.number(12))
        elif kind == 7:
            data = right + right
        elif kind == 8:
            data = None
        elif kind == 9:  # a right frame with another PDU
            data = self._dialect.frame(request, script.some(1 + script.number(12)) or b"\x83")
        elif kind == 10:  # a right answer with other values
            values = [int.from_bytes(script.some(2)) for _ in range(asked_count(request))]
            data = self._dialect.frame(request, right_pdu(request, values))
        elif kind == 11:  # of another unit, another function or another transaction
            other = request._replace(unit=script.number(256), transaction=request.transaction ^ script.number(4))
            values = self.right_values(request)[: script.number(4) or None]
            data = self._dialect.frame(other, right_pdu(request._replace(function=3 + script.number(2)), values))
        elif kind == 12:
            data = self._dialect.frame(request, bytes([request.function | 0x80, script.number(256)]))
        elif kind == 13:  # with fewer or more registers than were asked for
            values = [*self.right_values(request), 7, 8, 9][: script.number(asked_count(request) + 3)]
            data = self._dialect.frame(request, right_pdu(request, values))
        delay_s = script.number(256) * 0.004
        if data is None:
            return [(delay_s, None)]
        cut = script.number(256) % (len(data) + 1)
        if cut in (0, len(data)):
            return [(delay_s, data)] if data else []
        return [(delay_s, data[:cut]), (delay_s + script.number(256) * 0.002, data[cut:])]


def _changed(frame: bytes, place: int, flip: int) -> bytes:
    place %= len(frame)
    return frame[:place] + bytes([frame[place] ^ flip]) + frame[place + 1 :]


class _MemoryTransport(asyncio.Transport):
    def __init__(self, wire: HostileWire, connection: MbapConnection) -> None:
        super().__init__()
        self._wire = wire
        self._connection = connection
        self._is_aborted = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        assert not self._is_aborted
        self._wire.sent(bytes(data))

    def abort(self) -> None:
        if not self._is_aborted:
            self._is_aborted = True
            self._wire.cut()
            asyncio.get_running_loop().call_soon(self._connection.connection_lost, None)


class _MemoryTcpLink:
    """What `ModbusTcpLink` is, on a hostile wire instead of a socket."""

    def __init__(self, wire: HostileWire) -> None:
        self._wire = wire
        self._connection: MbapConnection | None = None
        self._numbers = TransactionNumbers(0)
        self.counters = LinkCounters()

    @property
    def connected(self) -> bool:
        return self._connection is not None and self._connection.end is None

    async def connect(self, timeout_s: float) -> None:
        await self.close()
        connection = MbapConnection(asyncio.get_running_loop(), self.counters, self._numbers)
        self._wire.connect(connection.data_received, lambda: connection.connection_lost(None))
        connection.connection_made(_MemoryTransport(self._wire, connection))
        self._connection = connection

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        assert self._connection is not None
        return await self._connection.read(unit, table, address, count, timeout_s)

    async def close(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.shut(NoConnectionError("the connection was closed here"))
            await connection.closed


class _MemoryChannel:
    """A `Channel`."""

    def __init__(self, wire: HostileWire, framing: Framing) -> None:
        self._wire = wire
        self._framing = framing

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        # A function of its own for each connection, by which the wire tells them apart.
        self._wire.connect(lambda data: on_bytes(data), lambda: on_lost(NoConnectionError("the port is gone")))

    def transmit(self, request: ReadRequest) -> None:
        self._wire.sent(self._framing.request_frame(request))

    async def close(self) -> None:
        self._wire.cut()


def link_on(wire: HostileWire, dialect: Dialect) -> Link:
    if dialect.name == "mbap":
        return _MemoryTcpLink(wire)
    framing = FRAMINGS[dialect.name]()
    channel = _MemoryChannel(wire, framing)
    return HalfDuplexLink(channel, framing, TIMING, clock=asyncio.get_running_loop().time, make_timer=LoopTimer)
