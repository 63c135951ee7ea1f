"""Registers of simulated instruments against pymodbus' own decoding and against struct."""

import math
import struct
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from simulators.encoding import Encoding, Special, reorder

PEER = ModbusClientMixin.DATATYPE
TYPES = {
    "int16": PEER.INT16,
    "uint16": PEER.UINT16,
    "int32": PEER.INT32,
    "uint32": PEER.UINT32,
    "int64": PEER.INT64,
    "uint64": PEER.UINT64,
    "float32": PEER.FLOAT32,
    "float64": PEER.FLOAT64,
}


def registers_of(data: bytes) -> list[int]:
    return list(struct.unpack(f">{len(data) // 2}H", data))


def decode(type_name: str, order: str, data: bytes) -> float:
    """By pymodbus; the bytes of each word are turned beforehand where the order says so."""
    registers = registers_of(data)
    if order in ("BADC", "DCBA"):
        registers = [(word >> 8) | (word & 0xFF) << 8 for word in registers]
    words: Literal["little", "big"] = "little" if order in ("CDAB", "DCBA") else "big"
    value = ModbusClientMixin.convert_from_registers(registers, TYPES[type_name], word_order=words)
    assert isinstance(value, int | float)
    return value


@pytest.mark.outside("pymodbus convert_from_registers")
@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("type_name", list(TYPES))
@given(data=st.data())
def test_peer_decodes_what_was_encoded(type_name: str, order: str, data: st.DataObject) -> None:
    if type_name.startswith("float"):
        value = data.draw(st.floats(-(2.0**100), 2.0**100, width=32 if type_name == "float32" else 64))
    else:
        bits = int(type_name.lstrip("uint"))
        signed = not type_name.startswith("u")
        # A float holds integers exactly up to 2**53.
        most = min((1 << bits - signed) - 1, 1 << 53)
        value = float(data.draw(st.integers(-most if signed else 0, most)))
    assert decode(type_name, order, Encoding(type_name, order).encode(value)) == value


def test_orders_by_hand() -> None:
    assert reorder(b"ABCD", "ABCD") == b"ABCD"
    assert reorder(b"ABCD", "CDAB") == b"CDAB"
    assert reorder(b"ABCD", "BADC") == b"BADC"
    assert reorder(b"ABCD", "DCBA") == b"DCBA"
    assert reorder(b"ABCDEFGH", "CDAB") == b"GHEFCDAB"
    assert reorder(b"AB", "BADC") == b"BA"


def test_integers_are_rounded_to_their_step() -> None:
    tenths = Encoding("int16", size=0.1)
    assert registers_of(tenths.encode(14.14)) == [141]
    assert registers_of(tenths.encode(14.16)) == [142]
    fahrenheit = Encoding("int16", size=0.1 * 5 / 9, zero=-32 * 5 / 9)
    assert registers_of(fahrenheit.encode((71.2 - 32) * 5 / 9)) == [712]


def test_out_of_range_is_the_devices_code_and_without_one_the_limit() -> None:
    coded = Encoding("uint16", size=0.001, invalid=(65534.0,), nothing=65535.0)
    assert registers_of(coded.encode(-0.5)) == [65534]
    assert registers_of(coded.encode(70.0)) == [65534]
    assert registers_of(coded.encode(65.535)) == [65534], "a count that would read as a code is not sent as a value"
    assert registers_of(coded.encode(Special.NOTHING)) == [65535]
    plain = Encoding("int16")
    assert registers_of(plain.encode(1e6)) == [32767]
    assert registers_of(plain.encode(-1e6)) == [32768]
    limited = Encoding("float32", limits=(0.0, 20.0))
    assert math.isnan(struct.unpack(">f", limited.encode(20.1))[0])


def test_a_float_that_does_not_fit_is_not_a_number() -> None:
    assert math.isnan(struct.unpack(">f", Encoding("float32").encode(1e39))[0])
    assert struct.unpack(">d", Encoding("float64").encode(1e39))[0] == 1e39


def test_open_and_short_have_their_own_codes() -> None:
    element = Encoding("int16", size=0.1, invalid=(32767.0, -32768.0))
    assert registers_of(element.encode(Special.OPEN)) == [32767]
    assert registers_of(element.encode(Special.SHORT)) == [32768]
    assert math.isnan(struct.unpack(">d", Encoding("float64").encode(Special.OPEN))[0])


def test_lowest_integer_code_is_sent_exactly() -> None:
    encoding = Encoding("int64", size=0.0001, invalid=(-9223372036854775808.0,))
    assert encoding.encode(Special.INVALID) == struct.pack(">q", -(2**63))
    assert encoding.encode(11.204) == struct.pack(">q", 112040)


@pytest.mark.parametrize(
    ("level", "current"),
    [(0.0, 4000), (8.0, 20000), (3.055, 10110), (-0.05, 3900), (-1.0, 3800), (8.2, 20400), (9.0, 20500)],
)
def test_current_loop_measures_between_its_saturation_limits(level: float, current: int) -> None:
    # NAMUR NE 43: 3.8 to 20.5 mA carries a measurement (from memory; common practice).
    assert registers_of(Encoding("uint16", loop=(0.0, 8.0)).encode(level)) == [current]


def test_current_loop_tells_failure_by_current() -> None:
    # NAMUR NE 43: at most 3.6 mA or at least 21 mA (from memory; common practice).
    loop = Encoding("uint16", loop=(0.0, 8.0))
    assert registers_of(loop.encode(Special.OPEN))[0] <= 3600
    assert registers_of(loop.encode(Special.SHORT))[0] >= 21000
