"""What a client's bytes meet: requests taken out of them, answered by the instruments of a line, each in its turn.

No request of Modbus TCP makes an object of its own: a healthy instrument's reply is a dictionary look-up. Frames and
exception codes after the MODBUS Messaging on TCP/IP Implementation Guide V1.0b and the MODBUS Application Protocol
Specification V1.1b3.
"""

import asyncio
import logging
import struct
from collections import Counter, deque
from collections.abc import Callable
from typing import cast

from simulators.faults import Answer, Exchange
from simulators.framing import FRAMINGS, Framing, Message, StreamFraming
from simulators.instrument import TABLES, Instrument

__all__ = ["WRITE_FUNCTIONS", "Connection", "Devices", "StreamConnection", "TcpConnection"]

log = logging.getLogger("simulators.connection")

WRITE_FUNCTIONS = frozenset({5, 6, 15, 16, 21, 22, 23})
"""Function codes of the application protocol specification that would change a device."""
_HEADER = struct.Struct(">HHH")
_LONGEST = 254
"""Longest frame behind the length field: unit and a PDU of 253 bytes."""
_GATEWAY_TARGET_SILENT = 0x0B
_UNREAD_LIMIT = 1 << 16
_BATCH = 64
"""Replies written together at most; in between it is seen whether the client still reads."""
_FORGET_AFTER_S = 0.2
"""Silence after which the beginning of a frame is given up, where no header tells its length. It is longer than on a
real line, since a busy system may hand bytes over late."""


class Devices:
    """The instruments of a line, by unit number, and what they have been asked."""

    def __init__(self, name: str, instruments: dict[int, Instrument], unknown_unit_answers: bool = False) -> None:
        self.name = name
        self.instruments = instruments
        self.unknown_unit_answers = unknown_unit_answers
        self.requests: Counter[int] = Counter()
        """Requests by function code, whatever became of them."""
        self.writes_refused = 0
        self.connections: set[Connection] = set()
        self._refused: Counter[tuple[str, int]] = Counter()

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


class Connection(asyncio.Protocol):
    """One client's connection to a line. What is in the buffer is answered by `_work`, up to what has to wait."""

    def __init__(self, line: Devices) -> None:
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

    def _work(self) -> None:
        raise NotImplementedError

    def _go_on(self) -> None:
        if self._transport is None or self.paused or self._waiting is not None:
            return
        self._transport.resume_reading()
        self._work()

    def _answer_in(self, delay_s: float, answer: Answer) -> None:
        self._waiting = asyncio.get_running_loop().call_later(delay_s, self._answer_late, answer)

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


class TcpConnection(Connection):
    """Modbus TCP: a header tells the length of each frame and numbers it."""

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
            answer = _spoil(instrument, request, reply, FRAMINGS["tcp"])
            if answer.delay_s > 0:
                self._buffer = buffer[position:]
                self._send(replies)
                self._answer_in(answer.delay_s, answer)
                return
            if answer.frame is not None:
                replies.append(answer.frame)
            if answer.close:
                self._send(replies, close=True)
                return
        self._buffer = buffer[position:]
        self._send(replies)


class StreamConnection(Connection):
    """RTU or ASCII: on a serial port, or inside TCP as through a converter that passes on what it is sent.

    `wire_time_s` tells how long a request and its reply, so many bytes, take on the wire before the reply is there.
    """

    def __init__(self, line: Devices, framing: StreamFraming, wire_time_s: Callable[[int], float] = lambda size: 0.0):
        super().__init__(line)
        self._framing = framing
        self._wire_time_s = wire_time_s
        self._requests: deque[Message] = deque()
        self._silence: asyncio.TimerHandle | None = None

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        if self._silence is not None:
            self._silence.cancel()

    def data_received(self, data: bytes) -> None:
        if self._silence is not None:
            self._silence.cancel()
        super().data_received(data)
        if self._buffer and self._transport is not None:
            self._silence = asyncio.get_running_loop().call_later(_FORGET_AFTER_S, self._forget)

    def _forget(self) -> None:
        """What has not become a frame was none: the next one begins anew."""
        if self._waiting is None and not self.paused:
            self._buffer = b""

    def _work(self) -> None:
        found, self._buffer = self._framing.requests(self._buffer)
        self._requests.extend(found)
        while self._requests and self._waiting is None and not self.paused and self._transport is not None:
            head, unit, request = self._requests.popleft()
            self._line.requests[request[0]] += 1
            instrument = self._line.instruments.get(unit)
            if instrument is None:
                continue  # on a serial line there is nobody who could answer for it
            if request[0] not in TABLES:
                self._line.refuse(instrument, request[0])
            # Behind the length in the header of Modbus TCP stand unit and PDU.
            reply = self._framing.seal(Message(head, unit, instrument.reply(request)[5:]))
            answer = _spoil(instrument, request, reply, self._framing)
            size = len(self._framing.seal(Message(head, unit, request))) + len(answer.frame or b"")
            self._answer_in(answer.delay_s + self._wire_time_s(size), answer)


def _spoil(instrument: Instrument, request: bytes, reply: bytes, framing: Framing) -> Answer:
    """Let every fault on the wire have its turn; delays add up."""
    frame: bytes | None = reply
    delay_s, close = 0.0, False
    for fault in instrument.wire_faults:
        if frame is None:
            break
        answer = fault.answer(Exchange(request, frame, framing))
        frame, delay_s, close = answer.frame, delay_s + answer.delay_s, close or answer.close
    return Answer(frame, delay_s, close)
