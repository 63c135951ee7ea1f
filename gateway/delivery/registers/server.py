"""The server of registers: pymodbus's, with what it lacks in pymodbus 3.16.1.

That one answers the first of several requests that come in one segment and drops the rest; it drops whatever it holds
when more than 264 bytes have come; after a frame with another protocol number it answers nothing more; to what it
cannot decode it answers with function 0; it has no bound on connections, on silence or on what a reader leaves unread.
So listening, framing and messages are pymodbus's, and the connection is ours: requests are answered one after the
other, some in each turn, those of all connections in turn; bytes that are no Modbus end the connection with a sentence.

It answers reads of registers (functions 3 and 4) and nothing else.
"""

import asyncio
import socket
import struct
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import cast

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.registers.room import Seat, admission, allowed

__all__ = ["Connection", "Hooks", "RegisterServer"]

READ_REGISTERS = (3, 4)
"""Holding and input registers show the same: of some control systems one can be read, of some the other."""
UNITS = frozenset({0, 1, 255})
"""What clients send to a device behind no other: 255 by the guide for Modbus on TCP/IP, 0 and 1 by habit."""
MOST_REGISTERS = 125
_HEAD = struct.Struct(">HHHB")
_READ = struct.Struct(">BHH")
_LEAST, _LARGEST = 2, 254
"""Bytes behind the length of a request: unit and function at least."""
_MOST_RECEIVED = 4_096
_MOST_UNREAD = 16_384
"""Bytes of answers that wait for their reader: more are not made."""
_MOST_SENT = 65_536
_A_TURN, _OF_ONE = 32, 8
"""Requests that are answered before everything else has its turn, and before another connection has."""
_BACKLOG = 64
_NO_READER_S = 10.0


class Registers(ModbusPDU):
    """The answer to a read. pymodbus's own packs each register by itself; these are packed already."""

    def __init__(self, function: int, data: bytes) -> None:
        super().__init__()
        self.function_code = function
        self._data = data

    def encode(self) -> bytes:
        return bytes((len(self._data),)) + self._data


class Hooks:
    """What the server asks, and tells, whoever runs it."""

    def __init__(
        self,
        read: Callable[[int, int], bytes | None],
        tell: Callable[[str, str], None],
        arrived: Callable[[], None],
    ) -> None:
        """`read`: registers by address and count. `tell`: of an address, what was done about it and why. `arrived`:
        somebody was let in."""
        self.read = read
        self.tell = tell
        self.arrived = arrived


class RegisterServer(ModbusTcpServer):
    """Listens from `begin` to `end`."""

    def __init__(self, plan: RegistersPlan, hooks: Hooks) -> None:
        # pymodbus wants a store of its own; nothing of it is ever asked.
        nothing = SimDevice(0, simdata=[SimData(0, values=0, datatype=DataType.REGISTERS)])
        super().__init__(nothing, address=(plan.host, plan.port))
        self.plan = plan
        self.hooks = hooks
        self.connections: dict[int, Connection] = {}
        self.requests = 0
        self._waiting: deque[Connection] = deque()
        self._turn: asyncio.Handle | None = None
        self.call_create = partial(
            self.loop.create_server, self.handle_new_connection, plan.host, plan.port, backlog=_BACKLOG
        )

    async def begin(self) -> None:
        """Raises OSError where the address cannot be listened on."""
        self.is_listener = True
        self.transport = await self.call_create()

    def end(self) -> None:
        for connection in list(self.connections.values()):
            connection.cut()
        if self._turn is not None:
            self._turn.cancel()
        self.close()

    def callback_new_connection(self) -> "Connection":
        return Connection(self)

    def let_in(self, connection: "Connection") -> bool:
        """Whether it may stay; who may not is told of."""
        now_s = self.loop.time()
        if not allowed(connection.host, self.plan.allow):
            self.hooks.tell(connection.host, "refused: it is in none of the networks that may connect")
            return False
        seats = [Seat(key, each.host, each.idle_s(now_s)) for key, each in self.connections.items()]
        refused, makes_way = admission(connection.host, seats, self.plan.connections)
        if refused:
            self.hooks.tell(connection.host, f"refused: {refused}")
            return False
        if makes_way is not None:
            self.connections[makes_way].cut("closed: it asked nothing, and another wants to connect")
        self.connections[id(connection)] = connection
        self.hooks.arrived()
        return True

    def sweep(self) -> None:
        """Ends what has been silent, or takes no answers, for too long."""
        now_s = self.loop.time()
        for connection in list(self.connections.values()):
            if connection.unread_s(now_s) >= min(_NO_READER_S, self.plan.idle_s):
                connection.cut("closed: it asks and does not read the answers")
            elif connection.idle_s(now_s) >= self.plan.idle_s:
                connection.cut(f"closed: no whole request for {self.plan.idle_s:g} s")

    def wants_a_turn(self, connection: "Connection") -> None:
        if connection not in self._waiting:
            self._waiting.append(connection)
        if self._turn is None:
            self._turn = self.loop.call_soon(self._answer)

    def _answer(self) -> None:
        """Some requests of each in turn. Where more wait, everything else has as much time as this took."""
        begun_s = self.loop.time()
        left = _A_TURN
        while self._waiting and left > 0:
            connection = self._waiting.popleft()
            try:
                answered = connection.answer(_OF_ONE)
            except Exception as error:  # noqa: BLE001 - a mistake in the program is that connection's alone
                connection.cut(_fault("closed", error))
                continue
            left -= max(answered, 1)
            if answered == _OF_ONE:
                self._waiting.append(connection)
        self._turn = None
        if self._waiting:
            self._turn = self.loop.call_later(self.loop.time() - begun_s, self._answer)


