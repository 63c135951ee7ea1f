"""One scrape of the metrics of 1,000 tanks: our own writer beside prometheus-client's registry and exposition.

Beside each scrape something is due every millisecond, as at 1,000 tanks a second. How late it comes is told over the
15 s that usually lie between two scrapes, in which one is made: what is late outside the scrape is not counted.
"""

import asyncio
import gc
import time
from collections.abc import Awaitable, Callable
from statistics import median

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.openmetrics import exposition as openmetrics

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.delivery.metrics import Metrics
from gateway.status import GatewaySnapshot, Histogram, InstrumentStatus, LineStatus
from gateway.tank_record import TankRecord
from tests.bench import sheet_time
from tests.support.prometheus_reference import SnapshotCollector
from tests.support.records import BOOT, record_of, snapshot

__all__ = ["measure"]

TANKS = 1_000
TICK_S = 0.001
BETWEEN_SCRAPES_S = 15.0

_Scrape = Callable[[GatewaySnapshot], Awaitable[bytes]]


async def _ours(seen: GatewaySnapshot) -> bytes:
    return await Metrics(lambda: seen).render_in_slices()


async def _at_once(seen: GatewaySnapshot) -> bytes:
    return _library(seen)


async def _in_a_thread(seen: GatewaySnapshot) -> bytes:
    return await asyncio.to_thread(_library, seen)


async def _openmetrics_in_a_thread(seen: GatewaySnapshot) -> bytes:
    return await asyncio.to_thread(_openmetrics, seen)


def _openmetrics(seen: GatewaySnapshot) -> bytes:
    text: bytes = openmetrics.generate_latest(_registry(seen))  # type: ignore[no-untyped-call]
    return text


def _library(seen: GatewaySnapshot) -> bytes:
    return generate_latest(_registry(seen))


def _registry(seen: GatewaySnapshot) -> CollectorRegistry:
    registry = CollectorRegistry()
    registry.register(SnapshotCollector(seen))
    return registry


CONTENDERS: dict[str, _Scrape] = {
    "ours, in slices": _ours,
    "prometheus-client, at once": _at_once,
    "prometheus-client, in a thread": _in_a_thread,
    "prometheus-client, OpenMetrics, in a thread": _openmetrics_in_a_thread,
}


def measure(*, long: bool) -> dict[str, object]:
    seen = _snapshot()
    series = len([line for line in Metrics(lambda: seen).render().splitlines() if not line.startswith(b"#")])
    gc.collect()
    gc.freeze()
    rounds = 9 if long else 5
    found: dict[str, list[tuple[float, float, float, float]]] = {name: [] for name in CONTENDERS}
    try:
        for _ in range(rounds):
            for name, scrape in CONTENDERS.items():
                found[name].append(asyncio.run(_one(scrape, seen)))
    finally:
        gc.unfreeze()
    rows = [(name, *(median(column) for column in zip(*runs, strict=True))) for name, runs in found.items()]
    return {
        "title": f"Metrics: one scrape of {TANKS:,} tanks, {series:,} series, median of {rounds} interleaved runs",
        "columns": ["", "scrape s", "cpu s", "late ms p99", "late ms most"],
        "table": [[name, *(f"{value:.3g}" for value in values)] for name, *values in rows],
        "rows": [{"name": name, "values": runs} for name, runs in found.items()],
    }


async def _one(scrape: _Scrape, seen: GatewaySnapshot) -> tuple[float, float, float, float]:
    """Seconds of wall clock and of processor, and how late what is due beside it comes, in ms: p99 and most."""
    late: list[float] = []
    ticking = asyncio.create_task(_tick(late))
    await asyncio.sleep(0.05)
    late.clear()
    wall, cpu = time.perf_counter(), time.process_time()
    text = await scrape(seen)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    await asyncio.sleep(0.01)
    ticking.cancel()
    assert text
    late.sort(reverse=True)
    place = round(0.01 * BETWEEN_SCRAPES_S / TICK_S)
    return wall, cpu, (late[place] if len(late) > place else 0.0) * 1e3, late[0] * 1e3


async def _tick(late: list[float]) -> None:
    """Each moment that is due counts, also those that were passed over while the loop was held up."""
    due = time.perf_counter()
    while True:
        due += TICK_S
        await asyncio.sleep(max(0.0, due - time.perf_counter()))
        late.append(max(0.0, time.perf_counter() - due))


def _snapshot() -> GatewaySnapshot:
    plan, memory = sheet_time.plan(), EMPTY_MEMORY
    records: list[TankRecord] = []
    for number, tank_input in enumerate(sheet_time.inputs()[:TANKS]):
        sheet, memory = calculate(plan, tank_input, memory)
        records.append(record_of("bench", BOOT, 1, sheet._replace(tank=f"TK-{number}"), 10.0))
    histogram = Histogram(
        (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, float("inf")), (9,) * 13, 1.0
    )
    instruments = [
        InstrumentStatus(f"{kind}-{number}", f"line {number // 8}", True, 9, {}, 1_773_489_599_000_000_000, histogram)
        for number in range(TANKS)
        for kind in ("LT", "TT")
    ]
    lines = [
        LineStatus(f"line {number}", True, 12.5, histogram, late_answers=0, unsolicited_frames=0)
        for number in range(TANKS // 8)
    ]
    return snapshot(*records)._replace(instruments=instruments, lines=lines)
