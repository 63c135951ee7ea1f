"""Pure: register words or bits become a value in SI with its quality and reason.

Everything that depends only on the signal is settled once, in `signal_decoder`; what is left for each read is an
unpack, two multiplications and one comparison.
"""

import math
import struct
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

from gateway.acquisition.signals.number_reasons import (
    doubtful_fault,
    fault_reason,
    loop_failed,
    not_a_number,
    not_valid,
    nothing_there,
    out_of_range,
    outside_span,
    too_little,
)
from gateway.acquisition.signals.register_map import ByteOrder, CurrentLoop, InstrumentMap, Signal, ValueType
from gateway.acquisition.signals.suspicion import doubted
from gateway.records import Quality, Reading, Reason

__all__ = ["STRUCT_CODES", "Decoded", "Decoder", "Scaling", "judge_faults", "run_format", "scaling", "signal_decoder"]


class Decoded(NamedTuple):
    """What the words of one signal say. `value` is SI; None when Bad, and when Good with reason `none_detected`."""

    value: float | None
    quality: Quality
    reason: Reason | None


class Scaling(NamedTuple):
    """How the number that a plain signal sends becomes its SI value: `number * factor + constant`."""

    factor: float
    divisor: float | None
    """Instead of the factor where there is one: tenths are divided by ten, so that 156 is 15.6 and not 15.6000...01."""
    constant: float
    low: float
    """From here to `high` the value is Good."""
    high: float
    special: dict[int | float, Decoded]
    """Numbers that are sent instead of a value."""
    tiny: float
    """A number closer to zero than this, and not zero, is nothing that was measured. 0 for whole numbers."""


Decoder = Callable[[Sequence[int]], Decoded]
"""Takes exactly the words (or the one bit) of its signal."""

_Read = Callable[[Sequence[int]], int | float]

# How to lay the registers out as bytes, and how to read the value from them. The bytes of the value stand on the wire
# as the order says, each register's high byte first. '<' swaps the bytes of every register or of the whole value:
# swapping both reverses the registers.
_LAYOUT = {
    ByteOrder.ABCD: (">", ">"),
    ByteOrder.CDAB: ("<", "<"),
    ByteOrder.BADC: ("<", ">"),
    ByteOrder.DCBA: (">", "<"),
}

STRUCT_CODES = {
    ValueType.BOOL: "H",
    ValueType.INT16: "h",
    ValueType.UINT16: "H",
    ValueType.INT32: "i",
    ValueType.UINT32: "I",
    ValueType.INT64: "q",
    ValueType.UINT64: "Q",
    ValueType.FLOAT32: "f",
    ValueType.FLOAT64: "d",
}
"""What the struct module calls each type."""

_BITS = {ValueType.FLOAT32: "I", ValueType.FLOAT64: "Q"}

# NAMUR NE 43, in mA: at or beyond the outer limits the transmitter signals its own failure; between the inner limits
# it measures; what lies between is neither. The sentences in number_reasons.py name them.
_FAILED_LOW_MA = 3.6
_MEASURES_FROM_MA = 3.8
_MEASURES_TO_MA = 20.5
_FAILED_HIGH_MA = 21.0
# A current is compared after rounding to a nanoampere, finer than any input card, so that 3.8 mA sent as a binary
# fraction (3.79999995 in float32) counts as 3.8.
_CURRENT_DIGITS = 6

# A limit is widened by this part of itself, so that a value exactly at it is not lost to the rounding of the scale.
_LIMIT_SLACK = 1e-9

# The smallest normal numbers of IEEE 754 binary32 and binary64. What lies below carries fewer digits the smaller it is:
# no scale of an instrument leads there, bytes read in the wrong order do.
_NORMAL_FROM = {ValueType.FLOAT32: 2.0**-126, ValueType.FLOAT64: 2.0**-1022}

_SMALLEST_INVERTED = 1e-15
"""A factor below this is multiplied by as it is: its inverse has no exact whole number any more."""


