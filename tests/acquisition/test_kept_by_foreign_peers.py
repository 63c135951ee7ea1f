"""Answers that a converter keeps, busy devices and two devices on one address: a whole line against servers of others.

The server is pymodbus; the converter is a process of its own (`keeping_converter.py`). On Modbus TCP, on RTU inside TCP
and on a pseudo terminal. Nothing here depends on how fast the machine is: what is slow is only seen later.
"""

import asyncio
import random
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.acquisition.line import Line
from gateway.acquisition.plan import FrameKind, InstrumentPlan, LinePath, LinePlan, Parity, SerialPath, TcpPath
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.binding import newest
from gateway.clock import SystemClock
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode

LONG = 120.0
WAYS = ["tcp", "rtu in tcp", "pty"]
NOT_HEARD = {ReasonCode.NO_ANSWER, ReasonCode.BAD_FRAME, ReasonCode.NO_CONNECTION, ReasonCode.ANSWERS_SHIFTED}

# Two equal blocks of one unit, a third of another length, and another unit: each register holds 300 and its address.
TANKS = InstrumentMap(
    "two tanks",
    tuple(Signal(name, Table.HOLDING_REGISTERS, at, ValueType.UINT32) for name, at in (("a", 0), ("b", 50))),
    gaps_allowed=False,
)
ROOM = InstrumentMap("room", (Signal("t", Table.INPUT_REGISTERS, 7, ValueType.UINT16),))


def held(address: int, shift: int = 0) -> int:
    return (300 + address + shift) << 16 | 301 + address + shift


RIGHT = {("LT-1", "a"): held(0), ("LT-1", "b"): held(50), ("TT-2", "t"): 307}


class Watched:
    """What a line hands on, judged as it comes: no Good reading may hold another number than its register does."""

    def __init__(self, path: LinePath) -> None:
        plans = (InstrumentPlan("LT-1", 1, TANKS, 0.05, 0.2), InstrumentPlan("TT-2", 2, ROOM, 0.05, 0.2))
        plan = LinePlan(
            "yard",
            "127.0.0.1",
            502,
            plans,
            path=path,
            backoff_first_s=0.05,
            backoff_longest_s=0.2,
            connect_timeout_s=LONG,
        )
        self.wrong: list[Reading] = []
        self.allowed = {key: {value} for key, value in RIGHT.items()}
        self.latest: dict[tuple[str, str], Reading] = {}
        self.bad_in_binding: list[Reading] = []
        self.line = Line(plan, self._take, clock=SystemClock(), random=random.Random(7))
        self._seen: list[Reading] = []
        self._news = asyncio.Event()

    def _take(self, readings: Sequence[Reading]) -> None:
        for reading in readings:
            key = (reading.instrument, reading.signal)
            if reading.quality is Quality.GOOD and reading.value not in self.allowed[key]:
                self.wrong.append(reading)
            self.latest[key] = newest(self.latest.get(key), reading)
            if self.latest[key].quality is Quality.BAD:
                self.bad_in_binding.append(self.latest[key])
            self._seen.append(reading)
        self._news.set()

    async def see(self, wanted: Callable[[Reading], bool], count: int = 1) -> Reading:
        """Waits for so many readings, from now on, that are as wanted; gives the last."""
        self._seen.clear()
        async with asyncio.timeout(LONG):
            while True:
                while self._seen:
                    reading = self._seen.pop(0)
                    count -= wanted(reading)
                    if not count:
                        return reading
                self._news.clear()
                await self._news.wait()

    async def see_all_good(self) -> None:
        for instrument, signal in RIGHT:
            await self.see(good_of(instrument, signal))


def good_of(instrument: str, signal: str) -> Callable[[Reading], bool]:
    return lambda reading: is_good(reading) and (reading.instrument, reading.signal) == (instrument, signal)


def is_good(reading: Reading) -> bool:
    return reading.quality is Quality.GOOD


def of(code: ReasonCode) -> Callable[[Reading], bool]:
    return lambda reading: reading.reason is not None and reading.reason.code is code


def devices(shift: int) -> list[SimDevice]:
    registers = SimData(0, values=[value + shift for value in range(300, 400)], datatype=DataType.REGISTERS)
    bits = SimData(0, values=[False] * 64, datatype=DataType.BITS)
    return [SimDevice(unit, simdata=([bits], [bits], [registers], [registers])) for unit in (1, 2)]


