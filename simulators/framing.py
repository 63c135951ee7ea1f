"""Frames of Modbus TCP, RTU and ASCII as a device has them: requests out of a stream of bytes, replies into frames.

MODBUS Messaging on TCP/IP Implementation Guide V1.0b; MODBUS over Serial Line Specification and Implementation Guide
V1.02, sections 2.5.1, 2.5.2 and 6.2 (check sums). Written for the simulators alone, so that no client that is tried
with them can share a mistake with them.
"""

import struct
from typing import NamedTuple, Protocol

__all__ = [
    "FRAMINGS",
    "STREAM_FRAMINGS",
    "AsciiFraming",
    "Framing",
    "Message",
    "RtuFraming",
    "StreamFraming",
    "TcpFraming",
    "crc16",
    "lrc8",
]

_DAMAGE = 0x5A
_ANOTHER_SUM = 0xFF


class Message(NamedTuple):
    """What is in a frame."""

    head: bytes
    """The transaction number of Modbus TCP, repeated in the reply; empty elsewhere."""
    unit: int
    pdu: bytes
    """Function code and data."""


class Framing(Protocol):
    """How messages go over a wire."""

    name: str
    has_sum: bool
    """Whether a frame has a check sum, and no header with numbers of its own."""

    def seal(self, message: Message) -> bytes:
        """The frame of a message."""
        ...

    def open(self, frame: bytes) -> Message | None:
        """The message in a whole and right frame; None in any other."""
        ...

    def damaged(self, frame: bytes) -> bytes:
        """A frame whose data is changed on the way: what stands around the data, its check sum too, is as it was."""
        ...

    def missummed(self, frame: bytes) -> bytes:
        """A frame with the right data and another check sum."""
        ...


class StreamFraming(Framing, Protocol):
    """A framing without a header that says its length."""

    def requests(self, received: bytes) -> tuple[list[Message], bytes]:
        """The requests in a stream, and what may be the beginning of another. What is no request is passed over."""
        ...


class TcpFraming:
    """A header of seven bytes: transaction, protocol 0, length, unit."""

    name = "tcp"
    has_sum = False

    def seal(self, message: Message) -> bytes:
        return message.head + struct.pack(">HHB", 0, len(message.pdu) + 1, message.unit) + message.pdu

    def open(self, frame: bytes) -> Message | None:
        if len(frame) < 8 or frame[2:6] != struct.pack(">HH", 0, len(frame) - 6):
            return None
        return Message(frame[:2], frame[6], frame[7:])

    def damaged(self, frame: bytes) -> bytes:
        first = 9 if len(frame) > 9 else 7
        return frame[:first] + _flipped(frame[first:])

    def missummed(self, frame: bytes) -> bytes:
        return frame


class RtuFraming:
    """Binary, with a check sum of two bytes, low byte first."""

    name = "rtu"
    has_sum = True

    def seal(self, message: Message) -> bytes:
        body = bytes((message.unit,)) + message.pdu
        return body + crc16(body).to_bytes(2, "little")

    def open(self, frame: bytes) -> Message | None:
        return Message(b"", frame[0], frame[1:-2]) if len(frame) >= 4 and crc16(frame) == 0 else None

    def damaged(self, frame: bytes) -> bytes:
        first = 3 if len(frame) > 5 else 2
        return frame[:first] + _flipped(frame[first:-2]) + frame[-2:]

    def missummed(self, frame: bytes) -> bytes:
        return frame[:-1] + bytes((frame[-1] ^ _ANOTHER_SUM,))

    def requests(self, received: bytes) -> tuple[list[Message], bytes]:
        found: list[Message] = []
        while len(received) >= 4:
            length = _rtu_length(received)
            if length is None and (whole := self.open(received)) is not None:
                return [*found, whole], b""
            if length is None or len(received) < length:
                # More may come; after a silence the line forgets what did not become a request.
                break
            message = self.open(received[:length])
            if message is None:
                received = received[1:]  # the rest of something else: look for the next beginning
                continue
            found.append(message)
            received = received[length:]
        return found, received


