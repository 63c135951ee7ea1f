"""Modbus as the far end of a wire speaks it, in each framing: requests taken apart, answers put together. Nothing of
ours: MODBUS Application Protocol V1.1b3, sections 6.3 and 7; Messaging on TCP/IP V1.0b, section 3.1.3; Serial Line
V1.02, sections 2.5.1 and 2.5.2."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from tests.support.serial_wire import check_sum, parse_ascii_requests, parse_rtu_requests
from tests.support.wire import Parse, Request, parse_requests

__all__ = ["DIALECTS", "Dialect", "asked_count", "right_pdu"]


class Dialect(NamedTuple):
    name: str
    parse: Parse
    frame: Callable[[Request, bytes], bytes]
    """The frame that answers a request with this PDU."""


def asked_count(request: Request) -> int:
    return int.from_bytes(request.body[2:4])


def right_pdu(request: Request, values: Sequence[int]) -> bytes:
    """Registers only."""
    return bytes([request.function, 2 * len(values)]) + b"".join(value.to_bytes(2) for value in values)


def _mbap(request: Request, pdu: bytes) -> bytes:
    return request.transaction.to_bytes(2) + bytes(2) + (len(pdu) + 1).to_bytes(2) + bytes([request.unit]) + pdu


def _rtu(request: Request, pdu: bytes) -> bytes:
    message = bytes([request.unit]) + pdu
    return message + check_sum(message).to_bytes(2, "little")


def _ascii(request: Request, pdu: bytes) -> bytes:
    message = bytes([request.unit]) + pdu
    return b":" + (message + bytes([-sum(message) & 0xFF])).hex().upper().encode() + b"\r\n"


DIALECTS = {
    "mbap": Dialect("mbap", parse_requests, _mbap),
    "rtu": Dialect("rtu", parse_rtu_requests, _rtu),
    "ascii": Dialect("ascii", parse_ascii_requests, _ascii),
}
