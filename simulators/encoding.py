"""A measured value -> the bytes of its registers. Written with struct alone.

Orders of the bytes of a value whose big-endian bytes are A B C D: ABCD big-endian, CDAB words swapped, BADC bytes
swapped inside each word, DCBA little-endian; values of one or four registers likewise.
"""

import math
import struct
from enum import Enum

__all__ = ["ORDERS", "TYPES", "Encoding", "Special", "integer_limits", "reorder"]

_CODES = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
}
TYPES = (*_CODES, "bool")
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")

_FLOAT32_MAX = 3.4028234663852886e38
"""(2 - 2**-23) 2**127, IEEE 754 binary32."""
_LOOP_LOW_UA, _LOOP_SPAN_UA = 4000.0, 16000.0
# NAMUR NE 43: a measurement saturates at 3.8 and 20.5 mA; 3.6 mA and less, 21 mA and more mean failure.
_LOOP_MEASURE_UA = (3800.0, 20500.0)
_LOOP_FAIL_LOW_UA, _LOOP_FAIL_HIGH_UA = 3500.0, 21500.0


class Special(Enum):
    """What an instrument says instead of a measurement."""

    INVALID = "invalid"
    OPEN = "open"
    SHORT = "short"
    NOTHING = "nothing"


def reorder(data: bytes, order: str) -> bytes:
    """Put big-endian bytes of whole registers into a device's order."""
    if order in ("DCBA", "BADC"):
        data = bytes(byte for word in range(0, len(data), 2) for byte in (data[word + 1], data[word]))
    if order in ("DCBA", "CDAB"):
        data = b"".join(data[word : word + 2] for word in range(len(data) - 2, -2, -2))
    return data


def integer_limits(type_name: str) -> tuple[int, int] | None:
    """Smallest and largest number of a type; None for one that is no integer."""
    if type_name.startswith("float") or type_name == "bool":
        return None
    bits = 8 * struct.calcsize(">" + _CODES[type_name])
    signed = not type_name.startswith("u")
    return (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)


class Encoding:
    """How one signal stands in its registers.

    `size` and `zero` are the value of one count and of none, in the quantity's own unit. `invalid` holds the device's
    codes for "no measurement", the second of them (if any) for a short circuit; `nothing` the code for "nothing there".
    `loop` turns the value into microamperes of a 4-20 mA loop over that range first; `size` is then in microamperes.
    Integers that do not fit, or would be mistaken for a code, are sent as `invalid`; without such a code, clamped.
    """

    def __init__(
        self,
        type_name: str,
        order: str = "ABCD",
        *,
        size: float = 1.0,
        zero: float = 0.0,
        invalid: tuple[float, ...] = (),
        nothing: float | None = None,
        limits: tuple[float, float] | None = None,
        loop: tuple[float, float] | None = None,
    ) -> None:
        self.order = order
        self.size = size
        self.zero = zero
        self.limits = limits
        self.loop = loop
        self._struct = struct.Struct(">" + _CODES[type_name])
        self.registers = self._struct.size // 2
        self._real = type_name.startswith("float")
        if self._real:
            self._highest: float = _FLOAT32_MAX if type_name == "float32" else math.inf
            self._lowest: float = -self._highest
        else:
            self._lowest, self._highest = integer_limits(type_name) or (0, 0)
        first = invalid[0] if invalid else (math.nan if self._real else None)
        self._codes: dict[Special, float | None] = {
            Special.INVALID: first,
            Special.OPEN: first,
            Special.SHORT: invalid[1] if len(invalid) > 1 else first,
            Special.NOTHING: nothing if nothing is not None else first,
        }
        self._reserved = {*invalid, nothing} - {None}

    def encode(self, value: float | Special) -> bytes:
        """Bytes for the wire. `value` is in the quantity's own unit."""
        if isinstance(value, Special):
            return self._encode_special(value)
        if value != value or (self.limits is not None and not self.limits[0] <= value <= self.limits[1]):
            return self._encode_special(Special.INVALID)
        if self.loop is not None:
            low, high = self.loop
            value = _LOOP_LOW_UA + _LOOP_SPAN_UA * (value - low) / (high - low)
            value = min(max(value, _LOOP_MEASURE_UA[0]), _LOOP_MEASURE_UA[1])
        raw = (value - self.zero) / self.size
        if self._real:
            return self._pack(raw) if abs(raw) <= self._highest else self._encode_special(Special.INVALID)
        if not self._lowest <= (count := round(raw)) <= self._highest or count in self._reserved:
            if self._codes[Special.INVALID] is not None:
                return self._encode_special(Special.INVALID)
            count = int(min(max(count, self._lowest), self._highest))
        return self._pack(count)

    def _encode_special(self, special: Special) -> bytes:
        if self.loop is not None:
            current = _LOOP_FAIL_HIGH_UA if special is Special.SHORT else _LOOP_FAIL_LOW_UA
            return self._pack(round(current / self.size))
        code = self._codes[special]
        if code is None:
            code = self._lowest if special is Special.SHORT else self._highest
        return self._pack(code if self._real else int(code))

    def _pack(self, raw: float) -> bytes:
        packed = self._struct.pack(raw)
        return packed if self.order == "ABCD" else reorder(packed, self.order)
