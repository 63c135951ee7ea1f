"""A whole line behind a converter to a bus of 9600 baud, on virtual time: dead units, a thaw, answers that are kept."""

import asyncio
import random
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress

import pytest
from structlog.testing import capture_logs

from gateway.acquisition.line import Line
from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.quiet import Timing
from gateway.acquisition.plan import FrameKind, InstrumentPlan, LinePlan, TcpPath
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.errors import NoConnectionError
from gateway.modbus.framing import ReadRequest
from gateway.modbus.rtu_frame import RtuFraming
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.virtual_loop import LoopClock, run_virtually
from tests.acquisition.virtual_wire import LoopTimer
from tests.acquisition.wire_peer import Asked, answer

CHARACTER_S = 11 / 9600
SILENCE_S = 3.5 * CHARACTER_S
ANSWERS_AFTER_S = 0.02


def value_of(unit: int, address: int) -> int:
    return unit * 1000 + address


class Converter:
    """A `Channel` to units on a bus, one exchange after another.

    What it is sent over a connection it works off in order, also when that is no more; then nobody gets the answer.
    """

    def __init__(self) -> None:
        self._runs = asyncio.Event()
        self._runs.set()
        self.keeps = 0
        """How many answers stay behind; they survive new connections."""
        self.dead: set[int] = set()
        self.loses: set[int] = set()
        """Units whose next answer is lost."""
        self.opened = 0
        self.asked: list[tuple[float, int]] = []
        self._kept: list[bytes] = []
        self._waiting: list[tuple[int, ReadRequest]] = []
        self._on_bytes: Callable[[bytes], None] | None = None
        self._work: asyncio.Task[None] | None = None

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        await asyncio.sleep(0.001)
        self.opened += 1
        self._on_bytes = on_bytes

    def transmit(self, request: ReadRequest) -> None:
        self.asked.append((asyncio.get_running_loop().time(), request.unit))
        self._waiting.append((self.opened, request))
        if self._work is None or self._work.done():
            self._work = asyncio.create_task(self._serve())

    async def close(self) -> None:
        self._on_bytes = None

    def freeze(self) -> None:
        self._runs.clear()

    def thaw(self) -> None:
        self._runs.set()

    async def _serve(self) -> None:
        while self._waiting:
            await self._runs.wait()
            connection, request = self._waiting.pop(0)
            await asyncio.sleep(8 * CHARACTER_S + SILENCE_S + ANSWERS_AFTER_S)
            if request.unit in self.dead or request.unit in self.loses:
                self.loses.discard(request.unit)
                continue
            asked = Asked(request.unit, request.table.read_function, request.address, request.quantity)
            frame = answer(asked, [value_of(request.unit, request.address + at) for at in range(request.quantity)])
            await asyncio.sleep(len(frame) * CHARACTER_S + SILENCE_S)
            self._kept.append(frame)
            while len(self._kept) > self.keeps:
                frame = self._kept.pop(0)
                if self._on_bytes is not None and (self.keeps or connection == self.opened):
                    self._on_bytes(frame)


class Yard:
    """So many instruments, each of as many blocks of so many registers, and what the line hands on."""

    def __init__(self, units: int, registers: int, blocks: int = 1, period_s: float = 2.0) -> None:
        self.converter = Converter()
        signals = tuple(
            Signal(f"s{block * 200 + at}", Table.HOLDING_REGISTERS, block * 200 + at, ValueType.UINT16)
            for block in range(blocks)
            for at in range(registers)
        )
        plans = tuple(
            InstrumentPlan(f"LT-{unit}", unit, InstrumentMap("gauge", signals), period_s, 1.0)
            for unit in range(1, units + 1)
        )
        self._plan = LinePlan(
            "yard", "127.0.0.1", 502, plans, path=TcpPath("127.0.0.1", 502, FrameKind.RTU), backoff_longest_s=30.0
        )
        self.sunk: list[tuple[float, Sequence[Reading]]] = []
        self.line: Line | None = None

    def run(self, seconds: float, *events: tuple[float, Callable[[], None]]) -> "Yard":
        async def main() -> None:
            loop = asyncio.get_running_loop()
            timing = Timing(quiet_shortest_s=0.1)
            link = HalfDuplexLink(self.converter, RtuFraming(), timing, clock=loop.time, make_timer=LoopTimer)
            self.line = Line(
                self._plan, self._sink, clock=LoopClock(), random=random.Random(3), open_link=lambda plan: link
            )
            for when_s, happens in events:
                loop.call_at(when_s, happens)
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self.line.run()

        run_virtually(main)
        for _, readings in self.sunk:
            for reading in readings:
                unit, address = int(reading.instrument[3:]), int(reading.signal[1:])
                assert reading.quality is not Quality.GOOD or reading.value == value_of(unit, address), reading
        return self

    def _sink(self, readings: Sequence[Reading]) -> None:
        self.sunk.append((asyncio.get_running_loop().time(), readings))

    def of(self, unit: int) -> list[tuple[float, Sequence[Reading]]]:
        return [(when, readings) for when, readings in self.sunk if readings[0].instrument == f"LT-{unit}"]

    def good(self, unit: int) -> list[float]:
        return [when for when, readings in self.of(unit) if all(each.quality is Quality.GOOD for each in readings)]


