"""Modbus TCP behind the door: MBAP frames on one connection, any number of requests in flight.

There is no code here that could make a frame with a function that writes: `request_frame` takes a `Table`, and a table
knows only the function that reads it.

An answer whose number no request of ours bears ends the connection: what else comes over it may be another's. A server
that never answers with the numbers it is sent is told so in the reason of its readings, and not connected to anew.

Framing after the MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3, and the MODBUS Application
Protocol V1.1b3, sections 6.1 to 6.4 and 7.
"""

import asyncio
import struct
from collections.abc import Coroutine
from typing import Any, cast

import structlog

from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.tcp_socket import keep_alive, plain_cause
from gateway.acquisition.links.transaction_numbers import TransactionNumbers, numbers_of
from gateway.errors import BadFrameError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.exceptions import device_exception
from gateway.modbus.tables import LARGEST_BITS, LARGEST_REGISTERS, Table

__all__ = ["MbapConnection", "ModbusTcpLink", "request_frame"]

_REQUEST = struct.Struct(">HHHBBHH")
_HEADER = struct.Struct(">HHHBB")
"""Transaction, protocol, length, unit; and the function code that every frame has after them."""
_WORDS = tuple(struct.Struct(f">{count}H") for count in range(LARGEST_REGISTERS + 1))
_BITS = tuple(tuple(byte >> bit & 1 for bit in range(8)) for byte in range(256))

_SHORTEST_LENGTH = 3  # unit, function, exception code
_LONGEST_LENGTH = 254  # unit and a PDU of 253 bytes
_EXCEPTION_BIT = 0x80

_FOREIGN_ENDS = 2
"""Connections in a row that a foreign number ended, after which such answers are dropped: the peer has no others."""
_UNSOLICITED_TOLERATED = 1000
"""Unsolicited frames in a row after which the peer is held to be broken: it would cost the other lines time."""
_FOREIGN = "answers come under transaction identifiers that were never sent: what they are to cannot be told"

FOREIGN_NUMBERS = "peer.foreign_transaction_identifiers"


def request_frame(transaction: int, unit: int, table: Table, address: int, count: int) -> bytes:
    """A read request as it goes over the wire: MBAP header and PDU, 12 bytes."""
    return _REQUEST.pack(transaction, 0, 6, unit, table.read_function, address, count)


class _Waiter:
    """A request that has been sent and not yet answered."""

    __slots__ = ("count", "deadline", "function", "future", "holds_bits", "size", "timeout_s", "unit")

    def __init__(
        self, future: "asyncio.Future[tuple[int, ...]]", unit: int, table: Table, count: int, timeout_s: float
    ) -> None:
        self.future = future
        self.unit = unit
        self.function = table.read_function
        self.holds_bits = table.holds_bits
        self.count = count
        self.size = (count + 7) // 8 if self.holds_bits else count * 2
        self.timeout_s = timeout_s
        self.deadline = future.get_loop().time() + timeout_s

    def fail(self, error: LinkError) -> None:
        if not self.future.done():
            self.future.set_exception(error)


