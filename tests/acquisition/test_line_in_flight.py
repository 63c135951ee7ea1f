"""A line with several requests under way at once, on an event loop of virtual time."""

import asyncio
import random
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import pairwise

import pytest

from gateway.acquisition.line import Line
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.errors import LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.exceptions import device_exception
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.virtual_loop import LoopClock, run_virtually

FIVE = InstrumentMap(
    "five blocks",
    tuple(Signal(f"s{place}", Table.HOLDING_REGISTERS, place * 200, ValueType.UINT16) for place in range(5)),
)
ONE = InstrumentMap("one block", FIVE.signals[:1])
SILENT = NoAnswerError("no answer within 1 s")
GONE = NoConnectionError("the peer closed the connection")

Answer = Callable[[int, int], "float | LinkError"]
"""For a unit and an address: the seconds to a right answer, or an error."""


class ManyLink:
    """A wire on which requests do not wait for one another."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.connected = False
        self.counters = LinkCounters()
        self.under_way: Counter[int] = Counter()
        self.most = 0
        self.most_of_one = 0
        self.reads: list[tuple[float, int, int]] = []
        self.ends: list[tuple[float, int]] = []
        self.connects = 0

    async def connect(self, timeout_s: float) -> None:
        self.connects += 1
        await asyncio.sleep(0.001)
        self.connected = True

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        assert self.connected
        loop = asyncio.get_running_loop()
        self.reads.append((loop.time(), unit, address))
        self.under_way[unit] += 1
        self.most = max(self.most, self.under_way.total())
        self.most_of_one = max(self.most_of_one, self.under_way[unit])
        try:
            outcome = self.answer(unit, address)
            if isinstance(outcome, float):
                await asyncio.sleep(outcome)
                if not self.connected:
                    raise GONE
                return (unit,) * count
            await asyncio.sleep(timeout_s if isinstance(outcome, NoAnswerError) else 0.01)
            if isinstance(outcome, NoConnectionError):
                self.connected = False
            raise outcome
        finally:
            self.under_way[unit] -= 1
            self.ends.append((loop.time(), unit))

    async def close(self) -> None:
        self.connected = False


class Yard:
    def __init__(
        self,
        units: Sequence[int],
        answer: Answer,
        in_flight: int,
        instrument_map: InstrumentMap = ONE,
        period_s: float = 2.0,
        pause_s: float = 0.0,
    ) -> None:
        self.link = ManyLink(answer)
        self.sunk: list[tuple[float, Sequence[Reading]]] = []
        plans = tuple(
            InstrumentPlan(f"LT-{unit}", unit, instrument_map, period_s, 1.0, pause_s=pause_s) for unit in units
        )
        self.plan = LinePlan("yard", "127.0.0.1", 502, plans, in_flight=in_flight)
        self.line: Line | None = None

    def run(self, seconds: float) -> "Yard":
        async def main() -> None:
            self.line = Line(
                self.plan, self._sink, clock=LoopClock(), random=random.Random(3), open_link=lambda plan: self.link
            )
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self.line.run()

        run_virtually(main)
        assert not self.link.connected
        return self

    def _sink(self, readings: Sequence[Reading]) -> None:
        self.sunk.append((asyncio.get_running_loop().time(), readings))

    def of(self, unit: int) -> list[tuple[float, Sequence[Reading]]]:
        return [(when, readings) for when, readings in self.sunk if readings[0].instrument == f"LT-{unit}"]


def well(unit: int, address: int) -> float:
    return 0.1


@pytest.mark.parametrize("in_flight", [1, 2, 8])
def test_so_many_requests_are_under_way_while_there_is_enough_to_ask_and_never_more(in_flight: int) -> None:
    yard = Yard(range(1, 33), well, in_flight, period_s=0.5).run(60.0)
    assert yard.link.most == in_flight
    rate = len(yard.link.reads) / 60.0
    assert rate == pytest.approx(min(10.0 * in_flight, 64.0), rel=0.03)
    polls = Counter(unit for _, unit, _ in yard.link.reads)
    assert max(polls.values()) - min(polls.values()) <= 2


def test_the_blocks_of_one_instrument_are_asked_together_and_handed_on_in_one_call_and_in_order() -> None:
    yard = Yard([7], lambda unit, address: 0.3 - address / 4000, 8, FIVE).run(10.0)
    assert yard.link.most == 5
    for _, readings in yard.sunk:
        assert [reading.signal for reading in readings] == ["s0", "s1", "s2", "s3", "s4"]
        assert {reading.quality for reading in readings} == {Quality.GOOD}
    times = [when for when, _ in yard.sunk]
    assert times[0] == pytest.approx(0.301, abs=0.01)
    assert [later - earlier for earlier, later in pairwise(times[1:])] == pytest.approx([2.0] * (len(times) - 2))


def test_a_device_that_needs_a_pause_is_asked_one_thing_at_a_time_with_it_between() -> None:
    yard = Yard([1, 2], well, 8, FIVE, pause_s=0.05).run(60.0)
    assert yard.link.most == 2
    assert yard.link.most_of_one == 1
    for unit in (1, 2):
        starts = [when for when, asked, _ in yard.link.reads if asked == unit]
        ends = [when for when, asked in yard.link.ends if asked == unit]
        gaps = [start - end for end, start in zip(ends, starts[1:], strict=False)]
        assert min(gaps) == pytest.approx(0.05, abs=1e-6)
        assert len(yard.of(unit)) == pytest.approx(30, abs=1)


def test_the_pause_of_one_leaves_the_line_to_the_others() -> None:
    yard = Yard([1, 2, 3, 4], well, 1, FIVE, period_s=2.5, pause_s=0.3).run(100.0)
    assert len(yard.link.reads) == pytest.approx(4 * 5 * 40, rel=0.06)  # the line is taken for 80 % of the time


def test_a_dead_instrument_takes_one_place_and_delays_nobody() -> None:
    yard = Yard([1, 2, 3, 4], lambda unit, address: SILENT if unit == 1 else 0.01, 2, FIVE).run(300.0)
    for unit in (2, 3, 4):
        times = [when for when, _ in yard.of(unit)]
        assert len(times) == pytest.approx(150, abs=2)
        assert max(later - earlier for earlier, later in pairwise(times[2:])) < 2.2
    asked = [when for when, unit, _ in yard.link.reads if unit == 1]
    assert 10 <= len(asked) < 60
    codes = {reading.reason.code for _, readings in yard.of(1) for reading in readings if reading.reason}
    assert codes == {ReasonCode.NO_ANSWER}
    assert yard.link.connects == 1


def test_an_answer_slower_than_the_period_leaves_polls_out_and_none_overlap() -> None:
    yard = Yard([1], lambda unit, address: 0.7, 4, period_s=0.5).run(60.0)
    assert yard.link.most == 1
    assert len(yard.of(1)) == pytest.approx(60, abs=2)


def test_a_connection_lost_under_many_requests_is_made_anew_once_and_all_are_read_again() -> None:
    drops = iter([5.0, 20.0])
    following = next(drops)

    def drop(unit: int, address: int) -> float | LinkError:
        nonlocal following
        if asyncio.get_running_loop().time() > following:
            following = next(drops, 1e9)
            return GONE
        return 0.1

    yard = Yard(range(1, 9), drop, 4).run(60.0)
    assert yard.link.connects == 3
    for unit in range(1, 9):
        bad = [when for when, readings in yard.of(unit) if readings[0].quality is Quality.BAD]
        assert len(bad) <= 4
        assert not bad or bad[-1] < 23.0


def test_a_wait_ends_early_when_a_poll_gives_the_line_something_to_do_sooner() -> None:
    yard = Yard([1], lambda unit, address: SILENT if len(yard.link.reads) == 1 else 0.01, 2, period_s=60.0)
    yard.run(10.0)
    assert [readings[0].quality for _, readings in yard.sunk] == [Quality.BAD, Quality.GOOD]
    assert yard.sunk[1][0] < 2.0


def test_refused_blocks_are_found_with_many_under_way_too() -> None:
    instrument_map = InstrumentMap(
        "wide", tuple(Signal(f"s{place}", Table.INPUT_REGISTERS, place, ValueType.UINT16) for place in range(100))
    )

    async def read(unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        await asyncio.sleep(0.01)
        if address <= 41 < address + count:
            raise device_exception(2)
        return tuple(range(address, address + count))

    yard = Yard([1], well, 8, instrument_map)
    yard.link.read = read  # type: ignore[method-assign]
    yard.run(30.0)
    readings = yard.sunk[-1][1]
    assert {reading.signal for reading in readings if reading.quality is Quality.BAD} == {"s41"}
    reason = readings[41].reason
    assert reason is not None
    assert reason.text == (
        "LT-1 (unit 1): device answered exception 2 (illegal data address) (reading input register 41)"
    )


def test_a_mistake_in_the_program_leaves_run_and_the_line_can_be_run_again() -> None:
    yard = Yard([1, 2], well, 4)
    mistaken = True

    def answer(unit: int, address: int) -> float:
        if mistaken:
            raise ZeroDivisionError("a bug")
        return 0.1

    yard.link.answer = answer

    async def main() -> None:
        nonlocal mistaken
        line = Line(yard.plan, yard._sink, clock=LoopClock(), random=random.Random(3), open_link=lambda plan: yard.link)
        with pytest.raises(ExceptionGroup):
            await line.run()
        mistaken = False
        with suppress(TimeoutError):
            async with asyncio.timeout(10.0):
                await line.run()

    run_virtually(main)
    assert {reading.quality for _, readings in yard.sunk for reading in readings} == {Quality.GOOD}
    assert len(yard.of(1)) >= 4
