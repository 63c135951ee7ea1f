"""What instruments and wires do when they fail. One small class each, with one signature.

A fault may stand at three places, each a method that leaves things as they are unless a fault overrides it:
`measure` changes the value before it is encoded, `encode` the bytes of its registers, `answer` the frame on the wire.
Values are in the quantity's own unit (m, degC, Pa gauge, m3/s). The fields of a fault are its options in a scenario
file; `fault_options.py` reads them.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import ClassVar, NamedTuple, Protocol

from simulators.encoding import Special, reorder
from simulators.framing import Framing, Message, TcpFraming

__all__ = [
    "FAULTS",
    "Answer",
    "DroppedConnection",
    "DuplicateAddress",
    "ExceptionReply",
    "Exchange",
    "Fault",
    "Frozen",
    "Garbled",
    "GaugeFault",
    "NotANumber",
    "Offset",
    "OpenElement",
    "RefusedConnection",
    "ShortElement",
    "Silence",
    "Slow",
    "SwappedLevel",
    "WordSwap",
]


class SignalView(Protocol):
    """What a fault may know of the signal it stands in."""

    @property
    def name(self) -> str: ...
    @property
    def quantity(self) -> str: ...
    @property
    def element(self) -> int: ...
    @property
    def reference_height_m(self) -> float: ...


class Exchange(NamedTuple):
    """One request and the frame that would have answered it."""

    request: bytes
    """The request's PDU: function code and data."""
    reply: bytes
    """The whole reply frame."""
    framing: Framing = TcpFraming()
    """How the frame is made."""


class Answer(NamedTuple):
    """What goes out instead: a frame or nothing, after a delay, and perhaps the end of the connection if it has one."""

    frame: bytes | None
    delay_s: float = 0.0
    close: bool = False


class Fault:
    """A healthy instrument; the base of all faults."""

    turns: ClassVar[int] = 1
    """Number of devices that take turns in answering."""
    on_wire: ClassVar[bool] = False
    """Whether it changes frames."""
    refuses: ClassVar[bool] = False
    """Whether the instrument's whole line stops listening."""
    contact: ClassVar[bool] = False
    """Whether the instrument reports itself as failed."""

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        """Return the value the instrument believes. `memory` is this fault's own, empty when it starts."""
        return value

    def encode(self, signal: SignalView, data: bytes) -> bytes:
        """Return the bytes of the signal's registers."""
        return data

    def answer(self, exchange: Exchange) -> Answer:
        """Return what goes out on the wire."""
        return Answer(exchange.reply)

    def unfit(self, framing: str, on_serial_port: bool) -> str | None:
        """Why it cannot happen on such a line, and what can; None where it can."""
        return None


@dataclass(frozen=True)
class OpenElement(Fault):
    """A broken wire: temperature element `element` (1 is the lowest), or the signal named."""

    element: int = field(default=1, metadata={"says": "number of the temperature element, 1 is the lowest"})
    signal: str | None = field(default=None, metadata={"says": "this signal instead of an element"})
    code: ClassVar[Special] = Special.OPEN

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        struck = signal.name == self.signal if self.signal is not None else signal.element == self.element
        return self.code if struck else value


@dataclass(frozen=True)
class ShortElement(OpenElement):
    """A short circuit of a temperature element, or of the signal named."""

    code: ClassVar[Special] = Special.SHORT


@dataclass(frozen=True)
class Frozen(Fault):
    """The value of the moment the fault began, for ever; of one signal or of all."""

    signal: str | None = field(default=None, metadata={"says": "this signal alone; all unless given"})

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        return memory.setdefault(signal.name, value) if self.signal in (None, signal.name) else value


@dataclass(frozen=True)
class Offset(Fault):
    """A constant error of one signal, in its own unit (m, degC, Pa)."""

    signal: str = field(metadata={"says": "the signal"})
    amount: float = field(metadata={"says": "by how much it reads too high, in a unit of its quantity"})

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        return value + self.amount if signal.name == self.signal and isinstance(value, float) else value


@dataclass(frozen=True)
class SwappedLevel(Fault):
    """Ullage where innage belongs, and the other way about."""

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        swapped = signal.quantity in ("innage", "ullage") and isinstance(value, float)
        return signal.reference_height_m - value if swapped and isinstance(value, float) else value


@dataclass(frozen=True)
class WordSwap(Fault):
    """The words of every value of two registers and more in the opposite order."""

    def encode(self, signal: SignalView, data: bytes) -> bytes:
        return reorder(data, "CDAB")


@dataclass(frozen=True)
class NotANumber(Fault):
    """Not a number in floating-point registers, the device's code for "invalid" in others; one signal or all."""

    signal: str | None = field(default=None, metadata={"says": "this signal alone; all unless given"})

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        return Special.INVALID if self.signal in (None, signal.name) else value


@dataclass(frozen=True)
class GaugeFault(Fault):
    """The instrument reports itself as failed (its contacts close) and goes on measuring."""

    contact: ClassVar[bool] = True


@dataclass(frozen=True)
class ExceptionReply(Fault):
    """A Modbus exception instead of data, 4 (device failure) unless told otherwise."""

    code: int = field(default=4, metadata={"says": "exception code, 1 to 255", "lowest": 1, "highest": 255})
    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        message = exchange.framing.open(exchange.reply)
        if message is None:
            return Answer(exchange.reply)
        pdu = bytes(((exchange.request[0] | 0x80) & 0xFF, self.code & 0xFF))
        return Answer(exchange.framing.seal(message._replace(pdu=pdu)))


