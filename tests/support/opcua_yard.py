"""An OPC UA destination with its real process, in the hands of a test."""

import asyncio
import os
import random
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gateway.delivery.contract import GOODBYE_S, Surroundings, TankScale
from gateway.delivery.opcua.delivery import OpcuaDelivery
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.records import Figure, Quality
from gateway.status import Histogram, LedgerStatus
from gateway.tank_record import TankRecord
from tests.support.deliveries import until
from tests.support.records import BOOT, record, snapshot

__all__ = ["Yard", "free_port", "good", "node", "plan_for", "processes", "sheet", "yard"]


def free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


def plan_for(folder: Path, **changes: Any) -> OpcuaPlan:
    """Open to everybody on this machine, unless a test says otherwise."""
    settled: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": free_port(),
        "certificates": folder / "opcua",
        "security": ("Aes256_Sha256_RsaPss", "Basic256Sha256", "None"),
        "anonymous": True,
        "shortest_interval_s": 0.1,
        "backoff_first_s": 0.1,
        "backoff_longest_s": 0.5,
        **changes,
    }
    return OpcuaPlan(**settled)


def node(text: str) -> str:
    return f"ns=2;s={text}"


def good(value: float) -> Figure:
    return Figure(value, Quality.GOOD, (), 0.0)


def processes() -> list[int]:
    """Of servers that this process has begun."""
    found = []
    for each in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = each.read_bytes().split(b"\0")
            parent = int((each.parent / "stat").read_text().rsplit(")", 1)[1].split()[1])
        except (OSError, ValueError):
            continue
        if b"gateway.opcua_process" in words and parent == os.getpid():
            found.append(int(each.parent.name))
    return found


def sheet(tank: str, sequence: int, *, valid_for_s: float | None = 60.0, **given: Figure) -> TankRecord:
    """As of now."""
    made = record(tank, sequence, simulated=False, **given)
    return made._replace(inventory=made.inventory._replace(instant=datetime.now(UTC)), valid_for_s=valid_for_s)


class Yard:
    def __init__(self, plan: OpcuaPlan, ledger: Path | None) -> None:
        self.plan = plan
        self.state = snapshot()._replace(tanks=("TK-1", "TK-2"))
        if ledger is not None:
            self.state = self.state._replace(ledger=_ledger_status(ledger))
        self.scales: list[TankScale] = []
        around = Surroundings(
            "harbour",
            BOOT,
            lambda: self.state,
            random.Random(1),
            lambda _: None,
            scales=lambda: self.scales,
        )
        self.made = OpcuaDelivery(plan, around)
        self.task: asyncio.Task[None] | None = None

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.plan.port}"

    async def begin(self) -> None:
        self.task = asyncio.create_task(self.made.run())
        await self.until(lambda: self.made.status().connected)

    async def until(self, is_it: Callable[[], bool]) -> None:
        await until(is_it)

    async def told(self) -> None:
        await self.until(lambda: self.made.status().waiting == 0)

    async def end(self) -> None:
        assert self.task is not None
        self.task.cancel()
        ended, _ = await asyncio.wait([self.task], timeout=GOODBYE_S)
        assert ended
        assert self.task.cancelled()


def _ledger_status(file: Path) -> LedgerStatus:
    return LedgerStatus(str(file), 0, 0, 0, Histogram((), (), 0.0), 0, 0, None)


@asynccontextmanager
async def yard(plan: OpcuaPlan, ledger: Path | None = None) -> AsyncIterator[Yard]:
    made = Yard(plan, ledger)
    await made.begin()
    try:
        yield made
    finally:
        await made.end()
