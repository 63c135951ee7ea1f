"""The servers of the bench of registers, each in a process of its own.

`python -m tests.bench.register_server ours|pymodbus TANKS` prints its port and serves until standard input ends. Ours
is given a sheet of each tank once a second, whose TOV as a whole number is the millisecond at which it was made, by
CLOCK_MONOTONIC; pymodbus's has as many registers and changes nothing.
"""

import asyncio
import random
import sys
import time

import structlog
import uvloop
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.delivery.contract import Surroundings
from gateway.delivery.registers.delivery import RegistersDelivery
from gateway.delivery.registers.layout import BLOCK
from gateway.delivery.registers.plan import RegistersPlan
from gateway.records import Figure, Quality
from gateway.tank_record import TankRecord
from tests.support.mosquitto import free_port
from tests.support.records import BOOT, record, snapshot

__all__ = ["MOST_MS", "main"]

MOST_MS = 1_000_000_000
"""The millisecond is told but for whole multiples of this: a signed number of 32 bits has no room for more."""


async def _ours(tanks: int) -> None:
    tags = [f"T-{number + 1:04d}" for number in range(tanks)]
    plan = RegistersPlan("127.0.0.1", free_port(), tuple((tag, number + 1) for number, tag in enumerate(tags)))
    around = Surroundings("bench", BOOT, snapshot, random.Random(1), lambda _: None)
    server = RegistersDelivery(plan, around)
    serving = asyncio.create_task(server.run())
    offering = asyncio.create_task(_offer(server, tags))
    while not server.status().connected:  # noqa: ASYNC110 (it raises no event)
        await asyncio.sleep(0.01)
    print(plan.port, flush=True)
    await _until_the_end()
    for task in (offering, serving):
        task.cancel()
    await asyncio.wait([offering, serving])


async def _offer(server: RegistersDelivery, tags: list[str]) -> None:
    sequence = 0
    while True:
        sequence += 1
        for tag in tags:
            server.offer(_sheet(tag, sequence))
            await asyncio.sleep(1.0 / len(tags))


def _sheet(tag: str, sequence: int) -> TankRecord:
    made_ms = time.monotonic_ns() // 1_000_000 % MOST_MS
    return record(tag, sequence, tov=Figure(made_ms / 1000.0, Quality.GOOD, (), 0.0))


async def _pymodbus(tanks: int) -> None:
    port = free_port()
    registers = min((tanks + 1) * BLOCK, 65_000)
    device = SimDevice(1, simdata=[SimData(0, values=[17] * registers, datatype=DataType.REGISTERS)])
    server = ModbusTcpServer(device, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    print(port, flush=True)
    await _until_the_end()
    await server.shutdown()  # type: ignore[no-untyped-call]


async def _until_the_end() -> None:
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    await reader.read()


def main() -> None:
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    kind, tanks = sys.argv[1], int(sys.argv[2])
    uvloop.run(_ours(tanks) if kind == "ours" else _pymodbus(tanks))


if __name__ == "__main__":
    main()
