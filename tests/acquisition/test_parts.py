"""Blocks that a device refuses, split until the address is known: on a device of the test's own, without a line."""

import random
from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.polling.blocks import join_blocks, plan_blocks, split_block
from gateway.acquisition.polling.parts import BlockParts, Part
from gateway.acquisition.polling.round import Round
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.backoff import Backoff
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, Reason, ReasonCode

S = 1_000_000_000
REFUSED = Reason(ReasonCode.DEVICE_EXCEPTION, "refused")
SILENT = Reason(ReasonCode.NO_ANSWER, "silent")


def words(count: int, step: int = 1, kind: ValueType = ValueType.UINT16) -> InstrumentMap:
    signals = tuple(Signal(f"s{place}", Table.HOLDING_REGISTERS, place * step, kind) for place in range(count))
    return InstrumentMap("device", signals)


class Device:
    """Refuses a read that touches a missing address or is too long; is silent about some."""

    def __init__(self, instrument_map: InstrumentMap, missing: Sequence[int] = (), largest: int = 125) -> None:
        self.missing = set(missing)
        self.largest = largest
        self.silent: set[int] = set()
        self.now_ns = S
        self.blocks = [
            BlockParts("LT-1", block, lambda: Backoff(0.5, 30.0, random.Random(4)))
            for block in plan_blocks(instrument_map)
        ]
        self.asked: list[tuple[int, int]] = []
        self.found: list[str] = []

    def poll(self, period_s: float = 2.0, doubted_too: bool = True) -> dict[str, Reading]:
        current = Round(self.blocks, self.now_ns, doubted_too)
        self.asked = []
        while current.waiting:
            self.ask(current, current.waiting.pop())
        readings = current.readings(self.now_ns, self.now_ns)
        current.finish(self.now_ns)
        self.now_ns += round(period_s * S)
        assert len({reading.signal for reading in readings}) == len(readings)
        return {reading.signal: reading for reading in readings}

    def polls(self, count: int, period_s: float = 2.0) -> dict[str, Reading]:
        """The readings of the last of so many."""
        for _ in range(count - 1):
            self.poll(period_s)
        return self.poll(period_s)

    def ask(self, current: Round, part: Part) -> None:
        block = part.reader
        self.asked.append((block.address, block.count))
        span = set(range(block.address, block.address + block.count))
        if span & self.silent:
            current.silent(part, SILENT, self.now_ns)
        elif span & self.missing or block.count > self.largest:
            if current.refused(part, REFUSED, self.now_ns, may_split=True):
                self.found.append(block.text)
        else:
            current.answered(part, block.decode(tuple(range(block.address, block.address + block.count)), 0, 0))


def good(readings: dict[str, Reading]) -> set[str]:
    return {name for name, reading in readings.items() if reading.quality is Quality.GOOD}


def test_one_missing_register_among_a_hundred_is_found_and_named_and_costs_one_request_more() -> None:
    device = Device(words(100), missing=[37])
    for _ in range(3):
        device.poll()
        assert len(device.asked) <= 9
    readings = device.poll()
    assert device.found == ["holding register 37"]
    assert good(readings) == {f"s{place}" for place in range(100)} - {"s37"}
    assert readings["s37"].reason == REFUSED
    device.poll(0.001)
    device.poll(0.001)
    assert [asked for asked in device.asked if asked != (37, 1)] == [(0, 37), (38, 62)]


def test_at_the_end_of_a_block_it_costs_no_request_more() -> None:
    device = Device(words(16), missing=[15])
    for _ in range(6):
        device.poll(0.001)
    assert device.asked[0] == (0, 15)


def test_a_missing_register_is_asked_for_ever_more_rarely_and_taken_back_when_it_is_there() -> None:
    device = Device(words(16), missing=[5])
    for _ in range(200):
        device.poll()
    retries = 0
    for _ in range(200):
        device.poll()
        retries += (5, 1) in device.asked
    assert 400 / 30 - 1 <= retries <= 400 / 15 + 1
    device.missing.clear()
    readings = device.polls(16)
    assert good(readings) == {f"s{place}" for place in range(16)}
    device.poll()
    assert device.asked == [(0, 16)]
    assert device.found == ["holding register 5"]


def test_after_a_new_connection_a_refused_register_is_tried_at_once_and_the_plan_is_kept() -> None:
    device = Device(words(16), missing=[5])
    for _ in range(100):
        device.poll()
    for block in device.blocks:
        block.try_again()
    device.poll()
    assert device.asked == [(0, 5), (6, 10), (5, 1)]


def test_a_device_that_gives_fewer_registers_at_once_than_it_should_is_read_in_halves() -> None:
    device = Device(words(100), largest=30)
    readings = device.polls(4)
    assert good(readings) == {f"s{place}" for place in range(100)}
    assert device.asked == [(0, 25), (25, 25), (50, 25), (75, 25)]
    assert device.found == []


def test_a_missing_register_on_a_device_that_also_gives_little_at_once() -> None:
    device = Device(words(64), missing=[3], largest=20)
    readings = device.polls(30, 0.001)
    assert good(readings) == {f"s{place}" for place in range(64)} - {"s3"}
    assert device.found == ["holding register 3"]
    assert len([asked for asked in device.asked if asked != (3, 1)]) <= 8


