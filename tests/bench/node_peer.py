"""The gateway's Modbus TCP link against one more server that others made: modbus-serial, in JavaScript, from npm.

Not among the tests, because it needs node and npm; `make soak` runs it last. Every byte that is sent is recorded.
"""

import asyncio
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gateway.acquisition.links.modbus_tcp import ModbusTcpLink
from gateway.errors import DeviceExceptionError
from gateway.modbus.tables import Table
from tests.support.wire import WireLedger, WireRecorder

__all__ = ["main"]

HERE = Path(__file__).resolve().parent
FOLDER = HERE / "build" / "node"
LIBRARY = "modbus-serial@8.0.25"
TIMEOUT_S = 30.0
READS = 2_000
IN_FLIGHT = 8
SIZE = 300


def main() -> int:
    if shutil.which("node") is None or shutil.which("npm") is None:
        print("This needs node. Run: sudo apt-get install -y --no-install-recommends nodejs npm")
        return 2
    FOLDER.mkdir(parents=True, exist_ok=True)
    install = [
        "npm",
        "install",
        "--no-audit",
        "--no-fund",
        "--ignore-scripts",
        "--omit=optional",
        "--prefix",
        str(FOLDER),
    ]
    subprocess.run([*install, LIBRARY], check=True, timeout=300, stdout=subprocess.DEVNULL)
    shutil.copy(HERE / "node_server.js", FOLDER)
    ledger = WireLedger()
    with _server() as port, WireRecorder(port, ledger=ledger) as recorder:
        asyncio.run(_compare(recorder.port))
    print(f"{LIBRARY}: {ledger.functions.total()} requests, all answers right, none but reads sent")
    return 0


@contextmanager
def _server() -> Iterator[int]:
    command = ["node", str(FOLDER / "node_server.js")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.stdin.close()
            process.wait(10)


def _right(unit: int, table: Table, address: int, count: int) -> tuple[int, ...]:
    places = range(address, address + count)
    match table:
        case Table.HOLDING_REGISTERS:
            return tuple(1000 * unit + place for place in places)
        case Table.INPUT_REGISTERS:
            return tuple(2000 * unit + place for place in places)
        case Table.COILS:
            return tuple(int(place % 3 == 0) for place in places)
        case Table.DISCRETE_INPUTS:
            return tuple(int(place % 2 == 0) for place in places)


async def _compare(port: int) -> None:
    """Raises AssertionError for any answer that is not as it should be."""
    link = ModbusTcpLink("127.0.0.1", port)
    await link.connect(TIMEOUT_S)
    chance = random.Random(1)

    async def read() -> None:
        unit, table = chance.choice((1, 2)), chance.choice(list(Table))
        address = chance.randrange(SIZE)
        count = chance.randint(1, min(125, SIZE - address))
        found = await link.read(unit, table, address, count, TIMEOUT_S)
        assert found == _right(unit, table, address, count), (unit, table, address, count, found)

    for _ in range(READS // IN_FLIGHT):
        await asyncio.gather(*(read() for _ in range(IN_FLIGHT)))
    with pytest.raises(DeviceExceptionError, match="exception 2 "):
        await link.read(1, Table.HOLDING_REGISTERS, SIZE - 1, 2, TIMEOUT_S)
    await read()
    await link.close()


if __name__ == "__main__":
    sys.exit(main())
