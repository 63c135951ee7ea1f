"""The Python clients of the request-rate bench, each in a process of its own: link and decoder, or a whole line.

`python -m tests.bench.modbus_clients KIND LOOP PORT REQUESTS CONNECTIONS IN_FLIGHT` prints seconds of wall clock and of
processor.
"""

import asyncio
import random
import sys
import time
from collections.abc import Awaitable, Callable, Sequence

import structlog
import uvloop
from pymodbus.client import AsyncModbusTcpClient

from gateway.acquisition.line import Line
from gateway.acquisition.links.modbus_tcp import ModbusTcpLink
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.polling.blocks import plan_blocks
from gateway.acquisition.signals.block_reader import BlockReader
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.clock import SystemClock
from gateway.modbus.tables import Table
from gateway.records import Reading

REGISTERS = 20
TIMEOUT_S = 10.0
EXPECTED = [10.0 + 0.5 * number for number in range(REGISTERS // 2)]

Poll = Callable[[], Awaitable[None]]


def _map() -> InstrumentMap:
    signals = tuple(
        Signal(f"t{number + 1}", Table.INPUT_REGISTERS, 2 * number, ValueType.FLOAT32, minimum=-50.0, maximum=200.0)
        for number in range(REGISTERS // 2)
    )
    return InstrumentMap("bench", signals)


async def _ours(port: int) -> tuple[Poll, Callable[[], Awaitable[None]]]:
    link = ModbusTcpLink("127.0.0.1", port)
    await link.connect(TIMEOUT_S)
    (block,) = plan_blocks(_map())
    reader = BlockReader("TT-1", block)
    newest: dict[str, Reading] = {}

    async def poll() -> None:
        words = await link.read(1, Table.INPUT_REGISTERS, 0, REGISTERS, TIMEOUT_S)
        for reading in reader.decode(words, time.time_ns(), time.monotonic_ns()):
            newest[reading.signal] = reading

    await poll()
    assert [reading.value for reading in newest.values()] == EXPECTED
    return poll, link.close


async def _pymodbus(port: int) -> tuple[Poll, Callable[[], Awaitable[None]]]:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=TIMEOUT_S)
    await client.connect()
    values: list[float] = []

    async def poll() -> None:
        nonlocal values
        answer = await client.read_input_registers(0, count=REGISTERS, device_id=1)
        found = client.convert_from_registers(answer.registers, client.DATATYPE.FLOAT32)
        assert isinstance(found, list)
        values = [float(value) for value in found]

    async def close() -> None:
        client.close()

    await poll()
    assert values == EXPECTED
    return poll, close


async def _lines(port: int, requests: int, lines: int, connections: int, in_flight: int) -> tuple[float, float]:
    """Lines whose instruments are always due: what the schedule, the counts and the judging cost is in it."""
    # Twice as many instruments as requests under way: there is always one that is due and not being asked.
    number = 2 * in_flight * connections
    plans = tuple(InstrumentPlan(f"TT-{index}", 1, _map(), 1e-9, TIMEOUT_S) for index in range(number))
    seen = 0
    done = asyncio.Event()

    def take(readings: Sequence[Reading]) -> None:
        nonlocal seen
        assert readings[0].value == EXPECTED[0]
        seen += 1
        if seen == requests:
            done.set()

    made = [
        Line(
            LinePlan(f"line {index}", "127.0.0.1", port, plans, in_flight=in_flight, connections=connections),
            take,
            clock=SystemClock(),
            random=random.Random(index),
        )
        for index in range(lines)
    ]
    wall, cpu = time.perf_counter(), time.process_time()
    tasks = [asyncio.create_task(line.run()) for line in made]
    await done.wait()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return wall, cpu


async def _measure(kind: str, port: int, requests: int, connections: int, in_flight: int) -> tuple[float, float]:
    if kind == "line":
        return await _lines(port, requests, connections, 1, in_flight)
    if kind == "several":
        return await _lines(port, requests, 1, connections, in_flight)
    made = [await {"ours": _ours, "pymodbus": _pymodbus}[kind](port) for _ in range(connections)]
    share = requests // (connections * in_flight)

    async def work(poll: Poll) -> None:
        for _ in range(share):
            await poll()

    wall, cpu = time.perf_counter(), time.process_time()
    async with asyncio.TaskGroup() as group:
        for poll, _ in made:
            for _ in range(in_flight):
                group.create_task(work(poll))
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    for _, close in made:
        await close()
    return wall, cpu


def main() -> None:
    kind, loop, port, requests, connections, in_flight = sys.argv[1:]
    factory = uvloop.new_event_loop if loop == "uvloop" else asyncio.new_event_loop
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger("critical")
    )  # standard output is the result
    with asyncio.Runner(loop_factory=factory) as runner:
        wall, cpu = runner.run(_measure(kind, int(port), int(requests), int(connections), int(in_flight)))
    print(f"{wall:.6f} {cpu:.6f}")


if __name__ == "__main__":
    main()
