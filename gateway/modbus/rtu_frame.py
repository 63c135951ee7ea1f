"""Pure: RTU frames, binary with a CRC. The same on a serial line and inside a TCP stream to a converter.

MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1 and 6.2.2 (CRC generation).
"""

from functools import lru_cache

from gateway.errors import BadFrameError
from gateway.modbus.framing import AnswerFrame, ReadRequest, answered_size, judged, message_size, mismatch

__all__ = ["RtuFraming", "crc16"]

_POLYNOMIAL = 0xA001
_SUM_SIZE = 2
_REQUEST_SIZE = 8
_REMEMBERED = 1024
"""Requests whose frames are kept: a line asks the same ones again and again, and time on it is short."""
_ANOTHERS = range(1, 7)
"""Functions whose requests are 8 bytes long."""


def _remainder(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (_POLYNOMIAL if byte & 1 else 0)
    return byte


_REMAINDERS = tuple(_remainder(byte) for byte in range(256))


def crc16(data: bytes) -> int:
    """The check sum; its low byte goes over the wire first."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _REMAINDERS[(crc ^ byte) & 0xFF]
    return crc


@lru_cache(_REMEMBERED)
def _request_frame(request: ReadRequest) -> bytes:
    message = request.message
    return message + crc16(message).to_bytes(_SUM_SIZE, "little")


class RtuFraming:
    """A `Framing`. The end of an answer is known from its length; no silence is waited for."""

    def request_frame(self, request: ReadRequest) -> bytes:
        return _request_frame(request)

    def answer_size(self, request: ReadRequest) -> int:
        return 3 + request.size + _SUM_SIZE

    def beginning(self, received: bytes) -> bytes:
        return received[:3]

    def first_answer(self, received: bytes) -> AnswerFrame | None:
        message_end = answered_size(received)
        if message_end is None or len(received) < message_end + _SUM_SIZE:
            return None
        wire_size = message_end + _SUM_SIZE
        if crc16(received[:wire_size]) != 0:
            raise BadFrameError("wrong check sum")
        return AnswerFrame(received[:message_end], wire_size)

    def answer(self, received: bytes, request: ReadRequest) -> tuple[int, ...] | None:
        fault = mismatch(received[:3], request)
        if fault is not None:
            raise BadFrameError(fault)
        size = message_size(received, request) + _SUM_SIZE
        if len(received) < size:
            return None
        if len(received) > size:
            # An earlier, late answer and the awaited one may have come in one piece: which is which cannot be told.
            raise BadFrameError(f"{len(received)} bytes came where an answer of {size} was awaited")
        if crc16(received) != 0:  # over the message and its own sum
            raise BadFrameError("wrong check sum")
        return judged(received[:-_SUM_SIZE], request)

    def explain(self, received: bytes, request: ReadRequest) -> str:
        if len(received) < 4 or crc16(received) != 0:
            return f"{len(received)} bytes came that are no whole frame with a right check sum"
        is_answer = received[2] == len(received) - 3 - _SUM_SIZE
        if len(received) == _REQUEST_SIZE and received[1] in _ANOTHERS and not is_answer:
            return f"a request to unit {received[0]} was heard: another master is on the line"
        fault = mismatch(received[:3], request)
        return fault or f"a frame of {len(received)} bytes came where {self.answer_size(request)} were awaited"
