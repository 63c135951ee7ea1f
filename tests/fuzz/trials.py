"""What is tried on a hostile wire, for any bytes: no crash, no hang, no value that no whole, right answer carried.

The same trials run on examples of hypothesis (`make test`, longer in `make fuzz`) and under atheris.
"""

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from contextlib import suppress
from typing import Any

from structlog.testing import capture_logs

from gateway.acquisition.line import Line
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.errors import BadFrameError, DeviceExceptionError, LinkError, NoConnectionError
from gateway.modbus.ascii_frame import AsciiFraming
from gateway.modbus.framing import Framing, ReadRequest
from gateway.modbus.rtu_frame import RtuFraming
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading
from tests.acquisition.virtual_loop import LoopClock, run_virtually
from tests.fuzz.dialects import DIALECTS, right_pdu
from tests.fuzz.hostile_wire import HostileWire, Script, link_on
from tests.support.wire import Request

__all__ = ["try_frame_reader", "try_line", "try_link"]

READS = ((17, 107, 3), (17, 107, 3), (18, 0, 1), (17, 0, 2), (17, 108, 3), (18, 0, 1))
"""Unit, address, registers."""
TIMEOUT_S = 0.25
HOLDING = Table.HOLDING_REGISTERS
FRAMINGS: dict[str, Framing] = {"rtu": RtuFraming(), "ascii": AsciiFraming()}


def try_frame_reader(name: str, data: bytes) -> None:
    """The frame reader alone, byte after byte: it awaits more, gives the values of the very frame, or says no."""
    framing, dialect = FRAMINGS[name], DIALECTS[name]
    request = ReadRequest(17, HOLDING, 107, 3)
    for size in range(len(data) + 1):
        received = data[:size]
        try:
            values = framing.answer(received, request)
        except (BadFrameError, DeviceExceptionError):
            break
        if values is not None:
            frame = dialect.frame(Request(0, 17, 3, b""), right_pdu(Request(0, 17, 3, b""), values))
            assert received.upper() == frame.upper() if name == "ascii" else received == frame
            break
    assert framing.explain(data, request)
    framing.beginning(data)
    with suppress(BadFrameError):
        first = framing.first_answer(data)
        assert first is None or 0 < first.wire_size <= len(data)


def try_link(name: str, data: bytes) -> None:
    """Reads one after another; after the script's end each is right again."""
    dialect = DIALECTS[name]

    async def run() -> None:
        wire = HostileWire(dialect, script := Script(data))
        link = link_on(wire, dialect)
        begun_s = asyncio.get_running_loop().time()
        for turn in range(10_000):
            unit, address, count = READS[turn % len(READS)]
            is_healthy = script.is_over
            known = len(wire.asked)
            if not link.connected:
                with suppress(NoConnectionError):
                    await link.connect(TIMEOUT_S)
                continue
            try:
                values = await link.read(unit, HOLDING, address, count, TIMEOUT_S)
            except LinkError:
                continue
            assert any(
                wire.was_answered(request, list(values), bytes(since))
                for request, since in wire.asked[known:]
                if (request.unit, request.body) == (unit, address.to_bytes(2) + count.to_bytes(2))
            ), (values, wire.asked[known:])
            if is_healthy and values == tuple(wire.right_values(wire.asked[-1][0])):
                break
        else:
            raise AssertionError("the link did not recover")
        assert asyncio.get_running_loop().time() - begun_s < 10.0 * (len(data) + 10)
        await link.close()

    _virtually(run)


LEVEL = InstrumentMap("level", (Signal("level", HOLDING, 7, ValueType.UINT16),))
UNITS = (17, 18)


def try_line(name: str, data: bytes) -> None:
    """A whole line: no Good reading without its answer, and every instrument Good and right after the script's end."""
    dialect = DIALECTS[name]

    async def run() -> None:
        wire = HostileWire(dialect, script := Script(data))
        well: set[int] = set()
        all_well = asyncio.Event()

        def take(readings: Sequence[Reading]) -> None:
            for reading in readings:
                unit = int(reading.instrument)
                if reading.quality is Quality.BAD:
                    assert reading.value is None
                    assert reading.reason is not None
                    assert reading.reason.text
                    continue
                assert reading.value is not None
                request, since = next(entry for entry in reversed(wire.asked) if entry[0].unit == unit)
                assert wire.was_answered(request, [round(reading.value)], bytes(since)), reading
                if script.is_over and reading.value == unit * 1000 + 7:
                    well.add(unit)
                    if len(well) == len(UNITS):
                        all_well.set()

        instruments = tuple(InstrumentPlan(str(unit), unit, LEVEL, period_s=0.5, timeout_s=TIMEOUT_S) for unit in UNITS)
        plan = LinePlan("yard", "127.0.0.1", 502, instruments, backoff_first_s=0.1, backoff_longest_s=2.0)
        line = Line(plan, take, clock=LoopClock(), random=random.Random(3), open_link=lambda _: link_on(wire, dialect))
        running = asyncio.create_task(line.run())
        waiting = asyncio.create_task(all_well.wait())
        try:
            async with asyncio.timeout(100.0 + 20.0 * len(data)):
                await asyncio.wait({running, waiting}, return_when=asyncio.FIRST_COMPLETED)
            if running.done():
                running.result()
            assert waiting.done()
        finally:
            for task in (running, waiting):
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task

    _virtually(run)


def _virtually(run: Callable[[], Coroutine[Any, Any, None]]) -> None:
    with capture_logs():
        run_virtually(run)