def test_a_device_that_refuses_all_for_a_while_is_read_whole_afterwards() -> None:
    device = Device(words(16), missing=range(16))
    for _ in range(40):
        assert good(device.poll()) == set()
    device.poll(0.001)
    device.missing.clear()
    readings = device.polls(20)
    assert good(readings) == {f"s{place}" for place in range(16)}
    assert device.asked == [(0, 16)]


def test_a_register_that_goes_missing_later_is_found_too() -> None:
    device = Device(words(32), missing=[10])
    for _ in range(10):
        device.poll()
    device.missing.add(20)
    readings = device.polls(10)
    assert good(readings) == {f"s{place}" for place in range(32)} - {"s10", "s20"}
    assert device.found == ["holding register 10", "holding register 20"]


@given(
    step=st.integers(1, 4),
    kind=st.sampled_from([ValueType.UINT16, ValueType.INT32]),
    missing=st.sets(st.integers(0, 100), max_size=4),
    largest=st.integers(4, 125),
)
def test_whatever_a_device_refuses_all_that_it_has_is_read_in_the_end(
    step: int, kind: ValueType, missing: set[int], largest: int
) -> None:
    instrument_map = words(30, max(step, kind.registers), kind)
    device = Device(instrument_map, missing=list(missing), largest=largest)
    for _ in range(60):
        device.poll()
        assert len(device.asked) <= 40
    readings = device.poll()
    wanted = {
        signal.name
        for signal in instrument_map.signals
        if not missing & set(range(signal.address, signal.address + signal.registers))
    }
    assert good(readings) == wanted
    for name in wanted:
        assert readings[name].raw[0] == next(s.address for s in instrument_map.signals if s.name == name)


def test_signals_that_share_an_address_are_not_parted() -> None:
    bits = tuple(Signal(f"b{bit}", Table.HOLDING_REGISTERS, 4, ValueType.BOOL, bit=bit) for bit in range(16))
    instrument_map = InstrumentMap("bits", (*bits, Signal("level", Table.HOLDING_REGISTERS, 5, ValueType.UINT16)))
    (block,) = plan_blocks(instrument_map)
    left, right = split_block(block)
    assert (left.address, left.count, right.address, right.count) == (4, 1, 5, 1)
    assert split_block(left) == (left,)
    assert join_blocks([left, right]) == block
    device = Device(instrument_map, missing=[4])
    device.poll()
    assert device.found == ["holding register 4"]
    assert good(device.poll()) == {"level"}


@given(st.lists(st.tuples(st.integers(0, 120), st.sampled_from([ValueType.UINT16, ValueType.FLOAT64])), min_size=1))
def test_halves_bring_the_same_signals_and_no_address_twice(places: list[tuple[int, ValueType]]) -> None:
    signals = tuple(
        Signal(f"s{number}", Table.INPUT_REGISTERS, address, kind) for number, (address, kind) in enumerate(places)
    )
    for block in plan_blocks(InstrumentMap("any", signals)):
        halves = split_block(block)
        assert tuple(signal for half in halves for signal in half.signals) == block.signals
        spans = [address for half in halves for address in range(half.address, half.address + half.count)]
        assert len(set(spans)) == len(spans)
        assert join_blocks(halves) == block


# Silence

TWO = InstrumentMap(
    "two",
    (
        Signal("a", Table.HOLDING_REGISTERS, 0, ValueType.UINT16),
        Signal("b", Table.INPUT_REGISTERS, 50, ValueType.UINT16),
    ),
)


def test_a_silent_block_is_left_alone_while_the_other_is_read() -> None:
    device = Device(TWO)
    device.silent = {0}
    readings = device.poll()
    assert device.asked == [(0, 1)]  # silent from the first request: the instrument may be dead
    assert good(readings) == set()
    readings = device.poll()
    assert device.asked == [(50, 1), (0, 1)]  # the next try begins with the other
    assert good(readings) == {"b"}
    tries = 0
    for _ in range(400):
        readings = device.poll()
        assert device.asked[0] == (50, 1)
        tries += len(device.asked) - 1
        assert good(readings) == {"b"}
        assert readings["a"].reason == SILENT
    assert 800 / 30 - 1 <= tries <= 800 / 15 + 10
    device.silent = set()
    readings = device.polls(16)
    assert good(readings) == {"a", "b"}


def test_a_silent_block_is_not_waited_for_while_the_line_has_no_time_for_it() -> None:
    device = Device(TWO)
    device.poll()
    device.silent = {50}
    device.poll()
    assert device.asked == [(0, 1), (50, 1)]
    for _ in range(50):
        device.poll(doubted_too=False)
        assert device.asked == [(0, 1)]


def test_a_dead_instrument_costs_one_wait_at_a_time_and_each_try_begins_with_another_block() -> None:
    device = Device(TWO)
    device.silent = {0, 50}
    asked = []
    for _ in range(6):
        device.poll()
        asked += device.asked
    assert asked == [(0, 1), (50, 1)] * 3


def test_a_connection_that_breaks_says_nothing_against_the_blocks() -> None:
    device = Device(TWO)
    current = Round(device.blocks, device.now_ns, True)
    current.waiting.pop()
    broken = Reason(ReasonCode.NO_CONNECTION, "the peer closed the connection")
    current.cut_off(broken)
    assert {reading.reason for reading in current.readings(0, 0)} == {broken}
    current.finish(device.now_ns)
    device.poll()
    assert device.asked == [(0, 1), (50, 1)]
