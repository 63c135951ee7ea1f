"""Words to values: every type and order, bit fields, scales, and all the ways to say that there is no value.

The encoder here is written from the byte-order definitions alone: big-endian bytes of the value, then the bytes moved
about as the order's name says. It shares nothing with the decoder.
"""

import math
import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.signals.decode import judge_faults, signal_decoder
from gateway.acquisition.signals.register_map import ByteOrder, CurrentLoop, InstrumentMap, Signal, ValueType
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode, because

FORMATS = {
    ValueType.INT16: ">h",
    ValueType.UINT16: ">H",
    ValueType.INT32: ">i",
    ValueType.UINT32: ">I",
    ValueType.INT64: ">q",
    ValueType.UINT64: ">Q",
    ValueType.FLOAT32: ">f",
    ValueType.FLOAT64: ">d",
}
REGISTERS = {ValueType.BOOL: 1} | {kind: struct.calcsize(form) // 2 for kind, form in FORMATS.items()}


def encode(number: float, kind: ValueType, order: ByteOrder) -> tuple[int, ...]:
    data = struct.pack(FORMATS[kind], number)
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order is ByteOrder.CDAB:
        pairs = pairs[::-1]
    elif order is ByteOrder.BADC:
        pairs = [pair[::-1] for pair in pairs]
    elif order is ByteOrder.DCBA:
        pairs = [pair[::-1] for pair in pairs[::-1]]
    return tuple(int.from_bytes(pair) for pair in pairs)


def signal(kind: ValueType = ValueType.UINT16, order: ByteOrder = ByteOrder.ABCD, **rest: object) -> Signal:
    plain = Signal("level", Table.HOLDING_REGISTERS, 0, kind, order)
    return replace(plain, **rest)  # type: ignore[arg-type]


def numbers(kind: ValueType) -> st.SearchStrategy[float]:
    bits = int(kind.value[-2:])
    if kind.value.startswith("float"):
        return st.floats(width=32 if bits == 32 else 64, allow_nan=False, allow_infinity=False, allow_subnormal=False)
    if kind.value.startswith("uint"):
        return st.integers(0, 2**bits - 1)
    return st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


@pytest.mark.parametrize("kind", FORMATS)
def test_a_type_takes_the_registers_its_width_needs(kind: ValueType) -> None:
    assert kind.registers == REGISTERS[kind]


@pytest.mark.parametrize("order", ByteOrder)
@pytest.mark.parametrize("kind", FORMATS)
@given(data=st.data())
def test_decode_undoes_encode(kind: ValueType, order: ByteOrder, data: st.DataObject) -> None:
    number = data.draw(numbers(kind))
    decoded = signal_decoder(signal(kind, order))(encode(number, kind, order))
    assert decoded.quality is Quality.GOOD
    assert decoded.reason is None
    assert decoded.value == float(number)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        # 9.412 as IEEE 754 binary32 is 4116978Dh.
        (ByteOrder.ABCD, (0x4116, 0x978D)),
        (ByteOrder.CDAB, (0x978D, 0x4116)),
        (ByteOrder.BADC, (0x1641, 0x8D97)),
        (ByteOrder.DCBA, (0x8D97, 0x1641)),
    ],
)
def test_orders_move_the_bytes_as_their_names_say(order: ByteOrder, words: tuple[int, int]) -> None:
    value = signal_decoder(signal(ValueType.FLOAT32, order))(words).value
    assert value == pytest.approx(9.412, abs=5e-7)


def test_pi_in_sixty_four_bits_in_all_orders() -> None:
    # IEEE 754 binary64 of pi is 400921FB54442D18, a published example (from memory).
    orders = {
        ByteOrder.ABCD: (0x4009, 0x21FB, 0x5444, 0x2D18),
        ByteOrder.CDAB: (0x2D18, 0x5444, 0x21FB, 0x4009),
        ByteOrder.BADC: (0x0940, 0xFB21, 0x4454, 0x182D),
        ByteOrder.DCBA: (0x182D, 0x4454, 0xFB21, 0x0940),
    }
    for order, words in orders.items():
        assert signal_decoder(signal(ValueType.FLOAT64, order))(words).value == math.pi