class Connection(ServerRequestHandler):
    """One client."""

    def __init__(self, server: RegisterServer) -> None:
        super().__init__(server, None, None, None)  # type: ignore[no-untyped-call]
        self._registers = server
        self._received = bytearray()
        self._may_write = True
        self._is_reading = True
        self._has_ended = False
        """It sends no more, and may still read."""
        self._wire: asyncio.Transport | None = None
        self.host, self.address = "?", "?"
        self.since_s = self._asked_s = self._blocked_s = self.loop.time()
        self.writes = self.others = 0
        """Requests that were refused: to write, and of other functions."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        # Those of uvloop are none of asyncio's classes, and the same in all that is used here.
        self._wire = wire = cast("asyncio.Transport", transport)
        peer = wire.get_extra_info("peername")
        if isinstance(peer, tuple):
            self.host = str(peer[0])
            self.address = f"[{self.host}]:{peer[1]}" if ":" in self.host else f"{self.host}:{peer[1]}"
        wire.set_write_buffer_limits(high=_MOST_UNREAD)
        descriptor = wire.get_extra_info("socket")
        if descriptor is not None:
            # Else the system keeps megabytes of answers for one who never reads them.
            with suppress(OSError):  # it may have gone meanwhile
                descriptor.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _MOST_SENT)
        if not self._registers.let_in(self):
            self.cut()

    def connection_lost(self, exc: Exception | None) -> None:
        self._registers.connections.pop(id(self), None)
        self._wire = None
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        self._may_write, self._blocked_s = False, self.loop.time()

    def resume_writing(self) -> None:
        self._may_write = True
        self._registers.wants_a_turn(self)

    def data_received(self, data: bytes) -> None:
        if self._wire is None:
            return
        self._received += data
        if len(self._received) > _MOST_RECEIVED and self._is_reading:
            self._is_reading = False
            self._wire.pause_reading()
        self._registers.wants_a_turn(self)

    def eof_received(self) -> bool:  # type: ignore[override]
        """What it asked before is answered first."""
        self._has_ended = True
        self._registers.wants_a_turn(self)
        return True

    def idle_s(self, now_s: float) -> float:
        return now_s - self._asked_s

    def unread_s(self, now_s: float) -> float:
        return 0.0 if self._may_write else now_s - self._blocked_s

    @property
    def refused(self) -> str:
        """What was refused to it, in words."""
        told = [f"{self.writes:,} to write"] if self.writes else []
        told += [f"{self.others:,} of functions that are not served"] if self.others else []
        return f"requests refused: {', '.join(told)}" if told else ""

    def cut(self, why: str = "") -> None:
        """Ends it at once."""
        if why:
            self._registers.hooks.tell(self.host, why)
        self._registers.connections.pop(id(self), None)
        self._received.clear()
        if self._wire is not None:
            self._wire.abort()
            self._wire = None
            self.close()

    def answer(self, at_most: int) -> int:
        """Answers requests that have come whole, up to so many; how many they were."""
        answered = 0
        while answered < at_most and self._may_write and self._wire is not None:
            frame = self._next_frame()
            if frame is None:
                break
            answered += 1
            self._asked_s = self.loop.time()
            self._registers.requests += 1
            _, unit, transaction, request = self.framer.decode(frame)
            response = self._answered(unit, request)
            response.dev_id, response.transaction_id = unit, transaction
            self.pdu_send(response)
        if self._wire is None:
            return answered
        if not self._is_reading and len(self._received) <= _MOST_RECEIVED:
            self._is_reading = True
            self._wire.resume_reading()
        if self._has_ended and answered < at_most and self._may_write:
            self._wire.close()
        return answered

    def _next_frame(self) -> bytes | None:
        """The first request, where all of it has come. What cannot be one ends the connection: in a stream of bytes
        nothing tells where the next would begin."""
        if len(self._received) < _HEAD.size:
            return None
        _, protocol, length, _ = _HEAD.unpack_from(self._received)
        if protocol != 0 or not _LEAST <= length <= _LARGEST:
            self.cut("closed: what it sends is no Modbus TCP")
            return None
        size = 6 + length
        if len(self._received) < size:
            return None
        frame = bytes(self._received[:size])
        del self._received[:size]
        return frame

    def _answered(self, unit: int, request: bytes) -> ModbusPDU:
        function = next(iter(request))
        if unit not in UNITS:
            # Said, not left to a time-out: who connects it sees the slip at once, and nobody else is asked for.
            return ExceptionResponse(function & 0x7F, ExcCodes.GATEWAY_NO_RESPONSE)
        if function not in READ_REGISTERS:
            if function in _CHANGES:
                self.writes += 1
            else:
                self.others += 1
            return ExceptionResponse(function & 0x7F, ExcCodes.ILLEGAL_FUNCTION)
        if len(request) != _READ.size:
            return ExceptionResponse(function, ExcCodes.ILLEGAL_VALUE)
        _, address, count = _READ.unpack(request)
        if not 1 <= count <= MOST_REGISTERS:
            return ExceptionResponse(function, ExcCodes.ILLEGAL_VALUE)
        try:
            data = self._registers.hooks.read(address, count)
        except Exception as error:  # noqa: BLE001 - likewise; other blocks can still be read
            self._registers.hooks.tell(self.host, _fault(f"no answer of register {address}", error))
            return ExceptionResponse(function, ExcCodes.DEVICE_FAILURE)
        return ExceptionResponse(function, ExcCodes.ILLEGAL_ADDRESS) if data is None else Registers(function, data)


def _fault(what: str, error: Exception) -> str:
    return f"{what}: a mistake in the program, {type(error).__name__}: {error}"


_CHANGES = frozenset({5, 6, 15, 16, 21, 22, 23})
"""Of single and several coils and registers, of files, by a mask, and with a read: to tell people of them."""