class MbapConnection(asyncio.Protocol):
    """One connection from its making to its end. `ModbusTcpLink` makes them."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        counters: LinkCounters,
        numbers: TransactionNumbers,
        *,
        bears_foreign: bool = False,
    ) -> None:
        """`bears_foreign`: answers under foreign numbers do not end it, as long as no other comes."""
        self._loop = loop
        self._counters = counters
        self._numbers = numbers
        self._transport: asyncio.Transport | None = None
        self._buffer = b""
        self._waiters: dict[int, _Waiter] = {}
        self._unsolicited_in_a_row = 0
        self._bears_foreign = bears_foreign
        self.ended_by_foreign = False
        """Whether a foreign number did, before an answer of its own had come."""
        self.has_served = False
        """Whether an answer to a request of its own has come."""
        self._timer: asyncio.TimerHandle | None = None
        self.closed: asyncio.Future[None] = loop.create_future()
        self.end: LinkError | None = None
        """Why no further request can be made; None while the connection is open."""

    # What the event loop calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        keep_alive(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        error = NoConnectionError(f"the connection broke: {exc}" if exc else "the peer closed the connection")
        error.__cause__ = exc
        self.shut(error)
        if not self.closed.done():
            self.closed.set_result(None)

    def data_received(self, data: bytes) -> None:
        if self._buffer:
            data = self._buffer + data
        size = len(data)
        start = 0
        while size - start >= 8 and self.end is None:
            transaction, protocol, length, unit, function = _HEADER.unpack_from(data, start)
            if protocol != 0:
                self.shut(BadFrameError(f"protocol identifier {protocol} instead of 0"))
            elif not _SHORTEST_LENGTH <= length <= _LONGEST_LENGTH:
                self.shut(BadFrameError(f"frame length {length}; a Modbus frame has 3 to 254"))
            elif size - start < 6 + length:
                break
            else:
                self._frame(transaction, unit, function, data[start + 8 : start + 6 + length])
                start += 6 + length
        rest = data[start:]
        if len(rest) >= 4 and rest[2:4] != b"\0\0" and self.end is None:
            self.shut(BadFrameError(f"protocol identifier {int.from_bytes(rest[2:4])} instead of 0"))
        self._buffer = rest if self.end is None else b""

    # What the link calls

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        if self.end is not None or self._transport is None:
            raise NoConnectionError(f"not connected: {self.end}")
        transaction = self._numbers.next()
        waiter = _Waiter(self._loop.create_future(), unit, table, count, timeout_s)
        self._waiters[transaction] = waiter
        self._transport.write(request_frame(transaction, unit, table, address, count))
        self._counters.sent[waiter.function] += 1
        # One timer serves all requests: it is set for the first deadline and looks again when it fires, so that a
        # request that is answered in time costs no timer of its own.
        if self._timer is None or self._timer.when() > waiter.deadline:
            self._set_timer(waiter.deadline)
        try:
            return await waiter.future
        except asyncio.CancelledError:
            if self._waiters.pop(transaction, None) is not None:
                self._numbers.given_up(transaction)
            elif not waiter.future.cancelled():
                waiter.future.exception()  # seen, so that the loop does not report it as lost
            raise

    def shut(self, error: LinkError) -> None:
        """Ends the connection for this reason; every waiting read ends with it. Only the first reason counts."""
        if self.end is None:
            self.end = error
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        waiters, self._waiters = self._waiters, {}
        for transaction, waiter in waiters.items():
            self._numbers.given_up(transaction)
            waiter.fail(self.end)
        if self._transport is not None:
            self._transport.abort()

    # Inside

    def _set_timer(self, deadline: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop.call_at(deadline, self._expire)

    def _expire(self) -> None:
        self._timer = None
        now = self._loop.time()
        for transaction in [number for number, waiter in self._waiters.items() if waiter.deadline <= now]:
            waiter = self._waiters.pop(transaction)
            self._numbers.given_up(transaction)
            if self._buffer:
                # The rest of a broken answer can no longer be told from the start of the next.
                error = BadFrameError(f"the answer broke off after {len(self._buffer)} bytes")
                waiter.fail(error)
                self.shut(error)
                return
            silence = NoAnswerError(f"no answer within {waiter.timeout_s:g} s")
            waiter.fail(BadFrameError(_FOREIGN) if self._unsolicited_in_a_row else silence)
        if self._waiters:
            self._set_timer(min(waiter.deadline for waiter in self._waiters.values()))

    def _frame(self, transaction: int, unit: int, function: int, body: bytes) -> None:
        waiter = self._waiters.pop(transaction, None)
        if waiter is None:
            self._unexpected(transaction)
            return
        self._numbers.answered(transaction)
        self._unsolicited_in_a_row = 0
        self.has_served = True
        self._bears_foreign = False
        if unit != waiter.unit:
            waiter.fail(BadFrameError(f"unit {unit} answered a request to unit {waiter.unit}"))
        elif function == waiter.function:
            if body[0] != len(body) - 1:
                error = BadFrameError(f"byte count {body[0]} in a frame that carries {len(body) - 1} bytes")
                waiter.fail(error)
                self.shut(error)
            elif body[0] != waiter.size:
                waiter.fail(BadFrameError(f"{body[0]} bytes of data where {waiter.size} were asked for"))
            elif not waiter.future.done():
                waiter.future.set_result(_values(body, waiter))
        elif function == waiter.function | _EXCEPTION_BIT:
            if len(body) == 1:
                waiter.fail(device_exception(body[0]))
            else:
                error = BadFrameError(f"exception reply of {len(body)} bytes instead of 1")
                waiter.fail(error)
                self.shut(error)
        else:
            waiter.fail(BadFrameError(f"function {function} answered a request for function {waiter.function}"))

    def _unexpected(self, transaction: int) -> None:
        if self._numbers.is_known(transaction):
            self._counters.late_answers += 1
            return
        self._counters.unsolicited_frames += 1
        self._unsolicited_in_a_row += 1
        if not self._bears_foreign:
            self.ended_by_foreign = not self.has_served
            self.shut(BadFrameError(f"an answer came under transaction identifier {transaction}, which was never sent"))
        elif self._unsolicited_in_a_row > _UNSOLICITED_TOLERATED:
            self.shut(BadFrameError(f"more than {_UNSOLICITED_TOLERATED} frames in a row that answer no request"))


def _values(body: bytes, waiter: _Waiter) -> tuple[int, ...]:
    if waiter.holds_bits:
        bits = [bit for byte in body[1:] for bit in _BITS[byte]]
        return tuple(bits[: waiter.count])
    return _WORDS[waiter.count].unpack_from(body, 1)


class ModbusTcpLink:
    """A `Link` over Modbus TCP. It reconnects only when told to."""

    def __init__(self, host: str, port: int) -> None:
        self._host = host
        self._port = port
        self._connection: MbapConnection | None = None
        self._counters = LinkCounters()
        self._numbers = numbers_of(host)
        self._foreign_ends = 0
        """Connections in a row that a foreign number ended before anything else had come."""

    @property
    def connected(self) -> bool:
        return self._connection is not None and self._connection.end is None

    @property
    def counters(self) -> LinkCounters:
        return self._counters

    @property
    def bears_foreign(self) -> bool:
        """Whether the peer has shown that it has no answers under other than foreign numbers."""
        return self._foreign_ends >= _FOREIGN_ENDS

    async def connect(self, timeout_s: float) -> None:
        await self.close()
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(timeout_s):
                _, connection = await loop.create_connection(
                    lambda: MbapConnection(loop, self._counters, self._numbers, bears_foreign=self.bears_foreign),
                    self._host,
                    self._port,
                )
        except TimeoutError as exc:
            raise NoConnectionError(f"no connection within {timeout_s:g} s") from exc
        except (OSError, UnicodeError) as exc:
            # A host name that cannot even be encoded for a look-up raises UnicodeError.
            raise NoConnectionError(plain_cause(exc)) from exc
        self._connection = connection

    def read(
        self, unit: int, table: Table, address: int, count: int, timeout_s: float
    ) -> Coroutine[Any, Any, tuple[int, ...]]:
        """See `Link`. Raises ValueError for a count that no device may answer: a mistake of the caller."""
        # What is awaited is the connection's own read: one coroutine less for each request.
        if not 1 <= count <= (LARGEST_BITS if table.holds_bits else LARGEST_REGISTERS):
            raise ValueError(f"{count} addresses of {table} cannot be read in one request")
        if self._connection is None:
            raise NoConnectionError("not connected")
        return self._connection.read(unit, table, address, count, timeout_s)

    async def close(self) -> None:
        connection, self._connection = self._connection, None
        if connection is None:
            return
        connection.shut(NoConnectionError("the connection was closed here"))
        self._judge_end(connection)
        # An aborted transport reports its end on the next turn of the loop: this does not wait for the peer.
        await asyncio.shield(connection.closed)

    def _judge_end(self, connection: MbapConnection) -> None:
        if connection.has_served:
            self._foreign_ends = 0
        elif connection.ended_by_foreign:
            self._foreign_ends += 1
            if self._foreign_ends == _FOREIGN_ENDS:
                peer = f"{self._host}:{self._port}"
                structlog.get_logger().warning(FOREIGN_NUMBERS, peer=peer, cause=_FOREIGN)
