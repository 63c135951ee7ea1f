"""Every decoding side by side: against values packed by `struct`, and against the decoder that polls."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.acquisition.signals.decode import signal_decoder
from gateway.acquisition.signals.register_map import ByteOrder, Signal, ValueType
from gateway.commissioning.decodings import NUMBER_TYPES, as_currents, decodings, number_of, number_text, orders_of
from gateway.modbus.tables import Table
from tests.commissioning.wire_words import on_the_wire

_words = st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4)
_kinds = st.sampled_from(NUMBER_TYPES)
_orders = st.sampled_from(ByteOrder)
SMALLEST_NORMAL = {ValueType.FLOAT32: 2.0**-126, ValueType.FLOAT64: 2.0**-1022}
"""IEEE 754. What lies below it nobody has measured: such a word is polled Bad."""


@given(_kinds, _orders, st.integers(0, 0x7FFF))
def test_what_a_device_sends_is_read_back(kind: ValueType, order: ByteOrder, value: int) -> None:
    assert number_of(on_the_wire(kind.value, order.value, value), kind, order) == value


@given(_kinds, _orders, _words)
@example(ValueType.FLOAT32, ByteOrder.ABCD, [0, 1, 0, 0])
def test_it_reads_as_the_polling_decoder_does(kind: ValueType, order: ByteOrder, words: list[int]) -> None:
    part = words[: kind.registers]
    polled = signal_decoder(Signal("x", Table.HOLDING_REGISTERS, 0, kind, order))(part)
    number = number_of(part, kind, order)
    if polled.value is None:
        assert not math.isfinite(number) or 0.0 < abs(number) < SMALLEST_NORMAL[kind]
    else:
        assert polled.value == float(number)


def test_whole_numbers_are_exact_where_a_float_is_not() -> None:
    words = on_the_wire("int64", "ABCD", 0)
    words[3] = 1
    words[0] = 0x0020
    assert number_of(words, ValueType.INT64, ByteOrder.ABCD) == 2**53 + 1
    assert number_text(2**53 + 1) == "9007199254740993"


@given(_words)
def test_nothing_is_left_out(words: list[int]) -> None:
    found = {(one.address, one.type, one.order) for one in decodings(words, 100)}
    assert found == {
        (100 + start, kind, order)
        for kind in NUMBER_TYPES
        for order in orders_of(kind)
        for start in range(4 - kind.registers + 1)
    }


@pytest.mark.parametrize(
    ("words", "kind", "doubt"),
    [
        # IEEE 754-2019, 3.4: an exponent of all ones is infinity or not a number.
        ([0x7FC0, 0], ValueType.FLOAT32, "not a number"),
        ([0x7F80, 0], ValueType.FLOAT32, "not a number"),
        ([0x4116, 0x978D], ValueType.FLOAT32, ""),
        ([0x0000, 0x0000], ValueType.FLOAT32, ""),
        ([0x0000, 0x0001], ValueType.FLOAT32, "unlikely"),
        ([0xFFFF], ValueType.UINT16, "often means invalid"),
        ([0x7FFF], ValueType.INT16, "often means invalid"),
        ([0x7FFF], ValueType.UINT16, ""),
        ([0x8000], ValueType.INT16, "often means invalid"),
        ([0x4116, 0x978D], ValueType.UINT32, "unlikely"),
        ([0x0000, 0xE3A8], ValueType.UINT32, ""),
    ],
)
def test_a_word_on_what_is_hardly_meant(words: list[int], kind: ValueType, doubt: str) -> None:
    (found,) = (one for one in decodings(words) if (one.address, one.type, one.order) == (0, kind, ByteOrder.ABCD))
    assert found.doubt == doubt


def test_words_that_may_be_loop_currents() -> None:
    assert [(one.unit, one.milliampere) for one in as_currents([10_110])] == [("uA", 10.11)]
    assert [(one.unit, one.milliampere) for one in as_currents([1_011])] == [("0.01 mA", 10.11)]
    (swapped,) = as_currents(on_the_wire("uint16", "BADC", 12_000))
    assert (swapped.order, swapped.milliampere) == (ByteOrder.BADC, 12.0)


def test_wrong_use_is_refused() -> None:
    with pytest.raises(ValueError, match="uint32 takes 2 words, not 1"):
        number_of([1], ValueType.UINT32, ByteOrder.ABCD)
    with pytest.raises(ValueError, match="a bool is a bit"):
        number_of([1], ValueType.BOOL, ByteOrder.ABCD)
