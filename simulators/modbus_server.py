"""A small Modbus TCP server that only reads. Frames and exception codes after the MODBUS Messaging on TCP/IP
Implementation Guide V1.0b and the MODBUS Application Protocol Specification V1.1b3.

One `Line` is one listening address with its instruments; requests on a connection are answered in their order, however
many arrive together. No request makes an object of its own: a healthy instrument's reply is a dictionary look-up.
"""

import asyncio
import errno
import logging
import struct
from collections import Counter
from typing import cast

from simulators.faults import Answer, Exchange
from simulators.instrument import TABLES, Instrument

__all__ = ["WRITE_FUNCTIONS", "Line"]

log = logging.getLogger("simulators.modbus_server")

WRITE_FUNCTIONS = frozenset({5, 6, 15, 16, 21, 22, 23})
"""Function codes of the application protocol specification that would change a device."""
_HEADER = struct.Struct(">HHH")
_LONGEST = 254
"""Longest frame behind the length field: unit and a PDU of 253 bytes."""
_GATEWAY_TARGET_SILENT = 0x0B
_UNREAD_LIMIT = 1 << 16
_BATCH = 64
"""Replies written together at most; in between it is seen whether the client still reads."""


class _Connection(asyncio.Protocol):
    """One client's connection to a line."""

    def __init__(self, line: "Line") -> None:
        self._line = line
        self._buffer = b""
        self._transport: asyncio.Transport | None = None
        self._waiting: asyncio.TimerHandle | None = None
        self.paused = False
        """Whether the client leaves replies unread, so that its requests have to wait."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # uvloop's transports are no asyncio.Transport by class, only by behaviour.
        self._transport = cast(asyncio.Transport, transport)
        self._line.connections.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        self._line.connections.discard(self)
        self._transport = None
        if self._waiting is not None:
            self._waiting.cancel()

    def pause_writing(self) -> None:
        # A client that sends and never reads must not fill memory with replies.
        self.paused = True
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        self.paused = False
        self._go_on()

    def data_received(self, data: bytes) -> None:
        self._buffer = self._buffer + data if self._buffer else data
        if self._waiting is None and not self.paused:
            self._work()
        if len(self._buffer) > _UNREAD_LIMIT and self._transport is not None:
            self._transport.pause_reading()

    def abort(self) -> None:
        """End the connection at once."""
        if self._transport is not None:
            self._transport.abort()

    def _go_on(self) -> None:
        if self._transport is None or self.paused or self._waiting is not None:
            return
        self._transport.resume_reading()
        self._work()

    def _work(self) -> None:
        """Answer the complete frames in the buffer, up to the first that has to wait."""
        line, buffer, position = self._line, self._buffer, 0
        replies: list[bytes] = []
        while len(buffer) - position >= _HEADER.size:
            _, protocol, length = _HEADER.unpack_from(buffer, position)
            if protocol != 0 or not 2 <= length <= _LONGEST:
                # Nothing after a header that is not Modbus can be trusted: the connection has lost its place.
                log.warning("line %s: not a Modbus TCP header, connection closed", line.name)
                self._send(replies, close=True)
                return
            end = position + 6 + length
            if end > len(buffer):
                break
            transaction, unit, request = (
                buffer[position : position + 2],
                buffer[position + 6],
                buffer[position + 7 : end],
            )
            position = end
            line.requests[request[0]] += 1
            instrument = line.instruments.get(unit)
            if instrument is None:
                if line.unknown_unit_answers:
                    replies.append(
                        transaction + bytes((0, 0, 0, 3, unit, (request[0] | 0x80) & 0xFF, _GATEWAY_TARGET_SILENT))
                    )
                continue
            if request[0] not in TABLES:
                line.refuse(instrument, request[0])
            reply = transaction + instrument.reply(request)
            if not instrument.wire_faults:
                replies.append(reply)
                if len(replies) >= _BATCH:
                    self._send(replies)
                    replies = []
                    if self.paused:
                        break
                continue
            answer = _spoil(instrument, request, reply)
            if answer.delay_s > 0:
                self._buffer = buffer[position:]
                self._send(replies)
                self._waiting = asyncio.get_running_loop().call_later(answer.delay_s, self._answer_late, answer)
                return
            if answer.frame is not None:
                replies.append(answer.frame)
            if answer.close:
                self._send(replies, close=True)
                return
        self._buffer = buffer[position:]
        self._send(replies)

    def _answer_late(self, answer: Answer) -> None:
        self._waiting = None
        self._send([answer.frame] if answer.frame is not None else [], close=answer.close)
        self._go_on()

    def _send(self, replies: list[bytes], close: bool = False) -> None:
        if self._transport is None:
            return
        if replies:
            self._transport.write(b"".join(replies))
        if close:
            self._buffer = b""
            self._transport.close()


def _spoil(instrument: Instrument, request: bytes, reply: bytes) -> Answer:
    """Let every fault on the wire have its turn; delays add up."""
    frame: bytes | None = reply
    delay_s, close = 0.0, False
    for fault in instrument.wire_faults:
        if frame is None:
            break
        answer = fault.answer(Exchange(request, frame))
        frame, delay_s, close = answer.frame, delay_s + answer.delay_s, close or answer.close
    return Answer(frame, delay_s, close)


class Line:
    """One listening address and the instruments behind it, by unit number."""

    def __init__(self, name: str, instruments: dict[int, Instrument], unknown_unit_answers: bool = False) -> None:
        self.name = name
        self.instruments = instruments
        self.unknown_unit_answers = unknown_unit_answers
        self.requests: Counter[int] = Counter()
        """Requests by function code, whatever became of them."""
        self.writes_refused = 0
        self.connections: set[_Connection] = set()
        self.address: tuple[str, int] = ("", 0)
        self._server: asyncio.Server | None = None
        self._refused: Counter[tuple[str, int]] = Counter()

    @property
    def listening(self) -> bool:
        """Whether it takes connections now."""
        return self._server is not None

    def refuse(self, instrument: Instrument, function: int) -> None:
        """Count, and the first time log, a function that is not one of the four that read."""
        if function in WRITE_FUNCTIONS:
            self.writes_refused += 1
        self._refused[instrument.tag, function] += 1
        if self._refused[instrument.tag, function] == 1:
            log.warning(
                "line %s: %s was sent function code %d and refused it; further ones are counted only",
                self.name,
                instrument.tag,
                function,
            )

    async def open(self, host: str, port: int) -> bool:
        """Listen on the address; where the port is taken, on a free one. Return whether it got the port it wanted."""
        loop = asyncio.get_running_loop()
        taken = False
        try:
            server = await loop.create_server(lambda: _Connection(self), host, port, backlog=512)
        except OSError as exc:
            if exc.errno not in (errno.EADDRINUSE, errno.EACCES):
                raise
            taken = True
            server = await loop.create_server(lambda: _Connection(self), host, 0, backlog=512)
        self._server = server
        name = server.sockets[0].getsockname()
        self.address = (name[0], name[1])
        return not taken

    async def reopen(self) -> bool:
        """Listen again where it did before; False where that port is taken for the moment."""
        if self._server is not None:
            return True
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(lambda: _Connection(self), *self.address, backlog=512)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Stop listening and end every connection, at once."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self.connections):
            connection.abort()
