"""What instruments and wires do when they fail. One small class each, with one signature.

A fault may stand at three places, each a method that leaves things as they are unless a fault overrides it:
`measure` changes the value before it is encoded, `encode` the bytes of its registers, `answer` the frame on the wire.
Values are in the quantity's own unit (m, degC, Pa gauge).
"""

import struct
from dataclasses import dataclass
from typing import ClassVar, NamedTuple, Protocol

from simulators.encoding import Special, reorder

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
    """The whole reply frame: seven bytes of header, then the PDU."""


class Answer(NamedTuple):
    """What goes out instead: a frame or nothing, after a delay, and perhaps the end of the connection."""

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


@dataclass(frozen=True)
class OpenElement(Fault):
    """A broken wire: temperature element `element` (1 is the lowest), or the signal named."""

    element: int = 1
    signal: str | None = None
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

    signal: str | None = None

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        return memory.setdefault(signal.name, value) if self.signal in (None, signal.name) else value


@dataclass(frozen=True)
class Offset(Fault):
    """A constant error of one signal, in its own unit (m, degC, Pa)."""

    signal: str
    amount: float

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

    signal: str | None = None

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

    code: int = 4
    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        header = exchange.reply[:4] + b"\x00\x03" + exchange.reply[6:7]
        return Answer(header + bytes((exchange.request[0] | 0x80, self.code & 0xFF)))


@dataclass(frozen=True)
class Silence(Fault):
    """No answer at all."""

    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        return Answer(None)


@dataclass(frozen=True)
class Slow(Fault):
    """The right answer, late. Requests behind it on the same connection wait, as on a serial line."""

    delay_s: float = 3.0
    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        return Answer(exchange.reply, delay_s=self.delay_s)


@dataclass(frozen=True)
class Garbled(Fault):
    """A damaged frame.

    `how`: `bytes` (data bits flipped), `truncated` (the frame ends early, then the connection), `length` (the header's
    length is not the frame's), `count` (one register too few, otherwise consistent), `transaction` (another request's
    number), `unit` (another unit answers), `function` (the answer to another function).
    """

    how: str = "bytes"
    on_wire: ClassVar[bool] = True
    WAYS: ClassVar[tuple[str, ...]] = ("bytes", "truncated", "length", "count", "transaction", "unit", "function")

    def __post_init__(self) -> None:
        if self.how not in self.WAYS:
            raise ValueError(f"a frame is garbled in one of these ways: {', '.join(self.WAYS)}; not {self.how!r}")

    def answer(self, exchange: Exchange) -> Answer:
        frame = bytearray(exchange.reply)
        match self.how:
            case "bytes":
                for position in range(9 if len(frame) > 9 else 7, len(frame)):
                    frame[position] ^= 0x5A
            case "truncated":
                return Answer(bytes(frame[: max(8, len(frame) - 3)]), close=True)
            case "length":
                struct.pack_into(">H", frame, 4, len(frame) - 6 - 1)
            case "count" if len(frame) > 10 and frame[7] < 0x80:
                del frame[-2:]
                frame[8] -= 2
                struct.pack_into(">H", frame, 4, len(frame) - 6)
            case "transaction":
                struct.pack_into(">H", frame, 0, struct.unpack_from(">H", frame)[0] ^ 0x0101)
            case "unit":
                frame[6] ^= 0x40
            case _:
                frame[7] ^= 0x07
        return Answer(bytes(frame))


@dataclass(frozen=True)
class DroppedConnection(Fault):
    """The connection ends instead of an answer, or in the middle of one."""

    half_answered: bool = False
    on_wire: ClassVar[bool] = True

    def answer(self, exchange: Exchange) -> Answer:
        half = exchange.reply[: len(exchange.reply) // 2]
        return Answer(half if self.half_answered else None, close=True)


@dataclass(frozen=True)
class RefusedConnection(Fault):
    """Nobody listens: the line of the instrument is closed, with every connection on it, for all its instruments."""

    refuses: ClassVar[bool] = True


@dataclass(frozen=True)
class DuplicateAddress(Fault):
    """A second device has the same address and answers every other request, with `factor` times the values."""

    factor: float = 0.8
    turns: ClassVar[int] = 2

    def measure(
        self, signal: SignalView, value: float | Special, memory: dict[str, float | Special], turn: int
    ) -> float | Special:
        return value * self.factor if turn and isinstance(value, float) else value


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
