"""Any destination by its plan, with an outbox of the test, run for as long as a block lasts."""

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from gateway.delivery.contract import GOODBYE_S, DeliveryPlan, Destination, Outbox, Surroundings
from gateway.delivery.destinations import make_destination
from tests.support.records import BOOT, snapshot

__all__ = ["destination", "running"]


def destination(plan: DeliveryPlan, outbox: Outbox | None = None) -> Destination:
    return make_destination(plan, Surroundings("harbour", BOOT, snapshot, random.Random(1), lambda _: None, outbox))


@asynccontextmanager
async def running(made: Destination) -> AsyncIterator[None]:
    """Runs it until the end of the block, and sees that it ends in the time that it has, by nothing else."""
    task = asyncio.create_task(made.run())
    try:
        yield
    finally:
        assert not task.done()
        task.cancel()
        ended, _ = await asyncio.wait([task], timeout=GOODBYE_S)
        assert ended
        assert task.cancelled()
