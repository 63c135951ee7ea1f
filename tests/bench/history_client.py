"""`python -m tests.bench.history_client PROTOCOL PORT BACKLOG SECONDS`: one delivery of the drain bench. Prints JSON.

Without a backlog live records come for SECONDS, else until it is drained.
"""

import asyncio
import json
import random
import statistics
import sys
import time

import uvloop

from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.delivery.plan import MqttPlan
from tests.support.kept_entries import MemoryOutbox, streams
from tests.support.records import BOOT, record, snapshot

__all__ = ["main"]

TANKS = [f"TK-{number}" for number in range(200)]
_LOOK_EVERY_S = 0.000_5
"""What is told of live records is late by as much, and the looking costs little beside the work."""
LIVE_EVERY_S = 1.0 / len(TANKS)


async def drain(protocol: str, port: int, backlog: int, seconds: float) -> dict[str, float]:
    outbox = MemoryOutbox(streams(TANKS, backlog // len(TANKS)))
    plan = MqttPlan("127.0.0.1", port, protocol=protocol)
    delivery = MqttDelivery(plan, "harbour", BOOT, lambda: snapshot(), random=random.Random(1), outbox=outbox)
    records = [record(tank, 1) for tank in TANKS]
    running = asyncio.create_task(delivery.run())
    begun_s, cpu_s = time.perf_counter(), time.process_time()
    while not delivery.status().connected:  # noqa: ASYNC110 (it raises no event)
        await asyncio.sleep(0)
    waits_s: list[float] = []
    sequence = 0
    while outbox.backlog().waiting if backlog else time.perf_counter() - begun_s < seconds:
        tank = sequence % len(TANKS)
        sequence += 1
        before = delivery.status().delivered
        offered_s = time.perf_counter()
        delivery.offer(records[tank])
        # One at a time, so that the count tells when this one has arrived.
        while delivery.status().delivered == before:  # noqa: ASYNC110 (likewise)
            await asyncio.sleep(_LOOK_EVERY_S)
        waits_s.append(time.perf_counter() - offered_s)
        await asyncio.sleep(max(0.0, LIVE_EVERY_S - waits_s[-1]))
    took_s, took_cpu_s = time.perf_counter() - begun_s, time.process_time() - cpu_s
    running.cancel()
    await asyncio.wait([running])
    waits_s.sort()
    return {
        "drained_per_s": backlog / took_s,
        "live_median_ms": 1e3 * statistics.median(waits_s),
        "live_p99_ms": 1e3 * waits_s[int(0.99 * len(waits_s))],
        "live": len(waits_s),
        "cpu_us": 1e6 * took_cpu_s / (backlog + len(waits_s)),
    }


def main(protocol: str, port: str, backlog: str, seconds: str) -> None:
    print(json.dumps(uvloop.run(drain(protocol, int(port), int(backlog), float(seconds)))))


if __name__ == "__main__":
    main(*sys.argv[1:])
