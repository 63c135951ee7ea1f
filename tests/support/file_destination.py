"""A second kind of destination, for the tests: each tank's newest record in a file of a folder, history in another.

Nothing of the gateway knows it but the table of kinds, into which a test puts it.
"""

import asyncio
import random
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gateway.backoff import Backoff
from gateway.delivery.contract import Surroundings, Wants
from gateway.history import KeptRecord
from gateway.payload.history import history_json
from gateway.payload.writer import inventory_json
from gateway.status import DestinationStatus
from gateway.tank_record import TankRecord

__all__ = ["FileDestination", "FolderPlan"]


@dataclass(frozen=True)
class FolderPlan:
    name: str
    folder: Path

    @property
    def place(self) -> Path:
        return self.folder

    @property
    def descriptors(self) -> int:
        return 1

    @property
    def longest_turn_s(self) -> float:
        return 0.1


class FileDestination:
    """Waits for the folder where there is none."""

    def __init__(self, plan: FolderPlan, around: Surroundings) -> None:
        self._plan = plan
        self._around = around
        self._waiting: dict[str, TankRecord] = {}
        self._last: Sequence[TankRecord] = ()
        self._wake = asyncio.Event()
        self._delivered = self._superseded = 0
        self._connected = False

    @property
    def wants(self) -> Wants:
        kept = self._around.outbox is not None
        return Wants(live=True, history=kept, events=kept)

    def offer(self, record: TankRecord) -> None:
        self._superseded += record.inventory.tank in self._waiting
        self._waiting[record.inventory.tank] = record
        self._wake.set()

    def finish(self, records: Sequence[TankRecord]) -> None:
        self._last = records

    async def run(self) -> None:
        backoff = Backoff(0.01, 0.05, random.Random(1))
        try:
            while True:
                self._wake.clear()
                if self._write():
                    self._around.came_round(60.0)
                    await self._something()
                else:
                    self._around.came_round(1.0)
                    await asyncio.sleep(backoff.after(0.0))
        finally:
            for record in self._last:
                self.offer(record)
            self._write()
            self._connected = False

    def status(self) -> DestinationStatus:
        waiting = len(self._waiting)
        history = None if self._around.outbox is None else self._around.outbox.backlog()
        lost, dropped = (self._superseded, 0) if history is None else (0, self._superseded)
        oldest_s = 0.0 if waiting else None
        return DestinationStatus(
            self._plan.name, self._connected, self._delivered, lost, waiting, oldest_s, history=history, dropped=dropped
        )

    async def _something(self) -> None:
        """Until there is a live record; history goes out meanwhile."""
        outbox = self._around.outbox
        while not self._wake.is_set():
            if outbox is not None and outbox.ready() and self._plan.folder.is_dir():
                taken = await outbox.take(3)
                with (self._plan.folder / "history.jsonl").open("ab") as file:
                    file.writelines(history_json(kept) + b"\n" for kept in taken if isinstance(kept, KeptRecord))
                outbox.delivered(taken[-1].position)
            with suppress(TimeoutError):
                async with asyncio.timeout(0.005):
                    await self._wake.wait()

    def _write(self) -> bool:
        self._connected = self._plan.folder.is_dir()
        if self._connected:
            for tank, record in self._waiting.items():
                (self._plan.folder / f"{tank}.json").write_bytes(inventory_json(record))
            self._delivered += len(self._waiting)
            self._waiting.clear()
        return self._connected