@asynccontextmanager
async def server(framer: FramerType, shift: int = 0) -> AsyncIterator[int]:
    made = ModbusTcpServer(devices(shift), framer=framer, address=("127.0.0.1", 0))
    await made.serve_forever(background=True)
    listening: Any = made.transport
    try:
        yield listening.sockets[0].getsockname()[1]
    finally:
        await made.shutdown()  # type: ignore[no-untyped-call]


class Told:
    """The converter, which does as it is told."""

    def __init__(self, process: asyncio.subprocess.Process, watched: Watched) -> None:
        self._process = process
        self.watched = watched

    async def tell(self, word: str) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{word}\n".encode())
        assert (await self._process.stdout.readline()).decode().strip() == word


@pytest.fixture(params=WAYS)
async def yard(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Told]:
    """A line that is well, behind the converter. In the end no Good reading was wrong."""
    is_mbap = request.param == "tcp"
    framer = FramerType.SOCKET if is_mbap else FramerType.RTU
    near = str(tmp_path / "ttyUSB0") if request.param == "pty" else "tcp"
    async with server(framer) as port, server(framer, shift=10) as other_port:
        words = ["mbap" if is_mbap else "rtu", near, str(port), str(other_port)]
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.acquisition.keeping_converter", *words, stdin=-1, stdout=-1
        )
        assert process.stdout is not None
        name = (await process.stdout.readline()).decode().strip()
        kind = FrameKind.TCP if is_mbap else FrameKind.RTU
        path = (
            SerialPath(name, 115_200, Parity.NONE) if request.param == "pty" else TcpPath("127.0.0.1", int(name), kind)
        )
        watched = Watched(path)
        task = asyncio.create_task(watched.line.run())
        try:
            await watched.see_all_good()
            yield Told(process, watched)
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
            assert process.stdin is not None
            process.stdin.close()
            await process.wait()
        assert watched.wrong == []


pytestmark = pytest.mark.outside("pymodbus")


@pytest.mark.parametrize("word", ["once", "apart"])
async def test_what_was_kept_for_a_while_is_never_good_elsewhere_and_all_are_back(yard: Told, word: str) -> None:
    await yard.tell(word)
    await yard.watched.see(lambda reading: not is_good(reading))
    await yard.watched.see_all_good()


async def test_what_is_kept_for_ever_is_never_good_elsewhere_and_said(
    yard: Told, request: pytest.FixtureRequest
) -> None:
    """With swapped equal blocks, which is what it comes to."""
    await yard.tell("keep")
    if "[tcp]" in request.node.name:
        await yard.watched.see(of(ReasonCode.NO_ANSWER), 20)
    else:
        await yard.watched.see(of(ReasonCode.ANSWERS_SHIFTED), 10)
        assert yard.watched.line.status().shifts >= 1
    assert yard.watched.line.status().late_answers > 0
    await yard.tell("well")
    await yard.watched.see_all_good()


async def test_what_is_kept_over_new_connections_is_never_good_elsewhere(
    yard: Told, request: pytest.FixtureRequest
) -> None:
    for _ in range(3):
        await yard.tell("keep" if "pty" in request.node.name else "cut")
        await yard.watched.see(lambda reading: not is_good(reading), 8)
    await yard.tell("well")
    await yard.watched.see_all_good()


async def test_a_busy_device_says_nothing_of_its_values(yard: Told) -> None:
    yard.watched.bad_in_binding.clear()
    await yard.tell("busy")
    reading = await yard.watched.see(of(ReasonCode.DEVICE_BUSY), 6)
    assert reading.reason is not None
    assert "exception 6 (server device busy)" in reading.reason.text
    await yard.tell("well")
    await yard.watched.see_all_good()
    assert not [reading for reading in yard.watched.bad_in_binding if of(ReasonCode.DEVICE_BUSY)(reading)]


async def test_two_devices_that_answer_by_turns_with_clean_frames_are_found(yard: Told) -> None:
    yard.watched.allowed = {
        ("LT-1", "a"): {held(0), held(0, 10)},
        ("LT-1", "b"): {held(50), held(50, 10)},
        ("TT-2", "t"): {307, 317},
    }
    await yard.tell("twins")
    reading = await yard.watched.see(of(ReasonCode.DUPLICATE_ADDRESS))
    assert reading.value is None
    await yard.watched.see(of(ReasonCode.DUPLICATE_ADDRESS), 20)
    await yard.tell("well")
    await yard.watched.see_all_good()
