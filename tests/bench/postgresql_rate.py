"""A backlog into a real PostgreSQL server that writes to its disk: records a second, and how long the loop is held up.

Five interleaved rounds for each size of a batch. Every figure of a record has a value and five elements are fitted: the
widest row there is. The server is on the same machine and shares its cores.
"""

import asyncio
import random
import statistics
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from structlog.testing import capture_logs

from gateway.delivery.contract import Surroundings
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from gateway.history import KeptRecord, Previous
from gateway.records import ElementUse, Figure, Figures, Quality
from tests.support.kept_entries import MemoryOutbox
from tests.support.postgres import Postgres, postgresql_plan
from tests.support.records import BOOT, NOON, inventory, record_of, snapshot

__all__ = ["measure"]

BATCHES = (100, 500, 2000)
TANKS = 200


def measure(*, long: bool) -> dict[str, Any]:
    rounds, records = (9, 40_000) if long else (5, 10_000)
    entries = _entries(records)
    found: dict[int, list[tuple[float, float, float, float]]] = {batch: [] for batch in BATCHES}
    bytes_each = 0.0
    with Postgres(settings={"fsync": "on"}) as server, TemporaryDirectory() as folder:
        for number in range(rounds):
            for batch in BATCHES:
                database = server.database(f"round_{number}_{batch}")
                plan = postgresql_plan(server, Path(folder), database=database, batch=batch, timeout_s=30.0)
                with capture_logs():
                    found[batch].append(asyncio.run(_drain(plan, entries)))
                size = int(server.psql("SELECT pg_database_size(current_database())", database)[0])
                bytes_each = (size - int(server.psql("SELECT pg_database_size('postgres')")[0])) / records
                server.psql(f"DROP DATABASE {database}")
    table = [
        [
            f"batches of {batch}",
            f"{statistics.median(each[0] for each in measured):,.0f}",
            f"{min(each[0] for each in measured):,.0f} .. {max(each[0] for each in measured):,.0f}",
            f"{statistics.median(each[1] for each in measured):.0f}",
            f"{statistics.median(each[2] for each in measured):.1f}",
            f"{statistics.median(each[3] for each in measured):.1f}",
        ]
        for batch, measured in found.items()
    ]
    return {
        "title": f"backlog of {records:,} records into PostgreSQL, {bytes_each:,.0f} bytes each",
        "columns": ["", "records/s", "from .. to", "cpu us each", "loop held up, median ms", "99 % ms"],
        "table": table,
        "rounds": found,
    }


def _entries(count: int) -> list[KeptRecord]:
    chance = random.Random(1)
    entries = []
    for index in range(count):
        sheet: dict[str, Any] = {
            name: Figure(chance.uniform(0.0, 9e3), Quality.GOOD, (), 2.0) for name in Figures._fields
        }
        elements = tuple(
            ElementUse(float(height), chance.uniform(10.0, 20.0), True, 0.2, Quality.GOOD, None) for height in range(5)
        )
        sequence = index // TANKS + 1
        made = inventory(f"TK-{index % TANKS}", instant=NOON, elements=elements, **sheet)
        previous = Previous(BOOT, sequence - 1) if sequence > 1 else None
        entries.append(KeptRecord(index + 1, record_of("harbour", BOOT, sequence, made), previous))
    return entries


async def _drain(plan: Any, entries: list[KeptRecord]) -> tuple[float, float, float, float]:
    """Records a second, microseconds of processor for each, and median and 99 % of what another task is late by."""
    outbox = MemoryOutbox()
    around = Surroundings("harbour", BOOT, snapshot, random.Random(1), lambda _: None, outbox)
    delivery = PostgresqlDelivery(plan, around)
    running = asyncio.create_task(delivery.run())
    while not delivery.status().connected:  # noqa: ASYNC110 (nothing raises an event for it)
        await asyncio.sleep(0.01)
    late: list[float] = []
    looking = asyncio.create_task(_look(late))
    begun, begun_cpu = time.perf_counter(), time.process_time()
    for entry in entries:
        outbox.add(entry)
    late.clear()
    while outbox.backlog().waiting:  # noqa: ASYNC110
        await asyncio.sleep(0.005)
    seconds, cpu = time.perf_counter() - begun, time.process_time() - begun_cpu
    for task in (looking, running):
        task.cancel()
    await asyncio.wait([looking, running])
    quantiles = statistics.quantiles(late, n=100)
    return len(entries) / seconds, 1e6 * cpu / len(entries), 1e3 * quantiles[49], 1e3 * quantiles[98]


async def _look(late: list[float]) -> None:
    while True:
        begun = time.perf_counter()
        await asyncio.sleep(0.002)
        late.append(time.perf_counter() - begun - 0.002)