@given(word=st.integers(0, 0xFFFF), bit=st.integers(0, 15), width=st.integers(1, 16), swapped=st.booleans())
def test_bit_fields_are_cut_from_the_word_least_significant_first(
    word: int, bit: int, width: int, swapped: bool
) -> None:
    width = min(width, 16 - bit)
    order = ByteOrder.BADC if swapped else ByteOrder.ABCD
    digits = f"{word:016b}"[::-1]
    expected = int(digits[bit : bit + width][::-1], 2)
    sent = int.from_bytes(word.to_bytes(2, "little")) if swapped else word
    assert signal_decoder(signal(order=order, bit=bit, bits=width))((sent,)).value == expected


@pytest.mark.parametrize("bit", [0, 1])
def test_a_bit_of_a_bit_table_is_itself(bit: int) -> None:
    contact = Signal("fault", Table.DISCRETE_INPUTS, 0, ValueType.BOOL)
    assert signal_decoder(contact)((bit,)) == (float(bit), Quality.GOOD, None)


def test_a_bool_that_fills_a_register_is_set_by_any_bit() -> None:
    decode = signal_decoder(signal(ValueType.BOOL))
    assert [decode((word,)).value for word in (0, 1, 0x0100, 0xFFFF)] == [0, 1, 1, 1]


@pytest.mark.parametrize(
    "wrong",
    [signal(bit=16), signal(bit=-1), signal(bit=15, bits=2), signal(bit=0, bits=0), signal(ValueType.INT32, bit=1)],
)
def test_a_bit_field_outside_one_register_is_refused(wrong: Signal) -> None:
    with pytest.raises(ValueError, match="signal level: "):
        signal_decoder(wrong)


@pytest.mark.parametrize("scale", [0.0, math.nan, math.inf])
def test_a_scale_that_leaves_no_value_is_refused(scale: float) -> None:
    with pytest.raises(ValueError, match="give no value"):
        signal_decoder(signal(scale=scale))
    with pytest.raises(ValueError, match="give no value"):
        signal_decoder(signal(si_factor=scale))


def test_a_tiny_scale_is_still_a_scale() -> None:
    assert signal_decoder(signal(scale=1e-300))((3,)).value == pytest.approx(3e-300)
    assert signal_decoder(signal(scale=1e-12))((3,)).value == pytest.approx(3e-12)


@pytest.mark.parametrize(("tenths", "decimal"), [(156, 15.6), (147, 14.7), (3, 0.3)])
def test_tenths_decode_to_the_decimal_they_mean(tenths: int, decimal: float) -> None:
    assert signal_decoder(signal(scale=0.1))((tenths,)).value == decimal


def test_scale_and_offset_come_before_the_unit() -> None:
    # 715 tenths of a degree Fahrenheit: 71.5 degF is 21.944 degC.
    fahrenheit = signal(ValueType.INT16, scale=0.1, si_factor=5 / 9, si_offset=-160 / 9)
    assert signal_decoder(fahrenheit)((715,)).value == pytest.approx((71.5 - 32) / 1.8, rel=1e-12)
    # Ullage in tenths of a millimetre: 58280 is 5.828 m.
    ullage = signal(ValueType.UINT32, scale=0.1, si_factor=0.001)
    assert signal_decoder(ullage)((0, 58280)).value == pytest.approx(5.828, rel=1e-12)
    shifted = signal(ValueType.INT16, scale=0.5, offset=-10.0, si_factor=1000.0)
    assert signal_decoder(shifted)((30,)).value == 5000.0


@pytest.mark.parametrize("word", [32767, 0x8000])
def test_a_sentinel_is_bad_whatever_it_would_decode_to(word: int) -> None:
    decoded = signal_decoder(signal(ValueType.INT16, scale=0.1, sentinels=(32767, -32768)))((word,))
    assert decoded.value is None
    assert decoded.quality is Quality.BAD
    assert decoded.reason is not None
    assert decoded.reason.code is ReasonCode.SENTINEL