@dataclass(frozen=True)
class Silence(Fault):
    """No answer at all."""

    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        return Answer(None)


@dataclass(frozen=True)
class Slow(Fault):
    """The right answer, late. Requests behind it on the same connection wait, as on a serial line."""

    delay_s: float = field(default=3.0, metadata={"says": "how late; in seconds when made in Python"})
    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        return Answer(exchange.reply, delay_s=self.delay_s)


_EVERYWHERE = frozenset({"tcp", "rtu", "ascii"})
_WITH_HEADER = frozenset({"tcp"})
_WITH_SUM = frozenset({"rtu", "ascii"})


@dataclass(frozen=True)
class Garbled(Fault):
    """A damaged frame.

    `how`: `bytes` (data bits flipped; a check sum stays as it was), `truncated` (the frame ends early, then the
    connection), `count` (one register too few, otherwise consistent), `unit` (another unit answers), `function` (the
    answer to another function); with Modbus TCP also `length` (the header's length is not the frame's) and
    `transaction` (another request's number); with RTU and ASCII `checksum` (the right data, another check sum).
    """

    how: str = field(default="bytes", metadata={"says": "in which way"})
    on_wire: ClassVar[bool] = True
    WAYS: ClassVar[Mapping[str, frozenset[str]]] = MappingProxyType(
        {
            "bytes": _EVERYWHERE,
            "truncated": _EVERYWHERE,
            "count": _EVERYWHERE,
            "unit": _EVERYWHERE,
            "function": _EVERYWHERE,
            "length": _WITH_HEADER,
            "transaction": _WITH_HEADER,
            "checksum": _WITH_SUM,
        }
    )
    """Way -> the framings in which a frame can be damaged so."""

    def __post_init__(self) -> None:
        if self.how not in self.WAYS:
            raise ValueError(
                f"options.how: {self.how!r} is no way to garble a frame; give one of: {', '.join(self.WAYS)}"
            )

    def unfit(self, framing: str, on_serial_port: bool) -> str | None:
        if framing in self.WAYS[self.how]:
            return None
        ways = ", ".join(way for way, framings in self.WAYS.items() if framing in framings)
        return f"options.how: {self.how!r} is nothing in a frame of {framing}; give one of: {ways}"

    def answer(self, exchange: Exchange) -> Answer:
        framing, frame = exchange.framing, exchange.reply
        message = framing.open(frame)
        match self.how:
            case "bytes":
                frame = framing.damaged(frame)
            case "truncated":
                return Answer(frame[: max(8 if not framing.has_sum else 3, len(frame) - 3)], close=True)
            case "checksum":
                frame = framing.missummed(frame)
            case "length" if not framing.has_sum:
                frame = frame[:4] + struct.pack(">H", len(frame) - 6 - 1) + frame[6:]
            case _ if message is not None:
                frame = framing.seal(self._changed(message))
            case _:
                pass  # another fault has left no frame to garble
        return Answer(frame)

    def _changed(self, message: Message) -> Message:
        head, unit, pdu = message
        match self.how:
            case "count" if len(pdu) > 3 and pdu[0] < 0x80:
                return Message(head, unit, bytes((pdu[0], pdu[1] - 2)) + pdu[2:-2])
            case "transaction" if head:
                return Message(struct.pack(">H", struct.unpack(">H", head)[0] ^ 0x0101), unit, pdu)
            case "unit":
                return Message(head, unit ^ 0x40, pdu)
            case _:
                return Message(head, unit, bytes((pdu[0] ^ 0x07,)) + pdu[1:])


@dataclass(frozen=True)
class DroppedConnection(Fault):
    """The connection ends instead of an answer, or in the middle of one."""

    half_answered: bool = field(default=False, metadata={"says": "whether half of the answer still comes"})
    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        half = exchange.reply[: len(exchange.reply) // 2]
        return Answer(half if self.half_answered else None, close=True)

    def unfit(self, framing: str, on_serial_port: bool) -> str | None:
        return _NO_CONNECTION if on_serial_port else None


@dataclass(frozen=True)
class RefusedConnection(Fault):
    """Nobody listens: the line of the instrument is closed, with every connection on it, for all its instruments."""

    refuses: ClassVar[bool] = True

    def unfit(self, framing: str, on_serial_port: bool) -> str | None:
        return _NO_CONNECTION if on_serial_port else None


@dataclass(frozen=True)
class DuplicateAddress(Fault):
    """A second device has the same address and answers every other request, with `factor` times the values."""

    factor: float = field(default=0.8, metadata={"says": "its values are so many times the true ones"})
    turns: ClassVar[int] = 2

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        return value * self.factor if turn and isinstance(value, float) else value


_NO_CONNECTION = "fault: a serial port has no connection to end; give 'silence'"

FAULTS: dict[str, type[Fault]] = {
    "open_element": OpenElement,
    "short_element": ShortElement,
    "frozen": Frozen,
    "offset": Offset,
    "swapped_level": SwappedLevel,
    "word_swap": WordSwap,
    "not_a_number": NotANumber,
    "gauge_fault": GaugeFault,
    "exception": ExceptionReply,
    "silence": Silence,
    "slow": Slow,
    "garbled": Garbled,
    "dropped_connection": DroppedConnection,
    "refused_connection": RefusedConnection,
    "duplicate_address": DuplicateAddress,
}
"""The name of each fault in scenario files."""
