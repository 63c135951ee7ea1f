"""A line on a virtual clock: its wire, its time and its sleep are the test's own, so that hours pass in moments."""

import asyncio
import random
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress

from gateway.acquisition.line import Line
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.plan import InstrumentPlan, LinePath, LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.errors import LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from gateway.records import Reading

NS = 1_000_000_000
EPOCH_NS = 1_790_000_000 * NS

LEVEL = Signal("level", Table.HOLDING_REGISTERS, 0, ValueType.UINT16)
ONE_BLOCK = InstrumentMap("one block", (LEVEL,))
TWO_BLOCKS = InstrumentMap("two blocks", (LEVEL, Signal("t1", Table.INPUT_REGISTERS, 0, ValueType.UINT16)))


class VirtualTime:
    """Monotonic time from 0; UTC from an arbitrary instant."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.end_ns = 0
        self.ended = asyncio.Event()

    @property
    def now_s(self) -> float:
        return self.now_ns / NS

    def utc_ns(self) -> int:
        return EPOCH_NS + self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns

    async def pass_s(self, seconds: float) -> None:
        """Lets time pass; past the end of the test, for ever."""
        assert seconds > 0
        self.now_ns += max(1, round(seconds * NS))
        if self.now_ns >= self.end_ns:
            self.ended.set()
            await asyncio.Event().wait()
        await asyncio.sleep(0)


Answer = Callable[[int, Table], "float | tuple[float, LinkError]"]
"""For a unit and a table: the time to a right answer, or the time to an error and the error."""


class VirtualLink:
    """A wire on which a read takes as long, and ends, as `answer` says."""

    def __init__(self, time: VirtualTime, answer: Answer) -> None:
        self._time = time
        self.answer = answer
        self.connect_error: Callable[[], LinkError | None] = lambda: None
        self.connected = False
        self.counters = LinkCounters()
        self.connects: list[float] = []
        self.closes = 0
        self.value: int | None = None
        """What every register holds; the number of the unit where that is None."""
        self.answers_late = False
        """Whether an answer that takes longer than it is given counts as none."""
        self.reads: list[tuple[float, int, Table]] = []

    async def connect(self, timeout_s: float) -> None:
        self.connects.append(self._time.now_s)
        await self._time.pass_s(0.001)
        error = self.connect_error()
        if error is not None:
            raise error
        self.connected = True

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        assert self.connected
        self.reads.append((self._time.now_s, unit, table))
        outcome = self.answer(unit, table)
        if not isinstance(outcome, tuple):
            if self.answers_late and outcome > timeout_s:
                await self._time.pass_s(timeout_s)
                raise NoAnswerError(f"no answer within {timeout_s:g} s")
            await self._time.pass_s(outcome)
            return (unit if self.value is None else self.value,) * count
        seconds, error = outcome
        await self._time.pass_s(timeout_s if isinstance(error, NoAnswerError) else seconds)
        if isinstance(error, NoConnectionError):
            self.connected = False
        raise error

    async def close(self) -> None:
        self.connected = False
        self.closes += 1

    def polls(self, table: Table = Table.HOLDING_REGISTERS) -> Counter[int]:
        """How often each unit was asked for the table."""
        return Counter(unit for _, unit, asked in self.reads if asked is table)


class VirtualLine:
    """A `Line` with everything about it in the test's hands."""

    def __init__(
        self,
        units: Sequence[int],
        answer: Answer,
        instrument_map: InstrumentMap = ONE_BLOCK,
        period_s: float = 2.0,
        timeout_s: float = 1.0,
        pause_s: float = 0.0,
        path: LinePath | None = None,
    ) -> None:
        self.time = VirtualTime()
        self.link = VirtualLink(self.time, answer)
        self.sunk: list[tuple[float, Sequence[Reading]]] = []
        instruments = tuple(
            InstrumentPlan(f"LT-{unit}", unit, instrument_map, period_s, timeout_s, pause_s) for unit in units
        )
        self.line = Line(
            LinePlan("yard", "127.0.0.1", 502, instruments, path=path),
            lambda readings: self.sunk.append((self.time.now_s, readings)),
            clock=self.time,
            open_link=lambda plan: self.link,
            random=random.Random(7),
            sleep=self.time.pass_s,
        )

    async def run_for(self, seconds: float) -> None:
        """Runs the line until so much virtual time has passed since the beginning; to be called once."""
        self.time.end_ns = round(seconds * NS)
        task = asyncio.create_task(self.line.run())
        ended = asyncio.create_task(self.time.ended.wait())
        try:
            done, _ = await asyncio.wait({task, ended}, return_when=asyncio.FIRST_COMPLETED)
            if task in done:
                task.result()
        finally:
            for running in (task, ended):
                running.cancel()
                with suppress(asyncio.CancelledError):
                    await running

    def of(self, instrument: str, signal: str = "level") -> list[tuple[float, Reading]]:
        """The readings of one signal with the times at which they were handed on."""
        return [
            (when, reading)
            for when, readings in self.sunk
            for reading in readings
            if (reading.instrument, reading.signal) == (instrument, signal)
        ]
