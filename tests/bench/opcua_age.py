"""How old a value is when a client of OPC UA has it, and what the server takes: 200 tanks, one and five clients.

Each tank has a new sheet each second; npm node-opcua's client subscribes to 36 figures of every tank at 500 ms and
notes, of each value that comes, how long ago its sheet was. It keeps up where asyncua's own client does not.
"""

import asyncio
import json
import os
import random
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from gateway.delivery.contract import Surroundings
from gateway.delivery.opcua.delivery import OpcuaDelivery
from gateway.delivery.opcua.names import FIGURES
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.records import Figures
from gateway.tank_record import TankRecord
from tests.support.opcua_yard import free_port, good, sheet
from tests.support.records import BOOT, snapshot

__all__ = ["measure"]

_ROOT = Path(__file__).parents[2]
_FIGURES = [each.key for each in FIGURES][:36]


def measure(*, long: bool) -> dict[str, Any]:
    """Of few seconds unless `long`."""
    sizes = ((200, 1), (200, 5), (500, 1), (500, 5)) if long else ((200, 1), (200, 5))
    found = [asyncio.run(_round(tanks, clients, 60.0 if long else 12.0)) for tanks, clients in sizes]
    return {
        "title": f"Age of a value at a client of OPC UA: {len(_FIGURES)} figures of each tank, new each second",
        "columns": list(found[0]),
        "table": [list(row.values()) for row in found],
    }


async def _round(tanks: int, clients: int, seconds: float) -> dict[str, Any]:
    names = tuple(f"TK-{number}" for number in range(1, tanks + 1))
    with tempfile.TemporaryDirectory(prefix="opcua-bench-") as folder:
        plan = OpcuaPlan("127.0.0.1", free_port(), Path(folder), ("None",), anonymous=True)
        state = snapshot()._replace(tanks=names)
        made = OpcuaDelivery(plan, Surroundings("bench", BOOT, lambda: state, random.Random(1), lambda _: None))
        running = asyncio.create_task(made.run())
        while not made.status().connected:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        feeding = asyncio.create_task(_feed(made, names))
        await asyncio.sleep(3.0)
        readers = [await _reader(plan.port, tanks, seconds) for _ in range(clients)]
        await asyncio.gather(*map(_until_subscribed, readers))
        server = _server_process()
        own_s, server_s, begun_s = time.process_time(), _processor_s(server), time.monotonic()
        told = [json.loads((await each.communicate())[0].splitlines()[-1]) for each in readers]
        passed_s = time.monotonic() - begun_s
        row = {
            "tanks": tanks,
            "clients": clients,
            "values a second": round(sum(each["values"] for each in told) / seconds),
            "age p50, s": round(statistics.median(each["p50"] for each in told), 2),
            "age p99, s": round(max(each["p99"] for each in told), 2),
            "server, % of a core": round(100 * (_processor_s(server) - server_s) / passed_s),
            "gateway, % of a core": round(100 * (time.process_time() - own_s) / passed_s),
            "server, MB": round(_resident_mb(server)),
        }
        for task in (feeding, running):
            task.cancel()
        await asyncio.wait([feeding, running])
        return row


async def _feed(made: OpcuaDelivery, names: Sequence[str]) -> None:
    """Each tank once a second, evenly, each figure another than before."""
    number = 0
    while True:
        begun_s = time.monotonic()
        number += 1
        for place, name in enumerate(names):
            made.offer(_sheet(name, number))
            if place % 10 == 9:
                await asyncio.sleep(max(0.0, begun_s + (place + 1) / len(names) - time.monotonic()))


def _sheet(name: str, number: int) -> TankRecord:
    value = good(number + random.random())
    made = sheet(name, number)
    return made._replace(inventory=made.inventory._replace(figures=Figures(*[value] * len(Figures._fields))))


async def _reader(port: int, tanks: int, seconds: float) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        "node",
        str(_ROOT / "tests" / "node" / "opcua_age.js"),
        f"opc.tcp://127.0.0.1:{port}",
        str(tanks),
        str(seconds),
        ",".join(_FIGURES),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env={**os.environ, "NODE_PATH": str(_ROOT / ".venv" / "node" / "node_modules")},
    )


async def _until_subscribed(reader: asyncio.subprocess.Process) -> None:
    assert reader.stdout is not None
    while (text := await reader.stdout.readline()).strip() != b"subscribed":
        if not text:
            raise RuntimeError("a client ended early; does `make .venv/.node` have what it needs?")


def _server_process() -> int:
    found = []
    for each in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = each.read_bytes().split(b"\0")
            parent = int((each.parent / "stat").read_text().rsplit(")", 1)[1].split()[1])
        except (OSError, ValueError):
            continue
        if b"gateway.opcua_process" in words and parent == os.getpid():
            found.append(int(each.parent.name))
    (process,) = found
    return process


def _processor_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mb(process: int) -> float:
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