class AsciiFraming:
    """Two hexadecimal digits a byte between a colon and CR LF, with a check sum of one byte."""

    name = "ascii"
    has_sum = True

    def seal(self, message: Message) -> bytes:
        body = bytes((message.unit,)) + message.pdu
        return _ascii(body, lrc8(body))

    def open(self, frame: bytes) -> Message | None:
        body = _from_ascii(frame)
        return Message(b"", body[0], body[1:-1]) if len(body) >= 3 and sum(body) % 256 == 0 else None

    def damaged(self, frame: bytes) -> bytes:
        body = _from_ascii(frame)
        first = 3 if len(body) > 4 else 2
        return _ascii(body[:first] + _flipped(body[first:-1]), body[-1]) if len(body) >= 3 else frame

    def missummed(self, frame: bytes) -> bytes:
        body = _from_ascii(frame)
        return _ascii(body[:-1], body[-1] ^ _ANOTHER_SUM) if body else frame

    def requests(self, received: bytes) -> tuple[list[Message], bytes]:
        found: list[Message] = []
        while (end := received.find(b"\r\n")) >= 0:
            begin = received.rfind(b":", 0, end)  # a colon always begins anew
            message = self.open(received[begin : end + 2]) if begin >= 0 else None
            if message is not None:
                found.append(message)
            received = received[end + 2 :]
        begin = received.rfind(b":")
        return found, received[begin:] if begin >= 0 else b""


STREAM_FRAMINGS: dict[str, StreamFraming] = {"rtu": RtuFraming(), "ascii": AsciiFraming()}
FRAMINGS: dict[str, Framing] = {"tcp": TcpFraming(), **STREAM_FRAMINGS}
"""By their names in scenario files."""


def crc16(data: bytes) -> int:
    """Section 6.2.2: polynomial 0xA001, begun with ones. 0 over data with its own sum behind it, low byte first."""
    remainder = 0xFFFF
    for byte in data:
        remainder = remainder >> 8 ^ _CRC_TABLE[(remainder ^ byte) & 0xFF]
    return remainder


def lrc8(data: bytes) -> int:
    """Section 6.2.1: what makes the sum of all bytes a multiple of 256."""
    return (256 - sum(data) % 256) % 256


def _crc_of(byte: int) -> int:
    for _ in range(8):
        odd, byte = byte & 1, byte >> 1
        if odd:
            byte ^= 0xA001
    return byte


_CRC_TABLE = tuple(_crc_of(byte) for byte in range(256))


def _rtu_length(received: bytes) -> int | None:
    """How long the request is that begins here, by its function; None where that cannot be told.

    MODBUS Application Protocol Specification V1.1b3, section 6.
    """
    function = received[1]
    match function:
        case 1 | 2 | 3 | 4 | 5 | 6:
            return 8
        case 7 | 11 | 12 | 17:
            return 4
        case 8:
            return 8
        case 15 | 16:
            return 9 + received[6] if len(received) > 6 else 9
        case 20 | 21:
            return 5 + received[2]
        case 22:
            return 10
        case 23:
            return 13 + received[10] if len(received) > 10 else 13
        case 24:
            return 6
        case 43:
            return 7
        case _:
            return None


def _flipped(data: bytes) -> bytes:
    return bytes(byte ^ _DAMAGE for byte in data)


def _ascii(body: bytes, check_sum: int) -> bytes:
    return b":" + (body + bytes((check_sum,))).hex().upper().encode() + b"\r\n"


def _from_ascii(frame: bytes) -> bytes:
    """The bytes of a frame; none where it is no frame."""
    if not frame.startswith(b":") or not frame.endswith(b"\r\n"):
        return b""
    try:
        return bytes.fromhex(frame[1:-2].decode("ascii"))
    except ValueError:
        return b""