def test_the_largest_integer_is_a_value_unless_the_map_says_otherwise() -> None:
    assert signal_decoder(signal())((0xFFFF,)).value == 65535.0


def test_a_sentinel_of_a_float_is_compared_before_the_scale() -> None:
    decode = signal_decoder(signal(ValueType.FLOAT32, scale=0.1, sentinels=(-9999,)))
    assert decode(encode(-9999.0, ValueType.FLOAT32, ByteOrder.ABCD)).quality is Quality.BAD
    assert decode(encode(-99990.0, ValueType.FLOAT32, ByteOrder.ABCD)).value == -9999.0


FLOATS = st.one_of(
    st.floats(width=32, allow_nan=False), st.sampled_from([0.0, -0.0, -9999.9, 1e38, 3.4028234663852886e38])
)


@pytest.mark.parametrize("kind", [ValueType.FLOAT32, ValueType.FLOAT64])
@pytest.mark.parametrize("order", ByteOrder)
@given(number=FLOATS, sent=FLOATS)
def test_a_floating_point_sentinel_is_told_by_its_bits(
    kind: ValueType, order: ByteOrder, number: float, sent: float
) -> None:
    """As the type has the number: -9999.9 is sent as -9999.900390625 in float32; and 0.0 is not -0.0."""
    code, size = ("f", 2) if kind is ValueType.FLOAT32 else ("d", 4)
    decode = signal_decoder(signal(kind, order=order, sentinels=(number,)))

    def words(value: float) -> tuple[int, ...]:
        data = struct.pack(f">{code}", value)
        if order in (ByteOrder.BADC, ByteOrder.CDAB):
            data = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
        if order in (ByteOrder.CDAB, ByteOrder.DCBA):
            data = data[::-1]
        return struct.unpack(f">{size}H", data)

    is_the_same = struct.pack(f">{code}", sent) == struct.pack(f">{code}", number)
    decoded = decode(words(sent))
    assert (decoded.reason is not None and decoded.reason.code is ReasonCode.SENTINEL) is is_the_same
    if not is_the_same:
        assert decoded == signal_decoder(signal(kind, order=order))(words(sent))


def test_floating_point_numbers_may_also_say_that_nothing_is_there() -> None:
    decode = signal_decoder(signal(ValueType.FLOAT32, sentinels=(-9999.9,), none_detected=(-1.0, -9999.9)))
    assert decode((0xBF80, 0)).quality is Quality.GOOD
    assert decode((0xBF80, 0)).value is None
    assert decode((0xC61C, 0x3F9A)).quality is Quality.BAD
    assert decode((0x3F80, 0)).value == 1.0


def test_a_sixty_four_bit_sentinel_is_told_from_its_neighbour() -> None:
    lowest = -(2**63)
    decode = signal_decoder(signal(ValueType.INT64, sentinels=(lowest,)))
    assert decode(encode(lowest, ValueType.INT64, ByteOrder.ABCD)).quality is Quality.BAD
    assert decode(encode(lowest + 1, ValueType.INT64, ByteOrder.ABCD)).quality is Quality.GOOD


def test_nothing_detected_is_good_without_a_value_and_never_zero() -> None:
    decode = signal_decoder(signal(sentinels=(65534,), none_detected=(65535,)))
    value, quality, reason = decode((65535,))
    assert value is None
    assert quality is Quality.GOOD
    assert reason is not None
    assert reason.code is ReasonCode.NONE_DETECTED
    assert decode((65534,)).quality is Quality.BAD


@pytest.mark.parametrize("kind", [ValueType.FLOAT32, ValueType.FLOAT64])
@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("loop", [None, CurrentLoop(0.0, 8.0)])
def test_nan_and_infinity_are_bad(kind: ValueType, number: float, loop: CurrentLoop | None) -> None:
    value, quality, reason = signal_decoder(signal(kind, loop=loop))(encode(number, kind, ByteOrder.ABCD))
    assert value is None
    assert quality is Quality.BAD
    assert reason is not None
    assert reason.code is ReasonCode.NOT_A_NUMBER


