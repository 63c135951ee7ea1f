"""A block decoded at one go says the same as its signals decoded one by one."""

import struct
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.polling.blocks import Block, plan_blocks
from gateway.acquisition.signals.block_reader import BlockReader
from gateway.acquisition.signals.decode import run_format, signal_decoder
from gateway.acquisition.signals.register_map import ByteOrder, CurrentLoop, InstrumentMap, Signal, ValueType
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, Reason, ReasonCode

HOLDING = Table.HOLDING_REGISTERS

_signals = st.builds(
    Signal,
    st.just("s"),
    st.just(HOLDING),
    st.integers(0, 60),
    st.sampled_from(ValueType),
    order=st.sampled_from(ByteOrder),
    scale=st.sampled_from((1.0, 0.1, -0.5, 3.0)),
    offset=st.sampled_from((0.0, -40.0)),
    si_factor=st.sampled_from((1.0, 0.001)),
    si_offset=st.sampled_from((0.0, 273.15)),
    sentinels=st.sampled_from(((), (0,), (65535, 32767))),
    none_detected=st.sampled_from(((), (1,))),
    loop=st.sampled_from((None, None, None, CurrentLoop(0.0, 16.0))),
    minimum=st.sampled_from((None, 0.0)),
    maximum=st.sampled_from((None, 100.0)),
)
_words = st.one_of(st.integers(0, 0xFFFF), st.sampled_from((0, 1, 0x7FC0, 0x7F80, 0xFF80, 0x7FFF, 0xFFFF, 0x4148)))


_plain_signals = _signals.filter(
    lambda signal: signal.loop is None and signal.type is not ValueType.BOOL and signal.order is ByteOrder.ABCD
)


_blocks = st.one_of(st.lists(_signals, min_size=1, max_size=12), st.lists(_plain_signals, min_size=1, max_size=3))


@given(_blocks, st.data())
def test_a_block_says_what_its_signals_say(drawn: list[Signal], data: st.DataObject) -> None:
    signals = tuple(
        Signal(f"s{place}", *(getattr(signal, name) for name in Signal.__dataclass_fields__ if name != "name"))
        for place, signal in enumerate(drawn)
    )
    for block in plan_blocks(InstrumentMap("any", signals)):
        words = tuple(data.draw(st.lists(_words, min_size=block.count, max_size=block.count)))
        readings = BlockReader("LT-1", block).decode(words, 5, 7)
        assert [reading.signal for reading in readings] == [signal.name for signal in block.signals]
        for signal, reading in zip(block.signals, readings, strict=True):
            raw = words[signal.address - block.address :][: signal.registers]
            named = replace(signal, name=f"LT-1.{signal.name}")
            assert (reading.value, reading.quality, reading.reason) == tuple(signal_decoder(named)(raw))
            assert reading.reason is None or reading.reason.text.startswith(f"LT-1.{signal.name}: ")
            assert (reading.raw, reading.time_ns, reading.monotonic_ns, reading.instrument) == (raw, 5, 7, "LT-1")


def test_a_block_of_temperatures_is_unpacked_at_one_go_and_a_bad_one_keeps_to_itself() -> None:
    signals = tuple(
        Signal(f"t{place}", HOLDING, 10 + 3 * place, ValueType.FLOAT32, minimum=-50.0, maximum=200.0)
        for place in range(3)
    )
    (block,) = plan_blocks(InstrumentMap("temperatures", signals))
    assert run_format(block.signals, block.address) == ">0xf2xf2xf"
    words = struct.unpack(">8H", struct.pack(">fHfHf", 12.5, 9, float("nan"), 9, 250.0))
    first, second, third = BlockReader("TT-1", block).decode(words, 0, 0)
    assert (first.value, first.quality) == (12.5, Quality.GOOD)
    assert second.reason is not None
    assert second.reason.code is ReasonCode.NOT_A_NUMBER
    assert third.reason is not None
    assert third.reason.code is ReasonCode.OUT_OF_RANGE
    assert second.value is third.value is None


def test_special_numbers_are_not_values_where_a_block_is_unpacked_at_one_go() -> None:
    signals = tuple(
        Signal(f"w{place}", HOLDING, place, ValueType.UINT16, sentinels=(65535,), none_detected=(65534,))
        for place in range(3)
    )
    (block,) = plan_blocks(InstrumentMap("water", signals))
    assert run_format(block.signals, block.address) is not None
    failed, dry, wet = BlockReader("WT-1", block).decode((65535, 65534, 65533), 0, 0)
    assert (failed.value, failed.quality) == (None, Quality.BAD)
    assert (dry.value, dry.quality) == (None, Quality.GOOD)
    assert (wet.value, wet.quality, wet.reason) == (65533.0, Quality.GOOD, None)


def test_what_is_not_plain_is_decoded_one_by_one() -> None:
    plain = Signal("level", HOLDING, 0, ValueType.UINT16)
    for other in (
        Signal("x", HOLDING, 0, ValueType.UINT16),
        Signal("x", HOLDING, 1, ValueType.UINT32, order=ByteOrder.CDAB),
        Signal("x", HOLDING, 1, ValueType.INT16, order=ByteOrder.BADC),
        Signal("x", HOLDING, 1, ValueType.BOOL),
        Signal("x", HOLDING, 1, ValueType.UINT16, bit=3),
        Signal("x", HOLDING, 1, ValueType.UINT16, loop=CurrentLoop(0.0, 1.0)),
    ):
        assert run_format([plain, other], 0) is None
    assert run_format([plain, Signal("x", HOLDING, 1, ValueType.INT16, order=ByteOrder.CDAB)], 0) == ">0xH0xh"
    assert run_format([Signal("x", Table.COILS, 0, ValueType.BOOL)], 0) is None


def test_without_words_every_signal_is_bad_for_the_reason_given() -> None:
    signals = tuple(Signal(f"s{place}", HOLDING, place, ValueType.UINT16) for place in range(3))
    reader = BlockReader("LT-1", Block(HOLDING, 0, 3, signals))
    reason = Reason(ReasonCode.NO_ANSWER, "no answer within 1 s")
    readings = reader.failed(reason, 5, 7)
    assert readings == [Reading("LT-1", f"s{place}", None, Quality.BAD, reason, 5, 7, ()) for place in range(3)]
