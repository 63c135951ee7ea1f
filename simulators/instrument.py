"""One simulated instrument: its signals, the registers they stand in, and the answers to requests for them.

The registers are encoded when something changed and a request comes, and each different request's answer is kept until
the next change, so that serving a thousand instruments costs a dictionary look-up a request.
"""

import struct
from collections.abc import Callable
from typing import NamedTuple

from simulators.encoding import Encoding, Special
from simulators.faults import Fault

__all__ = ["TABLES", "Instrument", "Signal"]

TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
"""Function code -> the table it reads."""
_MOST_REGISTERS, _MOST_BITS, _KEPT_ANSWERS = 125, 2000, 256
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3


class Signal(NamedTuple):
    """One measured value of an instrument and where it stands.

    `source` gives the true value; `error` is the instrument's own constant error, `resolution` the step it rounds to,
    `noise` the standard deviation, all in the quantity's own unit. A signal without an encoding is a contact.
    """

    name: str
    quantity: str
    table: str
    address: int
    source: Callable[[], float | Special]
    encoding: Encoding | None = None
    bit: int | None = None
    element: int = 0
    reference_height_m: float = 0.0
    error: float = 0.0
    resolution: float = 0.0
    noise: float = 0.0
    noise_phase: int = 0


class _Table:
    """The contents of one table from its lowest to its highest mapped address: bytes of registers, or bits."""

    __slots__ = ("data", "first", "mapped", "width")

    def __init__(self, addresses: set[int], width: int) -> None:
        self.first = min(addresses)
        self.mapped = frozenset(addresses)
        self.width = width
        self.data = bytearray((max(addresses) - self.first + 1) * width)

    def read(self, start: int, count: int) -> bytes:
        """Contents of `count` addresses, zeros where nothing is mapped."""
        begin, end = (start - self.first) * self.width, (start - self.first + count) * self.width
        before = bytes(min(max(0, -begin), end - begin))
        found = bytes(self.data[max(0, begin) : max(0, end)])
        return before + found + bytes(end - begin - len(before) - len(found))


