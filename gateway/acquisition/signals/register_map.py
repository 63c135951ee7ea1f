"""Pure: what an instrument's registers mean, as frozen data: table, address, type, order, scale, unit, sentinels."""

from dataclasses import dataclass, field
from enum import StrEnum

from gateway.modbus.tables import Table

__all__ = ["ByteOrder", "CurrentLoop", "InstrumentMap", "Signal", "ValueType"]


class ValueType(StrEnum):
    BOOL = "bool"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def registers(self) -> int:
        """How many 16-bit registers a value takes."""
        return {"16": 1, "32": 2, "64": 4}.get(self.value[-2:], 1)


class ByteOrder(StrEnum):
    """Order on the wire of the bytes of a value, A the most significant byte of a 32-bit value.

    For 16-bit values ABCD and CDAB mean big-endian, BADC and DCBA byte-swapped. For 64-bit values the same rule is
    applied: ABCD big-endian, CDAB registers reversed, BADC bytes swapped in each register, DCBA little-endian.
    """

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """A 4-20 mA signal: 4 mA reads `low`, 20 mA reads `high`, both SI. Judged by the NAMUR NE 43 bands."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Signal:
    """One value of an instrument.

    raw = decoded number * scale + offset, in the unit of the map; then SI = raw * si_factor + si_offset.
    With a current loop, raw is the current in mA and the loop gives SI directly.
    """

    name: str
    table: Table
    address: int
    """Zero-based, as it goes over the wire."""
    type: ValueType
    order: ByteOrder = ByteOrder.ABCD
    bit: int | None = None
    """Bit 0 to 15 of a register, least significant first, for a contact packed in a word."""
    bits: int = 1
    """Width of the bit field that starts at `bit`."""
    scale: float = 1.0
    offset: float = 0.0
    si_factor: float = 1.0
    si_offset: float = 0.0
    sentinels: tuple[int | float, ...] = ()
    """Raw numbers (before scale, as the type reads them) with which the device says that its value is invalid: Bad.

    Those of a floating-point type are compared bit by bit, so that 0.0 is not -0.0, and -9999.9 is what the type has
    for it."""
    none_detected: tuple[int | float, ...] = ()
    """Raw numbers that say there is nothing to measure (a water probe in dry product): Good without a value."""
    loop: CurrentLoop | None = None
    minimum: float | None = None
    """Lowest and highest SI value that the instrument can mean; outside is Bad."""
    maximum: float | None = None
    least: float = 0.0
    """SI. A floating-point number closer to zero, and not zero, is nothing that an instrument could have measured."""
    unit: str = ""
    """Of its SI value, for people; empty for a contact, a counter, a ratio."""

    def told(self, value: float, digits: int = 7) -> str:
        """An SI value of it for people, with its unit."""
        return f"{value:.{digits}g} {self.unit}".rstrip()

    @property
    def registers(self) -> int:
        """How many addresses of the table the signal takes."""
        return 1 if self.table.holds_bits else self.type.registers


@dataclass(frozen=True, slots=True)
class InstrumentMap:
    """The signals of a kind of instrument and how its registers may be read."""

    name: str
    signals: tuple[Signal, ...]
    largest_block: int = 125
    """Most registers the device answers in one request; at most 125 (2000 bits) by the Modbus specification."""
    gaps_allowed: bool = True
    """Whether addresses without a signal may be read to join two blocks."""
    forbidden: tuple[tuple[Table, int, int], ...] = field(default=())
    """(table, first, last) addresses that must never be read."""
    fault_signals: tuple[str, ...] = ()
    """Names of bool signals; while one is 1, every reading of the instrument is Bad."""
    age_signal: str | None = None
    """Name of the signal that says, in s, how long ago the device heard what it passes on."""
    counter_signal: str | None = None
    """Name of the signal that has another number for each new measurement."""
