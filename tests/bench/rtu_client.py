"""The gateway's RTU link as the master of the paced line, in a process of its own.

`python -m tests.bench.rtu_client PORT BAUD REGISTERS EXCHANGES LOOP` prints seconds of processor time.
"""

import asyncio
import sys
import time

import uvloop

from gateway.acquisition.links.transports import open_path
from gateway.acquisition.plan import SerialPath
from gateway.acquisition.polling.blocks import plan_blocks
from gateway.acquisition.signals.block_reader import BlockReader
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.modbus.tables import Table

TIMEOUT_S = 10.0


def _reader(registers: int) -> BlockReader:
    signals = tuple(Signal(f"t{n + 1}", Table.INPUT_REGISTERS, n, ValueType.UINT16) for n in range(registers))
    (block,) = plan_blocks(InstrumentMap("bench", signals))
    return BlockReader("TT-1", block)


async def _measure(port: str, baud: int, registers: int, exchanges: int) -> float:
    link = open_path(SerialPath(port, baud))
    reader = _reader(registers)
    await link.connect(TIMEOUT_S)
    cpu = time.process_time()
    for _ in range(exchanges - 1):  # the link makes one request of its own, at the start
        words = await link.read(1, Table.INPUT_REGISTERS, 0, registers, TIMEOUT_S)
        readings = reader.decode(words, time.time_ns(), time.monotonic_ns())
        assert [reading.value for reading in readings] == list(range(registers))
    cpu = time.process_time() - cpu
    await link.close()
    return cpu


def main() -> None:
    port, baud, registers, exchanges, loop = sys.argv[1:]
    factory = uvloop.new_event_loop if loop == "uvloop" else asyncio.new_event_loop
    with asyncio.Runner(loop_factory=factory) as runner:
        print(f"{runner.run(_measure(port, int(baud), int(registers), int(exchanges))):.6f}")


if __name__ == "__main__":
    main()