def test_a_value_that_overflows_in_the_scale_is_bad() -> None:
    decode = signal_decoder(signal(ValueType.FLOAT64, scale=10.0))
    reason = decode(encode(1.7e308, ValueType.FLOAT64, ByteOrder.ABCD)).reason
    assert reason is not None
    assert reason.code is ReasonCode.OUT_OF_RANGE


@pytest.mark.parametrize(("word", "inside"), [(0, True), (142, True), (143, False), (65535, False)])
def test_limits_include_their_ends(word: int, inside: bool) -> None:
    # 142 * 0.1 is 14.200000000000001 in binary: the end itself must not be lost to that.
    value, quality, reason = signal_decoder(signal(scale=0.1, minimum=0.0, maximum=14.2))((word,))
    assert (quality is Quality.GOOD) is inside
    assert (value is None) is not inside
    if not inside:
        assert reason is not None
        assert reason.code is ReasonCode.OUT_OF_RANGE
        assert "above 14.2" in reason.text


def test_below_the_lowest_is_bad() -> None:
    reason = signal_decoder(signal(ValueType.INT16, minimum=-50.0))((0xFF00,)).reason
    assert reason is not None
    assert "below -50" in reason.text


MICROAMPERES = signal(scale=0.001, loop=CurrentLoop(0.0, 8.0))


@pytest.mark.parametrize(
    ("microampere", "quality", "code"),
    # NAMUR NE 43 (edition 2021): 3.8 to 20.5 mA measures; 3.6 mA and less, 21.0 mA and more signals failure.
    # Common practice; the limits are as secondary publications print them.
    [
        (0, Quality.BAD, ReasonCode.LOOP_FAILED),
        (3600, Quality.BAD, ReasonCode.LOOP_FAILED),
        (3601, Quality.UNCERTAIN, ReasonCode.LOOP_OUTSIDE_SPAN),
        (3799, Quality.UNCERTAIN, ReasonCode.LOOP_OUTSIDE_SPAN),
        (3800, Quality.GOOD, None),
        (4000, Quality.GOOD, None),
        (20000, Quality.GOOD, None),
        (20500, Quality.GOOD, None),
        (20501, Quality.UNCERTAIN, ReasonCode.LOOP_OUTSIDE_SPAN),
        (20999, Quality.UNCERTAIN, ReasonCode.LOOP_OUTSIDE_SPAN),
        (21000, Quality.BAD, ReasonCode.LOOP_FAILED),
        (65535, Quality.BAD, ReasonCode.LOOP_FAILED),
    ],
)
def test_current_loops_are_judged_by_namur_ne_43(microampere: int, quality: Quality, code: ReasonCode | None) -> None:
    decoded = signal_decoder(MICROAMPERES)((microampere,))
    assert decoded.quality is quality
    assert (decoded.reason.code if decoded.reason else None) is code
    assert (decoded.value is None) is (quality is Quality.BAD)


@pytest.mark.parametrize(("current", "quality"), [(3.8, Quality.GOOD), (3.6, Quality.BAD), (20.5, Quality.GOOD)])
def test_a_current_sent_as_a_binary_fraction_is_judged_by_what_was_meant(current: float, quality: Quality) -> None:
    decode = signal_decoder(signal(ValueType.FLOAT32, loop=CurrentLoop(0.0, 8.0)))
    assert decode(encode(current, ValueType.FLOAT32, ByteOrder.ABCD)).quality is quality


def test_a_loop_reads_its_span() -> None:
    decode = signal_decoder(MICROAMPERES)
    assert decode((4000,)).value == 0.0
    assert decode((20000,)).value == 8.0
    # The worked lube-oil tank: 10,110 uA of 4 to 20 mA over 0 to 8 m is 3.055 m.
    assert decode((10110,)).value == pytest.approx(3.055, abs=1e-12)
    falling = signal_decoder(signal(scale=0.001, loop=CurrentLoop(8.0, 0.0)))
    assert falling((8000,)).value == pytest.approx(6.0)


def test_a_loop_also_knows_sentinels_and_limits() -> None:
    decode = signal_decoder(replace(MICROAMPERES, sentinels=(10000,), maximum=5.0))
    codes = [reason.code if (reason := decode((word,)).reason) else None for word in (10000, 18000, 8000)]
    assert codes == [ReasonCode.SENTINEL, ReasonCode.OUT_OF_RANGE, None]


