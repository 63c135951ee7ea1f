"""Pure: what framings without a transaction identifier share: the read that is asked, and the judging of its answer.

MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4 and 7.
"""

import struct
from typing import NamedTuple, Protocol

from gateway.errors import BadFrameError
from gateway.modbus.exceptions import device_exception
from gateway.modbus.tables import LARGEST_BITS, LARGEST_REGISTERS, Table

__all__ = [
    "AnswerFrame",
    "Framing",
    "Look",
    "ReadRequest",
    "answered_size",
    "exception_code",
    "judged",
    "message_size",
    "mismatch",
]

_EXCEPTION_BIT = 0x80
_READ_FUNCTIONS = frozenset(table.read_function for table in Table)
_LONGEST_DATA = 250
_REQUEST = struct.Struct(">BBHH")


class Look(NamedTuple):
    """By what the answers of one unit are told apart: nothing else in them says which request they belong to."""

    function: int
    size: int
    """Bytes of data."""


class AnswerFrame(NamedTuple):
    """A whole answer, to whatever request, whose check sum is right."""

    message: bytes
    """Unit, function, and byte count with data or exception code: without the check sum."""
    wire_size: int
    """How many bytes it took on the wire."""


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

    @property
    def look(self) -> Look:
        """What its answer looks like, beside the unit."""
        return Look(self.table.read_function, self.size)

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

    def beginning(self, received: bytes) -> bytes:
        """Unit, function, byte count or exception code, as far as they have come; empty where no frame begins so."""
        ...

    def first_answer(self, received: bytes) -> AnswerFrame | None:
        """The answer that stands first in these bytes, to whatever request; None while it may yet become whole.

        Raises BadFrameError as soon as they begin with no answer to a read.
        """
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


def answered_size(message: bytes) -> int | None:
    """Length of an answer's message (unit to last data byte), to whatever read, from its first bytes; None while they
    are too few. Raises BadFrameError where no answer to a read begins so."""
    if len(message) < 2:
        return None
    function = message[1]
    if function & ~_EXCEPTION_BIT not in _READ_FUNCTIONS:
        raise BadFrameError(f"function {function} where an answer to a read was awaited")
    if function & _EXCEPTION_BIT:
        return 3
    if len(message) < 3:
        return None
    if not 1 <= message[2] <= _LONGEST_DATA:
        raise BadFrameError(f"{message[2]} bytes of data in an answer; it has 1 to {_LONGEST_DATA}")
    return 3 + message[2]


def exception_code(message: bytes) -> int | None:
    """Of a whole answer: the code of an exception, None of one that carries values."""
    return message[2] if message[1] & _EXCEPTION_BIT else None


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