def signal_decoder(signal: Signal) -> Decoder:
    """Makes the decoder of a signal.

    Raises ValueError when the signal cannot be decoded as it stands: a bit field outside one register, or a scale
    that leaves nothing of the number.
    """
    if not all(factor and math.isfinite(factor) for factor in (signal.scale, signal.si_factor)):
        raise ValueError(f"signal {signal.name}: scale {signal.scale:g} and {signal.si_factor:g} to SI give no value")
    if signal.type in _BITS and (signal.sentinels or signal.none_detected):
        return _told_by_bits(signal)
    read = _reader(signal)
    if signal.loop is not None:
        return _loop_decoder(signal, signal.loop, read)
    return _scaled_decoder(signal, read)


def _told_by_bits(signal: Signal) -> Decoder:
    """For a floating-point type with numbers instead of a value: 0.0 equals -0.0 and no NaN itself, but not in bits."""
    wire, value = _LAYOUT[signal.order]
    pack = struct.Struct(f"{wire}{signal.registers}H").pack
    unpack = struct.Struct(f"{value}{_BITS[signal.type]}").unpack
    as_sent = struct.Struct(f">{STRUCT_CODES[signal.type]}").pack
    by_bits = {int.from_bytes(as_sent(number)): verdict for number, verdict in _special_numbers(signal)}
    others = signal_decoder(replace(signal, sentinels=(), none_detected=()))

    def decode(words: Sequence[int]) -> Decoded:
        verdict = by_bits.get(unpack(pack(*words))[0])
        return others(words) if verdict is None else verdict

    return decode


def _reader(signal: Signal) -> _Read:
    """Words to the number before any scale, as the type reads it."""
    if signal.table.holds_bits:
        return _first
    if signal.bit is not None:
        return _bit_field_reader(signal, signal.bit)
    wire, value = _LAYOUT[signal.order]
    pack = struct.Struct(f"{wire}{signal.registers}H").pack
    unpack = struct.Struct(f"{value}{STRUCT_CODES[signal.type]}").unpack

    def read(words: Sequence[int]) -> int | float:
        number: int | float = unpack(pack(*words))[0]
        return number

    if signal.type is ValueType.BOOL:
        return lambda words: 1 if words[0] else 0
    if signal.order in (ByteOrder.ABCD, ByteOrder.CDAB):
        if signal.type is ValueType.UINT16:
            return _first
        if signal.type is ValueType.INT16:
            return _signed_first
    return read


def _first(words: Sequence[int]) -> int:
    return words[0]


def _signed_first(words: Sequence[int]) -> int:
    word = words[0]
    return word - 0x10000 if word & 0x8000 else word


def _bit_field_reader(signal: Signal, bit: int) -> _Read:
    if signal.registers != 1:
        raise ValueError(f"signal {signal.name}: a bit field lies in one register, {signal.type} takes more")
    if bit < 0 or signal.bits < 1 or bit + signal.bits > 16:
        raise ValueError(f"signal {signal.name}: bits {bit} to {bit + signal.bits - 1} are not within 0 to 15")
    mask = (1 << signal.bits) - 1
    if signal.order in (ByteOrder.BADC, ByteOrder.DCBA):
        return lambda words: (((words[0] & 0xFF) << 8 | words[0] >> 8) >> bit) & mask
    return lambda words: (words[0] >> bit) & mask


def _bad(reason: Reason) -> Decoded:
    return Decoded(None, Quality.BAD, reason)


def _special_numbers(signal: Signal) -> list[tuple[int | float, Decoded]]:
    """Numbers that the device uses instead of a value. A sentinel outranks `none_detected`: it comes later."""
    return [
        *((number, Decoded(None, Quality.GOOD, nothing_there(signal, number))) for number in signal.none_detected),
        *((number, _bad(not_valid(signal, number))) for number in signal.sentinels),
    ]


def _limits(signal: Signal) -> tuple[float, float]:
    """Widened limits in SI; without any, the finite numbers, so that one comparison also catches NaN and infinity."""
    low = -sys.float_info.max
    high = sys.float_info.max
    if signal.minimum is not None:
        low = signal.minimum - abs(signal.minimum) * _LIMIT_SLACK
    if signal.maximum is not None:
        high = signal.maximum + abs(signal.maximum) * _LIMIT_SLACK
    return low, high


def _outside(signal: Signal, number: float, value: float, tiny: float = 0.0) -> Decoded:
    """The verdict on a value that did not lie within the limits, or on a number closer to zero than any measurement."""
    if not math.isfinite(number):
        return _bad(not_a_number(signal, number))
    if 0.0 < abs(number) < tiny:
        return _bad(too_little(signal, number))
    return _bad(out_of_range(signal, value))