@given(st.binary(min_size=8, max_size=8), st.sampled_from(list(FORMATS)), st.sampled_from(list(ByteOrder)))
def test_no_words_whatever_make_a_good_value_that_is_not_finite(data: bytes, kind: ValueType, order: ByteOrder) -> None:
    words = struct.unpack(">4H", data)[: REGISTERS[kind]]
    value, quality, reason = signal_decoder(signal(kind, order, scale=0.1, minimum=-1e6, maximum=1e6))(words)
    assert (quality is Quality.BAD) is (value is None)
    assert (quality is Quality.GOOD) is (reason is None)
    if value is not None:
        assert -1.000001e6 <= value <= 1.000001e6


FAULTY_MAP = InstrumentMap(
    "gauge",
    (signal(), Signal("fault", Table.DISCRETE_INPUTS, 0, ValueType.BOOL)),
    fault_signals=("fault",),
)


def reading(name: str, value: float | None, quality: Quality = Quality.GOOD) -> Reading:
    return Reading("LT-1", name, value, quality, None, 1, 2, (7,))


def test_without_a_fault_the_readings_pass_untouched() -> None:
    readings = [reading("level", 9.4), reading("fault", 0.0)]
    assert judge_faults(FAULTY_MAP, readings) is readings


@pytest.mark.parametrize(
    "fault", [reading("fault", 1.0), reading("fault", None, Quality.BAD), reading("fault", None, Quality.GOOD)]
)
def test_a_fault_that_is_set_or_unreadable_takes_every_value(fault: Reading) -> None:
    judged = judge_faults(FAULTY_MAP, [reading("level", 9.4), fault])
    assert [other.quality for other in judged] == [Quality.BAD, Quality.BAD]
    assert [other.value for other in judged] == [None, None]
    assert judged[0].reason is not None
    assert judged[0].reason.code is ReasonCode.INSTRUMENT_FAULT
    assert judged[0].raw == (7,)


def test_a_fault_that_is_not_set_and_in_doubt_leaves_no_value_better_than_that() -> None:
    """Where a second master is on the line, nothing is certain; but no instrument has said that it has failed."""
    doubt = because(ReasonCode.SECOND_MASTER, "an answer may be to another's request")
    fault = reading("fault", 0.0, Quality.UNCERTAIN)._replace(reason=doubt)
    old = reading("t1", 14.1, Quality.UNCERTAIN)
    judged = judge_faults(FAULTY_MAP, [reading("level", 9.4), old, reading("t2", None, Quality.BAD), fault])
    assert [other.quality for other in judged] == [Quality.UNCERTAIN, Quality.UNCERTAIN, Quality.BAD, Quality.UNCERTAIN]
    assert [other.value for other in judged] == [9.4, 14.1, None, 0.0]
    assert judged[1] is old
    assert judged[0].reason is not None
    assert judged[0].reason.code is ReasonCode.SECOND_MASTER
    assert judged[0].reason.text == (
        "LT-1: whether it reports a fault is not certain, as its signal fault is in doubt: an answer may be to "
        "another's request"
    )


def test_a_fault_that_is_set_counts_in_doubt_too() -> None:
    judged = judge_faults(FAULTY_MAP, [reading("level", 9.4), reading("fault", 1.0, Quality.UNCERTAIN)])
    assert [other.value for other in judged] == [None, None]


def test_a_reading_that_is_bad_already_keeps_its_nearer_reason() -> None:
    dead = reading("level", None, Quality.BAD)
    assert judge_faults(FAULTY_MAP, [dead, reading("fault", 1.0)])[0] is dead


@given(st.integers(-32768, 32767))
def test_tenths_decode_to_the_decimal_that_the_instrument_means(tenths: int) -> None:
    decode = signal_decoder(signal(ValueType.INT16, scale=0.1))
    assert decode(encode(tenths, ValueType.INT16, ByteOrder.ABCD)).value == float(f"{tenths / 10:.1f}")
