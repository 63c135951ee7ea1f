"""Pure: what framings without a transaction identifier share: the read that is asked, and the judging of its answer.

MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4 and 7.
"""

import struct
from typing import NamedTuple, Protocol

from gateway.acquisition.blocks import LARGEST_BITS, LARGEST_REGISTERS
from gateway.acquisition.link import device_exception
from gateway.acquisition.register_map import Table
from gateway.errors import BadFrameError

__all__ = ["Framing", "ReadRequest", "judged", "message_size", "mismatch"]

_EXCEPTION_BIT = 0x80
_REQUEST = struct.Struct(">BBHH")


class ReadRequest(NamedTuple):
    """A read of `quantity` registers or bits. It cannot express anything that writes."""

    unit: int
    table: Table
    address: int
    quantity: int

    @classmethod
    def checked(cls, unit: int, table: Table, address: int, count: int) -> "ReadRequest":
        """Raises ValueError for a count that no device may answer: a mistake of the caller."""
        if not 1 <= count <= (LARGEST_BITS if table.holds_bits else LARGEST_REGISTERS):
            raise ValueError(f"{count} addresses of {table} cannot be read in one request")
        return cls(unit, table, address, count)

    @property
    def message(self) -> bytes:
        """Unit, function, first address, count: what every framing wraps, 6 bytes."""
        return _REQUEST.pack(self.unit, self.table.read_function, self.address, self.quantity)

    @property
    def size(self) -> int:
        """How many bytes of data a right answer carries."""
        return (self.quantity + 7) // 8 if self.table.holds_bits else self.quantity * 2

    def values(self, data: bytes) -> tuple[int, ...]:
        if self.table.holds_bits:
            number = int.from_bytes(data, "little")
            return tuple(number >> place & 1 for place in range(self.quantity))
        return struct.unpack(f">{self.quantity}H", data)


class Framing(Protocol):
    """How a request is wrapped, and its answer recognised, on a wire that carries one exchange at a time."""

    def request_frame(self, request: ReadRequest) -> bytes: ...

    def answer_size(self, request: ReadRequest) -> int:
        """Bytes on the wire of a right answer."""
        ...

    def sender(self, received: bytes) -> int | None:
        """The unit that sent this, by what its first bytes say."""
        ...

    def answer(self, received: bytes, request: ReadRequest) -> tuple[int, ...] | None:
        """The values, or None while the answer may yet become whole.

        Raises BadFrameError as soon as it cannot, DeviceExceptionError for an exception reply.
        """
        ...

    def explain(self, received: bytes, request: ReadRequest) -> str:
        """What bytes that are no answer to the request look like, all of them seen."""
        ...


def mismatch(message: bytes, request: ReadRequest) -> str | None:
    """Why these first bytes (unit, function, byte count, ...) cannot be of the answer, or None while they can."""
    if not message:
        return None
    if message[0] != request.unit:
        return f"unit {message[0]} answered a request to unit {request.unit}"
    if len(message) == 1:
        return None
    wanted = request.table.read_function
    function = message[1]
    if function == wanted | _EXCEPTION_BIT:
        return None
    if function != wanted:
        return f"function {function} answered a request for function {wanted}"
    if len(message) > 2 and message[2] != request.size:
        return f"{message[2]} bytes of data where {request.size} were asked for"
    return None


def message_size(message: bytes, request: ReadRequest) -> int:
    """Length of the answer's message (unit to last data byte), from its first bytes, which must not mismatch."""
    is_exception = len(message) > 1 and message[1] & _EXCEPTION_BIT
    return 3 if is_exception else 3 + request.size


def judged(message: bytes, request: ReadRequest) -> tuple[int, ...]:
    """The values of a whole message whose check sum is right.

    Raises DeviceExceptionError, or BadFrameError where it is the answer to something else.
    """
    fault = mismatch(message, request)
    if fault is None and len(message) != message_size(message, request):
        fault = f"an answer of {len(message)} bytes where {message_size(message, request)} belong"
    if fault is not None:
        raise BadFrameError(fault)
    if message[1] & _EXCEPTION_BIT:
        raise device_exception(message[2])
    return request.values(message[3:])