@pytest.mark.parametrize("frozen_s", [5.0, 20.0, 60.0, 291.1, 300.0, 306.0])
@pytest.mark.parametrize("blocks", [1, 2])
def test_thirty_instruments_behind_a_converter_that_thaws_are_back_within_15_s(frozen_s: float, blocks: int) -> None:
    yard = Yard(30, 20 // blocks, blocks)
    thaws_s = 30.0 + frozen_s
    yard.run(
        thaws_s + 30.0,
        (30.0, yard.converter.freeze),
        (thaws_s, yard.converter.thaw),
    )
    back = [min(when for when in yard.good(unit) if when > thaws_s) - thaws_s for unit in range(1, 31)]
    assert max(back) <= 15.0
    assert yard.line is not None
    assert yard.line.status().unsolicited_frames == 0


@pytest.mark.parametrize("registers", [2, 20])
def test_one_dead_unit_of_32_delays_the_others_by_less_than_a_fifth_and_costs_no_connection(registers: int) -> None:
    def polls(dead: set[int]) -> Counter[int]:
        yard = Yard(32, registers, period_s=1.0)
        yard.converter.dead = dead
        yard.run(600.0)
        assert yard.converter.opened == 1
        return Counter({unit: len(yard.good(unit)) for unit in range(1, 33)})

    whole, hurt = polls(set()), polls({7})
    for unit in set(range(1, 33)) - {7}:
        assert hurt[unit] > whole[unit] * 0.8
    assert hurt[7] == 0


def test_an_answer_that_is_lost_now_and_then_costs_a_short_request_and_no_connection() -> None:
    yard = Yard(8, 2, blocks=2)
    losses = [20.0 + 20.0 * number for number in range(10)]
    yard.run(240.0, *((when_s, lambda: yard.converter.loses.add(3)) for when_s in losses))
    assert yard.converter.opened == 1
    for unit in set(range(1, 9)) - {3}:
        assert len(yard.good(unit)) == len(yard.of(unit)) >= 118
    polls = len(yard.good(3))
    assert polls > 50, "it is left alone for a few seconds each time"
    asked = [unit for _, unit in yard.converter.asked].count(3)
    assert asked <= 2 * polls + 2 * len(losses) + 1, "the lost request, and a short one that proves it is in step again"


def test_answers_that_stay_behind_are_bad_without_flapping_until_they_are_in_step_again() -> None:
    yard = Yard(4, 2, blocks=2)
    with capture_logs() as logs:
        yard.run(
            300.0,
            (30.0, lambda: setattr(yard.converter, "keeps", 1)),
            (200.0, lambda: setattr(yard.converter, "keeps", 0)),
        )
    for unit in range(1, 5):
        codes = [(when, {each.reason.code for each in readings if each.reason}) for when, readings in yard.of(unit)]
        shifted = [when for when, code in codes if ReasonCode.ANSWERS_SHIFTED in code]
        assert shifted[0] < 60.0
        assert 200.0 < shifted[-1] < 215.0
        between = [readings for when, readings in yard.of(unit) if shifted[0] <= when <= shifted[-1]]
        assert {each.quality for readings in between for each in readings} == {Quality.BAD}
        assert len(yard.good(unit)) > 50
        assert yard.good(unit)[-1] > 295.0
    said = [log["event"] for log in logs if log["event"] == "instrument.answers_shifted"]
    assert len(said) == 4, "once for each"
    assert yard.line is not None
    assert yard.line.status().shifts >= 1
    assert 2 <= yard.converter.opened <= 8, "new connections are tried, ever more rarely"


def test_a_unit_that_cannot_prove_that_it_is_in_step_is_uncertain_for_a_while() -> None:
    yard = Yard(1, 1)
    yard.run(120.0, (30.0, lambda: yard.converter.loses.add(1)))
    doubted = [
        (when, each)
        for when, readings in yard.of(1)
        for each in readings
        if each.reason is not None and each.reason.code is ReasonCode.ANSWER_UNPROVEN
    ]
    assert {each.quality for _, each in doubted} == {Quality.UNCERTAIN}
    assert {each.value for _, each in doubted} == {1000.0}
    assert 30.0 < doubted[0][0] < doubted[-1][0] < 60.0
    assert doubted[-1][0] - doubted[0][0] == pytest.approx(10.0, abs=4.0)
    assert doubted[0][1].reason is not None
    assert doubted[0][1].reason.text.startswith("LT-1 (unit 1): a request was not answered, and nothing tells whether")
