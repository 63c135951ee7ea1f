"""Pure: register words in every type and byte order side by side, with a word on those that are hardly meant.

Types and orders are those of a register map, so that what is found here can be written into one as it stands.
"""

import math
import struct
from collections.abc import Sequence
from typing import NamedTuple

from gateway.acquisition.signals.decode import STRUCT_CODES
from gateway.acquisition.signals.register_map import ByteOrder, ValueType

__all__ = ["NUMBER_TYPES", "Current", "Decoding", "as_currents", "decodings", "number_of", "number_text", "orders_of"]

NUMBER_TYPES = tuple(kind for kind in ValueType if kind is not ValueType.BOOL)

_FLOATS = (ValueType.FLOAT32, ValueType.FLOAT64)

# No level, temperature or pressure in any unit of the trade reads more than this or, unless zero, less (common
# practice): 100 m in tenths of a millimetre is a million, 100 bar in pascal ten million.
_LARGEST_MEANT = 1e7
_SMALLEST_MEANT = 1e-4

_LOOP_FROM_MA = 3.5
_LOOP_TO_MA = 21.5


class Decoding(NamedTuple):
    """One way to read the words that start at `address`."""

    address: int
    type: ValueType
    order: ByteOrder
    value: int | float
    doubt: str
    """Why this reading is hardly meant: `not a number`, `unlikely`, `often means invalid`; empty when it may be."""


class Current(NamedTuple):
    """A word that can be a loop current."""

    address: int
    unit: str
    """In what the register counts: `uA`, `0.01 mA` or `mA` (float32)."""
    order: ByteOrder
    milliampere: float


def orders_of(kind: ValueType) -> tuple[ByteOrder, ...]:
    """The orders that differ for a type: of a single register only big-endian and byte-swapped."""
    return (ByteOrder.ABCD, ByteOrder.BADC) if kind.registers == 1 else tuple(ByteOrder)


def number_of(words: Sequence[int], kind: ValueType, order: ByteOrder) -> int | float:
    """The number in exactly `kind.registers` words, whole numbers exact.

    Raises ValueError for another count of words and for a bool.
    """
    if kind is ValueType.BOOL:
        raise ValueError("a bool is a bit, not a number")
    if len(words) != kind.registers:
        raise ValueError(f"{kind} takes {kind.registers} words, not {len(words)}")
    swap_bytes = order in (ByteOrder.BADC, ByteOrder.DCBA)
    swap_words = order in (ByteOrder.CDAB, ByteOrder.DCBA)
    ordered = reversed(words) if swap_words else words
    data = b"".join(word.to_bytes(2, "little" if swap_bytes else "big") for word in ordered)
    number: int | float = struct.unpack(f">{STRUCT_CODES[kind]}", data)[0]
    return number


def decodings(words: Sequence[int], address: int = 0) -> list[Decoding]:
    """Every type in every order at every address where it fits; `address` is that of the first word."""
    found = []
    for kind in NUMBER_TYPES:
        for start in range(len(words) - kind.registers + 1):
            part = words[start : start + kind.registers]
            for order in orders_of(kind):
                value = number_of(part, kind, order)
                found.append(Decoding(address + start, kind, order, value, _doubt(part, kind, value)))
    return found


def as_currents(words: Sequence[int], address: int = 0) -> list[Current]:
    """Every word, or pair as float32, that lies between 3.5 and 21.5 mA when read as a loop current."""
    found = []
    for kind, unit, per_ma in (
        (ValueType.UINT16, "uA", 1000.0),
        (ValueType.UINT16, "0.01 mA", 100.0),
        (ValueType.FLOAT32, "mA", 1.0),
    ):
        for start in range(len(words) - kind.registers + 1):
            for order in orders_of(kind):
                milliampere = number_of(words[start : start + kind.registers], kind, order) / per_ma
                if _LOOP_FROM_MA <= milliampere <= _LOOP_TO_MA:
                    found.append(Current(address + start, unit, order, milliampere))
    return found


def number_text(value: int | float) -> str:
    """Whole numbers in full, others to seven digits, which is what a float32 holds."""
    return str(value) if isinstance(value, int) else f"{value:.7g}"


def _doubt(words: Sequence[int], kind: ValueType, value: int | float) -> str:
    if kind in _FLOATS:
        if not math.isfinite(value):
            return "not a number"
        return "unlikely" if value and not _SMALLEST_MEANT <= abs(value) <= _LARGEST_MEANT else ""
    if _is_end_of_range(words, kind, value):
        return "often means invalid"
    return "unlikely" if kind.registers > 1 and abs(value) > _LARGEST_MEANT else ""


def _is_end_of_range(words: Sequence[int], kind: ValueType, value: int | float) -> bool:
    """The largest or smallest number of the type: what devices commonly send for `no valid value`."""
    if all(word == 0xFFFF for word in words):
        return True
    bits = kind.registers * 16
    return kind.value.startswith("int") and value in (2 ** (bits - 1) - 1, -(2 ** (bits - 1)))
