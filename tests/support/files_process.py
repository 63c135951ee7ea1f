"""Files of history written by a process of its own, to be killed. Its cursor stands in a file, and lags behind."""

import asyncio
import os
import random
import sys
from collections.abc import Collection, Sequence
from datetime import timedelta
from pathlib import Path

from gateway.delivery.contract import Surroundings
from gateway.delivery.files.delivery import FilesDelivery
from gateway.delivery.plan import FilesPlan
from gateway.history import Entry, KeptRecord, Previous
from tests.support.history_files import finished, unfinished
from tests.support.kept_entries import MemoryOutbox
from tests.support.records import BOOT, NOON, inventory, record_of, snapshot

__all__ = ["TANKS", "entries", "read_cursor"]

TANKS = ("TK-1", "TK-2", "TK-3")
_LAG = 60
"""Entries that were delivered and are not known to be, after a crash."""


def entries(count: int) -> list[Entry]:
    """So many, a minute apart."""
    made: list[Entry] = []
    for position in range(1, count + 1):
        tank, sequence = TANKS[position % len(TANKS)], 1 + position // len(TANKS)
        sheet = inventory(tank, instant=NOON + timedelta(minutes=position))
        previous = Previous(BOOT, sequence - 1) if sequence > 1 else None
        made.append(KeptRecord(position, record_of("harbour", BOOT, sequence, sheet), previous))
    return made


def read_cursor(file: Path) -> int:
    try:
        return int(file.read_text())
    except FileNotFoundError:
        return 0


class _Outbox(MemoryOutbox):
    """Gives a few at once, so that there is much to break off."""

    def __init__(self, kept: Sequence[Entry], cursor: Path) -> None:
        super().__init__(kept)
        self._cursor = cursor

    async def take(self, at_most: int) -> Sequence[Entry]:
        return await super().take(min(at_most, 7))

    def delivered(self, position: int, refused: Collection[int] = ()) -> None:
        super().delivered(position, refused)
        behind = max(read_cursor(self._cursor), position - _LAG)
        new = self._cursor.with_suffix(".new")
        new.write_text(str(behind))
        os.replace(new, self._cursor)


async def _main(folder: Path, cursor: Path, count: int, form: str) -> None:
    begin = read_cursor(cursor)
    outbox = _Outbox([each for each in entries(count) if each.position > begin], cursor)
    end = NOON + timedelta(minutes=count) + timedelta(days=2)
    state = snapshot()._replace(instant=end)
    around = Surroundings("harbour", BOOT, lambda: state, random.Random(1), lambda _: None, outbox)
    plan = FilesPlan(folder, form, 3600.0, gather_s=0.001, backoff_first_s=0.02, backoff_longest_s=0.1)
    delivery = FilesDelivery(plan, around)
    running = asyncio.create_task(delivery.run())
    while outbox.backlog().waiting or unfinished(folder) or not finished(folder):
        if running.done():
            running.result()
        await asyncio.sleep(0.01)
    running.cancel()
    await asyncio.wait([running])


if __name__ == "__main__":
    asyncio.run(_main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4]))
