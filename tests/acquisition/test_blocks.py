"""Block reads: legal, complete, and as few as brute force can find."""

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.polling.blocks import Block, plan_blocks
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.modbus.tables import Table

H = Table.HOLDING_REGISTERS


def register(name: str, address: int, kind: ValueType = ValueType.UINT16, table: Table = H) -> Signal:
    return Signal(name, table, address, kind)


def extents(blocks: tuple[Block, ...]) -> list[tuple[int, int]]:
    return [(block.address, block.count) for block in blocks]


def test_gaps_are_joined_when_the_device_allows_it() -> None:
    signals = (register("a", 0), register("b", 100, ValueType.FLOAT32))
    assert extents(plan_blocks(InstrumentMap("m", signals))) == [(0, 102)]
    assert extents(plan_blocks(InstrumentMap("m", signals, gaps_allowed=False))) == [(0, 1), (100, 2)]


def test_a_read_never_crosses_a_forbidden_range() -> None:
    signals = (register("pressure", 0), register("t1", 10), register("t2", 11))
    blocks = plan_blocks(InstrumentMap("m", signals, forbidden=((H, 1, 9),)))
    assert extents(blocks) == [(0, 1), (10, 2)]
    elsewhere = InstrumentMap("m", signals, forbidden=((Table.INPUT_REGISTERS, 1, 9),))
    assert extents(plan_blocks(elsewhere)) == [(0, 12)]


def test_the_specification_limits_a_read_to_125_registers_and_2000_bits() -> None:
    # MODBUS Application Protocol V1.1b3: 6.1 and 6.2 allow 1 to 7D0h, 6.3 and 6.4 allow 1 to 7Dh.
    registers = tuple(register(str(address), address) for address in range(126))
    assert extents(plan_blocks(InstrumentMap("m", registers))) == [(0, 125), (125, 1)]
    bits = tuple(register(str(i), i, ValueType.BOOL, Table.COILS) for i in (0, 1999, 2000))
    assert extents(plan_blocks(InstrumentMap("m", bits))) == [(0, 2000), (2000, 1)]
    assert extents(plan_blocks(InstrumentMap("m", registers, largest_block=500)))[0] == (0, 125)


def test_a_value_is_never_split() -> None:
    signals = tuple(register(str(i), 2 * i, ValueType.FLOAT32) for i in range(63))
    assert extents(plan_blocks(InstrumentMap("m", signals))) == [(0, 124), (124, 2)]


def test_tables_are_read_apart_and_shared_words_once() -> None:
    signals = (
        Signal("fault", H, 4, ValueType.BOOL, bit=3),
        Signal("ready", H, 4, ValueType.BOOL, bit=0),
        register("contact", 4, ValueType.BOOL, Table.DISCRETE_INPUTS),
    )
    blocks = plan_blocks(InstrumentMap("m", signals))
    assert [(block.table, block.address, block.count) for block in blocks] == [
        (Table.DISCRETE_INPUTS, 4, 1),
        (H, 4, 1),
    ]
    assert [block.text for block in blocks] == ["discrete input 4", "holding register 4"]


@pytest.mark.parametrize(
    ("plan", "message"),
    [
        (InstrumentMap("m", (register("a", 5),), forbidden=((H, 0, 5),)), "forbidden range 0 to 5"),
        (InstrumentMap("m", (register("a", 65535, ValueType.INT32),)), "outside the addresses 0 to 65535"),
        (InstrumentMap("m", (register("a", 0, ValueType.INT64),), largest_block=3), "takes 4 addresses"),
    ],
)
def test_a_signal_that_cannot_be_read_is_refused(plan: InstrumentMap, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        plan_blocks(plan)


@st.composite
def instrument_maps(draw: st.DrawFn, most_signals: int, last_address: int) -> InstrumentMap:
    kinds = st.sampled_from([ValueType.UINT16, ValueType.FLOAT32, ValueType.FLOAT64])
    places = draw(st.lists(st.tuples(st.integers(0, last_address), kinds), min_size=1, max_size=most_signals))
    signals = [register(str(number), address, kind) for number, (address, kind) in enumerate(places)]
    first = draw(st.integers(0, last_address))
    last = draw(st.integers(first, last_address + 4))
    clear = [signal for signal in signals if signal.address > last or signal.address + signal.registers <= first]
    forbidden = ((H, first, last),) if clear else ()
    return InstrumentMap(
        "m",
        tuple(clear or signals),
        largest_block=draw(st.integers(4, 12)),
        gaps_allowed=draw(st.booleans()),
        forbidden=forbidden,
    )


def addresses(signal: Signal) -> set[int]:
    return set(range(signal.address, signal.address + signal.registers))


def is_legal(plan: InstrumentMap, read: set[int]) -> bool:
    held = set().union(*(addresses(signal) for signal in plan.signals))
    barred = {address for _, first, last in plan.forbidden for address in range(first, last + 1)}
    return len(read) <= plan.largest_block and not read & barred and (plan.gaps_allowed or read <= held)


@given(instrument_maps(most_signals=30, last_address=60))
def test_every_signal_is_covered_by_a_legal_read(plan: InstrumentMap) -> None:
    covered: list[str] = []
    for block in plan_blocks(plan):
        read = set(range(block.address, block.address + block.count))
        assert is_legal(plan, read)
        assert all(addresses(signal) <= read for signal in block.signals)
        covered += [signal.name for signal in block.signals]
    assert sorted(covered) == sorted(signal.name for signal in plan.signals)


def partitions(signals: tuple[Signal, ...]) -> Iterator[list[list[Signal]]]:
    """Every way to share the signals out among reads."""
    if not signals:
        yield []
        return
    for parts in partitions(signals[1:]):
        yield [[signals[0]], *parts]
        for place in range(len(parts)):
            yield [*parts[:place], [signals[0], *parts[place]], *parts[place + 1 :]]


@given(instrument_maps(most_signals=6, last_address=24))
def test_no_plan_has_fewer_reads(plan: InstrumentMap) -> None:
    def one_read(part: list[Signal]) -> set[int]:
        taken = set().union(*(addresses(signal) for signal in part))
        return set(range(min(taken), max(taken) + 1))

    fewest = min(
        len(parts) for parts in partitions(plan.signals) if all(is_legal(plan, one_read(part)) for part in parts)
    )
    assert len(plan_blocks(plan)) == fewest
