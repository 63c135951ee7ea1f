"""Pure: ASCII frames, two hexadecimal characters a byte between a colon and CR LF, with an LRC.

MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.2 and 6.2.1 (LRC generation).
"""

import string

from gateway.errors import BadFrameError
from gateway.modbus.framing import AnswerFrame, ReadRequest, answered_size, judged, message_size, mismatch

__all__ = ["AsciiFraming", "lrc8"]

_START = b":"
_END = b"\r\n"
_DIGITS = frozenset(string.hexdigits.encode())


def lrc8(data: bytes) -> int:
    """The check sum: what makes the sum of all bytes a multiple of 256."""
    return -sum(data) & 0xFF


class AsciiFraming:
    """A `Framing`. The end of an answer is known from its length, and must be CR LF."""

    def request_frame(self, request: ReadRequest) -> bytes:
        message = request.message
        return _START + (message + bytes([lrc8(message)])).hex().upper().encode() + _END

    def answer_size(self, request: ReadRequest) -> int:
        return _size(3 + request.size)

    def beginning(self, received: bytes) -> bytes:
        return (_decoded(received[1:7]) or b"") if received.startswith(_START) else b""

    def first_answer(self, received: bytes) -> AnswerFrame | None:
        begin = _begin(received)
        message_end = None if begin is None else answered_size(begin)
        if message_end is None or len(received) < _size(message_end):
            return None
        wire_size = _size(message_end)
        return AnswerFrame(_message(received[:wire_size]), wire_size)

    def answer(self, received: bytes, request: ReadRequest) -> tuple[int, ...] | None:
        begin = _begin(received)
        if begin is None:
            return None
        fault = mismatch(begin, request)
        if fault is not None:
            raise BadFrameError(fault)
        size = _size(message_size(begin, request))
        if len(received) < size:
            return None
        if len(received) > size:
            raise BadFrameError(f"{len(received)} characters came where an answer of {size} was awaited")
        return judged(_message(received), request)

    def explain(self, received: bytes, request: ReadRequest) -> str:
        body = _decoded(received[1 : -len(_END)])
        if not received.startswith(_START) or not received.endswith(_END) or not body or lrc8(body) != 0:
            return f"{len(received)} characters came that are no whole frame with a right check sum"
        return mismatch(body[:3], request) or f"a frame of {len(received)} characters came that answers something else"


def _begin(received: bytes) -> bytes | None:
    """What the first digits make; None where nothing came yet. Raises BadFrameError where no frame begins so."""
    if not received:
        return None
    if not received.startswith(_START):
        raise BadFrameError(f"byte {received[0]:#04x} came where a colon begins each frame")
    begin = _decoded(received[1:7])
    if begin is None:
        raise BadFrameError("other characters than hexadecimal digits came within a frame")
    return begin


def _message(frame: bytes) -> bytes:
    """Of a frame of the right length, without its check sum. Raises BadFrameError."""
    body = _decoded(frame[1 : -len(_END)])
    if body is None or not frame.endswith(_END):
        raise BadFrameError("other characters than hexadecimal digits, or no CR LF, came in a frame")
    if lrc8(body) != 0:  # over the message and its own sum
        raise BadFrameError("wrong check sum")
    return body[:-1]


def _size(message_bytes: int) -> int:
    return len(_START) + 2 * (message_bytes + 1) + len(_END)


def _decoded(characters: bytes) -> bytes | None:
    """The whole bytes that so many digits make; None where others than digits stand."""
    if not _DIGITS.issuperset(characters):
        return None
    return bytes.fromhex(characters[: len(characters) // 2 * 2].decode("ascii"))