class Instrument:
    """A Modbus device with one unit number.

    `forbidden` holds (table, first, last) addresses answered with exception 2; `gaps_refused` extends that to every
    address that is not mapped.
    """

    def __init__(
        self,
        tag: str,
        unit: int,
        signals: tuple[Signal, ...],
        *,
        forbidden: tuple[tuple[str, int, int], ...] = (),
        gaps_refused: bool = False,
        noise: tuple[float, ...] = (0.0,),
    ) -> None:
        self.tag = tag
        self.unit = unit
        self.signals = signals
        self.forbidden = forbidden
        self.gaps_refused = gaps_refused
        self.faults: tuple[Fault, ...] = ()
        self.wire_faults: tuple[Fault, ...] = ()
        self.answers: dict[bytes, bytes] = {}
        """Request PDU -> everything of the reply behind the transaction number. Empty when out of date."""
        self._memories: dict[Fault, dict[str, float | Special]] = {}
        self._turns = 1
        self._turn = 0
        self._tick = 0
        self._noise = noise
        self._lay_out()

    def _lay_out(self) -> None:
        mapped: dict[str, set[int]] = {}
        for signal in self.signals:
            registers = signal.encoding.registers if signal.encoding is not None else 1
            mapped.setdefault(signal.table, set()).update(range(signal.address, signal.address + registers))
        widths = {table: 2 if table in ("holding", "input") else 1 for table in mapped}
        self._images = [{table: _Table(mapped[table], widths[table]) for table in mapped} for _ in range(2)]
        self._fresh = [False, False]

    @property
    def noisy(self) -> bool:
        """Whether its registers change although nothing moves."""
        return any(signal.noise for signal in self.signals)

    def changed(self, tick: int) -> None:
        """Its registers are out of date as of this tick."""
        self._tick = tick
        self._fresh = [False, False]
        self.answers.clear()

    def set_faults(self, faults: tuple[Fault, ...]) -> None:
        """Take these faults and no others. A fault that stays keeps its memory."""
        self._memories = {fault: self._memories.get(fault, {}) for fault in faults}
        self.faults = faults
        self.wire_faults = tuple(fault for fault in faults if fault.on_wire)
        self._turns = max((fault.turns for fault in faults), default=1)
        self._turn = 0
        self.changed(self._tick)
        self._refresh(0)

    def read(self, table: str, address: int, count: int) -> bytes:
        """Contents of a table as they stand now, for tests without a wire: register bytes, or a byte for each bit."""
        self._refresh(0)
        return self._images[0][table].read(address, count)

    def reply(self, request: bytes) -> bytes:
        """Everything of the reply frame behind the transaction number, for a request PDU. Never raises."""
        kept = self.answers.get(request)
        if kept is not None:
            return kept
        pdu = self._answer(request)
        framed = struct.pack(">HHB", 0, len(pdu) + 1, self.unit) + pdu
        if self._turns == 1:
            if len(self.answers) >= _KEPT_ANSWERS:
                self.answers.clear()
            self.answers[request] = framed
        return framed

    def _answer(self, request: bytes) -> bytes:
        function = request[0]
        table = TABLES.get(function)
        if table is None:
            return bytes(((function | 0x80) & 0xFF, _ILLEGAL_FUNCTION))
        most = _MOST_REGISTERS if function > 2 else _MOST_BITS
        if len(request) != 5:
            return bytes((function | 0x80, _ILLEGAL_VALUE))
        start, count = struct.unpack_from(">HH", request, 1)
        if not 1 <= count <= most:
            return bytes((function | 0x80, _ILLEGAL_VALUE))
        if not self._allowed(table, start, count):
            return bytes((function | 0x80, _ILLEGAL_ADDRESS))
        self._refresh(self._turn)
        data = self._images[self._turn][table].read(start, count)
        self._turn = (self._turn + 1) % self._turns
        if function <= 2:
            packed = bytearray((count + 7) // 8)
            for index, bit in enumerate(data):
                packed[index >> 3] |= bit << (index & 7)
            data = bytes(packed)
        return bytes((function, len(data))) + data

    def _allowed(self, table: str, start: int, count: int) -> bool:
        image = self._images[0].get(table)
        if image is None or start + count > 65536:
            return False
        if self.gaps_refused and not image.mapped.issuperset(range(start, start + count)):
            return False
        return not any(
            table == forbidden and start <= last and start + count > first for forbidden, first, last in self.forbidden
        )

    def _refresh(self, turn: int) -> None:
        if self._fresh[turn]:
            return
        image = self._images[turn]
        for table in image.values():
            table.data[:] = bytes(len(table.data))
        for signal in self.signals:
            table = image[signal.table]
            position = (signal.address - table.first) * table.width
            value = self._measure(signal, turn)
            if signal.encoding is None:
                failed = signal.quantity == "contact" and any(fault.contact for fault in self.faults)
                closed = value == 1.0 or failed
                self._put_bit(table, position, signal.bit, closed)
                continue
            data = signal.encoding.encode(value)
            for fault in self.faults:
                data = fault.encode(signal, data)
            table.data[position : position + len(data)] = data
        self._fresh[turn] = True

    def _measure(self, signal: Signal, turn: int) -> float | Special:
        value = signal.source()
        if not isinstance(value, Special):
            value += signal.error
            if signal.noise:
                value += signal.noise * self._noise[(signal.noise_phase + self._tick) % len(self._noise)]
            if signal.resolution:
                value = round(value / signal.resolution) * signal.resolution
        for fault in self.faults:
            value = fault.measure(signal, value, self._memories[fault], turn)
        return value

    @staticmethod
    def _put_bit(table: _Table, position: int, bit: int | None, closed: bool) -> None:
        if bit is None:
            table.data[position] = int(closed)
        elif closed:
            table.data[position + 1 - (bit >> 3)] |= 1 << (bit & 7)