def scaling(signal: Signal) -> Scaling:
    """For a signal without a current loop."""
    factor = signal.scale * signal.si_factor
    constant = signal.offset * signal.si_factor + signal.si_offset
    # Tenths are divided by ten: 156 * 0.1 is 15.600000000000001, 156 / 10 is 15.6, as the instrument means it.
    whole = round(1.0 / factor) if abs(factor) >= _SMALLEST_INVERTED else 0
    divisor = float(whole) if whole and math.isclose(whole * factor, 1.0, rel_tol=1e-12) else None
    normal_from = _NORMAL_FROM.get(signal.type)
    tiny = 0.0 if normal_from is None else max(normal_from, signal.least / abs(factor))
    return Scaling(factor, divisor, constant, *_limits(signal), dict(_special_numbers(signal)), tiny)


def run_format(signals: Sequence[Signal], address: int) -> str | None:
    """How to unpack, at one go, the numbers of signals in the registers from `address` on; None if that cannot be.

    It can for whole registers in network order that lie one after another, with or without gaps: the usual case.
    """
    codes = [">"]
    for signal in signals:
        in_order = signal.order is ByteOrder.ABCD or (signal.order is ByteOrder.CDAB and signal.type.registers == 1)
        is_plain = signal.bit is None and signal.loop is None and signal.type is not ValueType.BOOL
        is_plain = is_plain and not (signal.type in _BITS and (signal.sentinels or signal.none_detected))
        if signal.table.holds_bits or not in_order or not is_plain or signal.address < address:
            return None
        codes += [f"{2 * (signal.address - address)}x", STRUCT_CODES[signal.type]]
        address = signal.address + signal.registers
    return "".join(codes)


def _scaled_decoder(signal: Signal, read: _Read) -> Decoder:
    factor, divisor, constant, low, high, special, tiny = scaling(signal)
    good = Quality.GOOD

    def decode(words: Sequence[int]) -> Decoded:
        number = read(words)
        if special and number in special:
            return special[number]
        value = (number * factor if divisor is None else number / divisor) + constant
        if low <= value <= high and (number >= tiny or number <= -tiny or not number):
            return Decoded(value, good, None)
        return _outside(signal, number, value, tiny)

    return decode


def _loop_decoder(signal: Signal, loop: CurrentLoop, read: _Read) -> Decoder:
    special = dict(_special_numbers(signal))
    low, high = _limits(signal)
    per_ma = (loop.high - loop.low) / 16.0

    def decode(words: Sequence[int]) -> Decoded:
        number = read(words)
        if special and number in special:
            return special[number]
        current = number * signal.scale + signal.offset
        if not math.isfinite(current):
            return _bad(not_a_number(signal, number))
        current = round(current, _CURRENT_DIGITS)
        if current <= _FAILED_LOW_MA or current >= _FAILED_HIGH_MA:
            return _bad(loop_failed(signal, current))
        value = loop.low + (current - 4.0) * per_ma
        if not low <= value <= high:
            return _outside(signal, number, value)
        if _MEASURES_FROM_MA <= current <= _MEASURES_TO_MA:
            return Decoded(value, Quality.GOOD, None)
        return Decoded(value, Quality.UNCERTAIN, outside_span(signal, current))

    return decode


def judge_faults(instrument_map: InstrumentMap, readings: Sequence[Reading]) -> Sequence[Reading]:
    """Takes the value from every reading of an instrument whose own fault signal is set, or cannot be read.

    One that is not set, and in doubt, leaves no reading better than that. A reading that is no better already keeps its
    own, nearer reason. Without a fault the very same readings come back.
    """
    faults = [reading for reading in readings if reading.signal in instrument_map.fault_signals]
    for fault in faults:
        if fault.value != 0.0 or fault.quality is Quality.BAD:
            reason = fault_reason(fault)
            return [
                other
                if other.quality is Quality.BAD
                else other._replace(value=None, quality=Quality.BAD, reason=reason)
                for other in readings
            ]
    for fault in faults:
        if fault.quality is not Quality.GOOD:
            readings = doubted(readings, doubtful_fault(fault))
    return readings
