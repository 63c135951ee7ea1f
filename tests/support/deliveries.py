"""An MQTT delivery in the test's own loop, and the same in a process of its own to be killed."""

import asyncio
import random
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from typing import Any

from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.delivery.plan import MqttPlan
from gateway.status import DestinationStatus, GatewaySnapshot
from tests.support.records import BOOT, record, snapshot

__all__ = ["make_delivery", "plan_for", "running", "until"]

_PATIENCE_S = 20.0


def plan_for(port: int, **changes: Any) -> MqttPlan:
    """A plan that is quick to try again."""
    defaults: dict[str, Any] = {"backoff_first_s": 0.02, "backoff_longest_s": 0.1, "timeout_s": 5.0}
    settled: dict[str, Any] = {"host": "127.0.0.1", "port": port, **defaults, **changes}
    return MqttPlan(**settled)


def make_delivery(port: int, *, boot: str = BOOT, **changes: Any) -> MqttDelivery:
    """Of the gateway of `harbour`, which says nothing true of its own delivery but what troubles it."""
    made: list[MqttDelivery] = []

    def state() -> GatewaySnapshot:
        status = DestinationStatus("mqtt", True, 1, 0, 0, None, made[0].status().troubles)
        return snapshot()._replace(boot=boot, destinations=(status,))

    made.append(MqttDelivery(plan_for(port, **changes), "harbour", boot, state, random=random.Random(boot)))
    return made[0]


@asynccontextmanager
async def running(delivery: MqttDelivery) -> AsyncIterator["asyncio.Task[None]"]:
    """Run it until the end of the block, then cancel it and see that it ends by nothing else."""
    task = asyncio.create_task(delivery.run())
    try:
        yield task
    finally:
        if task.done():
            await task
        task.cancel()
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(asyncio.CancelledError):
                await task
        assert task.cancelled()


async def until(condition: Callable[[], object]) -> None:
    """Give way to the loop until the condition holds."""
    async with asyncio.timeout(_PATIENCE_S):
        while not condition():  # noqa: ASYNC110 (what is waited for happens outside and raises no event)
            await asyncio.sleep(0.005)


async def _main(port: int) -> None:
    delivery = make_delivery(port)
    delivery.offer(record("TK-1", 1))
    await delivery.run()


if __name__ == "__main__":
    asyncio.run(_main(int(sys.argv[1])))
