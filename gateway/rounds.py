"""Rounds that the daemon makes: what is due at the tanks and wrong with the clock, destinations, signs of life."""

import asyncio
import math
from collections.abc import Callable, Sequence

import structlog

from gateway.clock import Clock
from gateway.clock_watch import ClockWatch
from gateway.deliveries import Deliveries, loop_name
from gateway.end_clock import EndClock
from gateway.house_watch import HouseWatch
from gateway.pipeline import Pipeline
from gateway.process.progress import CameRound, Progress
from gateway.process.service_manager import ServiceManager
from gateway.tank_record import TankRecord
from gateway.web.plan import Readiness

__all__ = ["look_after", "tell_manager", "tick"]

CLOCK_STEPPED = "clock.stepped"
CLOCK_IMPOSSIBLE = "clock.impossible"
LOOPS_STUCK = "gateway.loops_stuck"

_SIGNS_OF_LIFE = 4
"""In the time of the service manager's watchdog."""
_STATUS_EVERY_S = 10.0
_LOOK_AFTER_S = 1.0
_STOOD_STILL_NS = 10_000_000_000
"""Between two looks: the whole process did, and nobody hung."""

_LOGGER = structlog.get_logger("gateway.daemon")


async def tick(
    pipeline: Pipeline, house: HouseWatch, clock: Clock, ends: EndClock, came_round: CameRound, every_s: float
) -> None:
    """Tanks whose period has passed, the gateway itself and the clock, looked at each `every_s` seconds of the
    machine."""
    watch = ClockWatch()
    while True:
        for _ in pipeline.overdue():
            await asyncio.sleep(0)
        ends.look()
        house.look_round()
        fault = watch.look(clock.utc_ns(), clock.monotonic_ns())
        if fault is not None and fault.step_s:
            _LOGGER.warning(CLOCK_STEPPED, step_s=round(fault.step_s, 3))
        if fault is not None and fault.impossible:
            _LOGGER.error(CLOCK_IMPOSSIBLE, hint="the clock is set before this program was written; set it by NTP")
        came_round(every_s)
        await asyncio.sleep(every_s)


async def look_after(
    deliveries: Deliveries, progress: Progress, clock: Clock, newest: Callable[[], Sequence[TankRecord]]
) -> None:
    """A destination that hangs is made anew, and the rest of the gateway goes on."""
    looked_ns = clock.monotonic_ns()
    while True:
        await asyncio.sleep(_LOOK_AFTER_S)
        before_ns, looked_ns = looked_ns, clock.monotonic_ns()
        if looked_ns - before_ns > _STOOD_STILL_NS:
            progress.forgive()
        late = set(progress.late())
        hanging = [plan for plan in deliveries.plans if loop_name(plan) in late]
        if hanging:
            await deliveries.make_anew(hanging, newest())


async def tell_manager(
    manager: ServiceManager,
    readiness: Callable[[], Readiness],
    progress: Progress,
    clock: Clock,
) -> None:
    """Signs of life to the service manager, for as long as every loop of `progress` comes round."""
    ready = readiness()
    manager.ready(f"watching {ready.tanks} tanks on {ready.lines} lines")
    wait_s = min(_STATUS_EVERY_S, (manager.watchdog_s or math.inf) / _SIGNS_OF_LIFE)
    told: list[str] = []
    looked_ns = clock.monotonic_ns()
    while True:
        await asyncio.sleep(wait_s)
        now_ns = clock.monotonic_ns()
        if now_ns - looked_ns > 2e9 * wait_s:
            progress.forgive()
        looked_ns = now_ns
        late = progress.late()
        if late != told:
            told = late
            if late:
                _LOGGER.error(LOOPS_STUCK, loops=late, hint="the service manager starts this anew")
        if late:
            manager.unwell(f"stuck: {', '.join(late)}")
        else:
            manager.alive(readiness().text)
