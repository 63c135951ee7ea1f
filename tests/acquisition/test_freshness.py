"""How old a reading is that a device passes on from a copy: by its own age, or by a counter that stands still."""

import asyncio
import random
from collections.abc import Sequence
from contextlib import suppress

import pytest

from gateway.acquisition.line import Line
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.signals.freshness import Freshness
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.binding import Source, TankBinding, bind
from gateway.modbus.tables import Table
from gateway.records import Input, Quality, Reading, Reason, ReasonCode
from tests.acquisition.virtual_loop import LoopClock, run_virtually

S = 1_000_000_000
UTC_NS = 1_790_000_000 * S
NAMES = ("level", "age", "count")
SIGNALS = tuple(Signal(name, Table.HOLDING_REGISTERS, place, ValueType.UINT16) for place, name in enumerate(NAMES))


def freshness(period_s: float = 10.0, age: str | None = None, counter: str | None = None) -> Freshness:
    described = InstrumentMap("wireless", SIGNALS, age_signal=age, counter_signal=counter)
    return Freshness(InstrumentPlan("LT-7", 7, described, period_s, 1.0))


def poll(second: float, **values: float | None) -> list[Reading]:
    at_ns = round(second * S)
    return [
        Reading("LT-7", name, value, Quality.GOOD, None, UTC_NS + at_ns, at_ns, (1,))
        if value is not None
        else Reading("LT-7", name, None, Quality.BAD, Reason(ReasonCode.SENTINEL, "no"), UTC_NS + at_ns, at_ns, (9,))
        for name, value in values.items()
    ]


def level_of(readings: Sequence[Reading]) -> Reading:
    return next(reading for reading in readings if reading.signal == "level")


def test_a_reading_is_as_old_as_the_device_says() -> None:
    readings = freshness(age="age").aged(poll(100.0, level=9.4, age=12.0))
    level = level_of(readings)
    assert (level.value, level.quality) == (9.4, Quality.GOOD)
    assert level.monotonic_ns == 88 * S
    assert level.time_ns == UTC_NS + 88 * S
    assert readings[1].monotonic_ns == 100 * S, "the age itself is of now"


def test_too_old_it_is_bad_and_says_why() -> None:
    """Three periods, and 60 s at least (common practice)."""
    still = freshness(age="age")
    assert level_of(still.aged(poll(100.0, level=9.4, age=60.0))).quality is Quality.GOOD
    level = level_of(still.aged(poll(101.0, level=9.4, age=61.0)))
    assert (level.value, level.quality) == (None, Quality.BAD)
    assert level.reason is not None
    assert level.reason.code is ReasonCode.DEVICE_STALE
    assert level.reason.text == "LT-7: the device answers, but passes on a value of 61 s ago"
    assert (level.raw, level.monotonic_ns) == ((1,), 101 * S), "what is said of it is said now"
    slow = freshness(period_s=60.0, age="age")
    assert level_of(slow.aged(poll(1000.0, level=9.4, age=180.0))).quality is Quality.GOOD


def test_a_counter_that_stands_still_makes_it_older_from_its_last_change() -> None:
    still = freshness(counter="count")
    ages = []
    for second, number in ((0, 7), (10, 7), (20, 8), (30, 8), (40, 8), (50, 3)):
        level = level_of(still.aged(poll(second, level=9.4, count=number)))
        ages.append(second - level.monotonic_ns / S)
    assert ages == [0, 10, 0, 10, 20, 0], "at the start it counts from the first look; it may wrap or begin afresh"
    level = level_of(still.aged(poll(111, level=9.4, count=3)))
    assert level.quality is Quality.BAD
    assert level.reason is not None
    assert level.reason.text.endswith("a value of 61 s ago")
    assert level_of(still.aged(poll(112, level=9.4, count=4))).quality is Quality.GOOD


def test_the_older_of_the_two_counts() -> None:
    still = freshness(age="age", counter="count")
    still.aged(poll(0, level=9.4, age=1.0, count=5))
    level = level_of(still.aged(poll(30, level=9.4, age=2.0, count=5)))
    assert level.monotonic_ns == 0
    level = level_of(still.aged(poll(31, level=9.4, age=40.0, count=6)))
    assert level.monotonic_ns == -9 * S


@pytest.mark.parametrize("told", ["age", "count"])
def test_where_that_cannot_be_read_the_value_is_uncertain(told: str) -> None:
    still = freshness(age="age" if told == "age" else None, counter="count" if told == "count" else None)
    readings = still.aged(poll(100.0, level=9.4, **{told: None}))
    level = level_of(readings)
    assert (level.value, level.quality) == (9.4, Quality.UNCERTAIN)
    assert level.reason is not None
    assert level.reason.code == ReasonCode.DEVICE_STALE
    assert told in level.reason.text
    assert readings[1].reason == Reason(ReasonCode.SENTINEL, "no"), "its own reason stays"


def test_a_bad_reading_keeps_its_nearer_reason() -> None:
    for age in (5.0, 500.0, None):
        level = level_of(freshness(age="age").aged(poll(100.0, level=None, age=age)))
        assert level.reason == Reason(ReasonCode.SENTINEL, "no")


class Concentrator:
    """A link to a device that answers at once, whatever it has heard: its registers are level, age, count."""

    def __init__(self) -> None:
        self.connected = False
        self.counters = LinkCounters()

    async def connect(self, timeout_s: float) -> None:
        self.connected = True

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        await asyncio.sleep(0.01)
        return (9, round(max(0.0, asyncio.get_running_loop().time() - 40.0)), 0)

    async def close(self) -> None:
        self.connected = False


def test_the_tank_sees_the_age_and_the_reason() -> None:
    """Through a line that polls every 10 s and the binding: a device that has not heard from its gauge for 40 s on."""
    source = Source("LT-7", "level", 60.0)
    seen: list[tuple[float, Input]] = []

    async def main() -> None:
        link = Concentrator()
        described = InstrumentMap("wireless", SIGNALS, age_signal="age")
        plan = LinePlan("yard", "127.0.0.1", 502, (InstrumentPlan("LT-7", 7, described, 10.0, 1.0),))
        latest: dict[tuple[str, str], Reading] = {}

        def sink(readings: Sequence[Reading]) -> None:
            latest.update({(reading.instrument, reading.signal): reading for reading in readings})
            now_ns = LoopClock().monotonic_ns()
            given = bind(TankBinding("TK-1", level=source), latest, UTC_NS, now_ns).level
            assert given is not None
            seen.append((now_ns / S, given))

        line = Line(plan, sink, clock=LoopClock(), random=random.Random(1), open_link=lambda plan: link)
        with suppress(TimeoutError):
            async with asyncio.timeout(200.0):
                await line.run()

    run_virtually(main)
    for now_s, given in seen:
        silent_s = max(0.0, now_s - 40.0)
        if silent_s < 59.0:
            assert given.quality is Quality.GOOD
            assert given.age_s == pytest.approx(silent_s, abs=1.0)
        elif silent_s > 61.0:
            assert given.reason is not None
            assert (given.value, given.reason.code) == (None, ReasonCode.DEVICE_STALE)
    assert seen[-1][0] > 180.0


def test_a_map_that_names_neither_is_left_alone() -> None:
    assert not freshness().watching
