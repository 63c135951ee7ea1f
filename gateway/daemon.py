"""The running gateway: lines, pipeline, deliveries and the HTTP interface wired together, each loop supervised."""

import asyncio
import math
import random
import secrets
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial

import structlog

from gateway import __version__
from gateway.acquisition.line import Line
from gateway.acquisition.plan import LinePlan
from gateway.backoff import Backoff
from gateway.clock import Clock, SystemClock
from gateway.clock_watch import ClockWatch
from gateway.delivery.metrics import Metrics
from gateway.delivery.mqtt import MqttDelivery
from gateway.delivery.payload import inventories_pieces
from gateway.delivery.readings import readings_pieces
from gateway.delivery.slices import joined
from gateway.garbage import settled_collector
from gateway.memory_file import MEMORY_NOT_KEPT, MemoryKeeper
from gateway.pipeline import Pipeline
from gateway.progress import Progress
from gateway.records import InventoryRecord, Reading
from gateway.service_manager import ServiceManager
from gateway.settings import SiteSettings
from gateway.status import GatewaySnapshot
from gateway.supervision import supervise
from gateway.tasks import Loop, end, fault_of, run_together
from gateway.web.plan import Readiness
from gateway.web.server import HttpServer

__all__ = ["Daemon", "run"]

GATEWAY_STARTED = "gateway.started"
GATEWAY_STOPPED = "gateway.stopped"
CLOCK_STEPPED = "clock.stepped"
CLOCK_IMPOSSIBLE = "clock.impossible"
LOOPS_STUCK = "gateway.loops_stuck"

_TICK_S = 0.5
_TICK_LATE_S = 30.0
_LOOP_LATE_S = 120.0
"""More than a loop waits to be begun again."""
_SIGNS_OF_LIFE = 4
"""In the time of the service manager's watchdog."""
_STATUS_EVERY_S = 10.0
_MEMORY_EVERY_S = 60.0
_MEMORY_PATIENCE_S = 2.0
_BEGIN_AGAIN_FIRST_S = 1.0
_BEGIN_AGAIN_LONGEST_S = 60.0


class Daemon:
    """One site. `run` until cancelled; `snapshot` at any time from the same loop."""

    def __init__(
        self,
        settings: SiteSettings,
        *,
        clock: Clock | None = None,
        jitter: random.Random | None = None,
        log_lines_dropped: Callable[[], int] = lambda: 0,
        manager: ServiceManager | None = None,
        memory: MemoryKeeper | None = None,
    ) -> None:
        self._settings = settings
        self._manager = ServiceManager() if manager is None else manager
        self._log_lines_dropped = log_lines_dropped
        self._clock: Clock = SystemClock() if clock is None else clock
        self._jitter = random.Random() if jitter is None else jitter
        self._boot = secrets.token_hex(16)
        self._started_ns = self._clock.utc_ns()
        self._log = structlog.get_logger("gateway.daemon")
        self._progress = Progress(self._clock)
        self._ticked = self._progress.of("tick", _TICK_LATE_S)
        self._pipeline = Pipeline(
            settings.name,
            self._boot,
            [(tank.plan, tank.binding, tank.period_s) for tank in settings.tanks],
            self._deliver,
            self._clock,
            {each.tag: each.map for line in settings.lines for each in line.instruments},
        )
        self._memory = memory
        kept = None if memory is None else memory.read()
        if kept is not None:
            self._pipeline.restore(kept)
        self._lines = [self._line(plan) for plan in settings.lines]
        self._deliveries = (
            []
            if settings.mqtt is None
            else [
                MqttDelivery(
                    settings.mqtt,
                    settings.name,
                    self._boot,
                    self.snapshot,
                    random=self._jitter,
                    came_round=self._progress.of(
                        "delivery 0", _LOOP_LATE_S + 3 * settings.mqtt.timeout_s + settings.mqtt.backoff_longest_s
                    ),
                )
            ]
        )
        self._metrics = Metrics(self.snapshot)
        addresses = {plan.name: str(plan.primary) for plan in settings.lines}
        self._http = (
            None
            if settings.http is None
            else HttpServer(
                settings.http,
                metrics=self._metrics.render_in_slices,
                inventories=lambda: joined(inventories_pieces(self.snapshot())),
                healthy=self.healthy,
                readiness=self.readiness,
                came_round=self._progress.of("http", _LOOP_LATE_S),
                readings=lambda: joined(readings_pieces(self.snapshot(), addresses, self._pipeline.readings())),
            )
        )

    async def run(self) -> None:
        """Poll, calculate and deliver until cancelled. Expected faults stay inside; nothing else ends it."""
        self._log.info(
            GATEWAY_STARTED,
            site=self._settings.name,
            version=__version__,
            boot=self._boot,
            tanks=len(self._settings.tanks),
            lines=len(self._lines),
            simulated=self._settings.simulated,
        )
        telling = asyncio.create_task(run_together(self._supervised(self._tellers())), name="telling")

        async def told() -> None:
            await asyncio.wait([telling])
            raise fault_of(telling)

        try:
            await run_together([*self._supervised(self._watchers()), ("told", told)])
        finally:
            try:
                # Nothing is read any more: now those who tell the world may say so, and end.
                last = self._pipeline.finish()
                for delivery in self._deliveries:
                    delivery.finish(last)
            finally:
                written = self._keep_memory()
                await end([telling])
                if written is not None and not await asyncio.to_thread(written.wait, _MEMORY_PATIENCE_S):
                    self._log.error(MEMORY_NOT_KEPT, hint="the disk was too slow: a restart has the memory of before")
                self._log.info(GATEWAY_STOPPED, site=self._settings.name)

    def snapshot(self) -> GatewaySnapshot:
        """The present state, for metrics, pages and the gateway's own status."""
        return GatewaySnapshot(
            site=self._settings.name,
            boot=self._boot,
            version=__version__,
            simulated=self._settings.simulated,
            started_ns=self._started_ns,
            instant=datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC),
            inventories=self._pipeline.records(),
            lines=[line.status() for line in self._lines],
            instruments=[status for line in self._lines for status in line.instrument_statuses()],
            destinations=[delivery.status() for delivery in self._deliveries],
            calculation_errors=self._pipeline.calculation_errors,
            time_zone=self._settings.time_zone,
            log_lines_dropped=self._log_lines_dropped(),
        )

    def healthy(self) -> bool:
        """Whether the gateway's own loops have come round lately. Says nothing about instruments or brokers."""
        return not self._progress.late()

    def readiness(self) -> Readiness:
        """Whether all that is watched can be: every line in use connected, no tank Bad or without a sheet."""
        counts = [0, 0, 0]
        for record in self._pipeline.records():
            counts[record.inventory.quality] += 1
        lines = [line for plan, line in zip(self._settings.lines, self._lines, strict=True) if plan.instruments]
        connected = sum(line.status().connected for line in lines)
        tanks = len(self._settings.tanks)
        good, uncertain, bad = counts
        ready = connected == len(lines) and good + uncertain == tanks
        return Readiness(ready, len(lines), connected, tanks, good, uncertain, bad)

    @property
    def http_port(self) -> int | None:
        """The port of the HTTP interface once it is bound; None before, and where the site file has no `web`."""
        return None if self._http is None else self._http.port

    def _deliver(self, record: InventoryRecord) -> None:
        for delivery in self._deliveries:
            delivery.offer(record)

    def _line(self, plan: LinePlan) -> Line:
        """A line whose turns are told: it hands readings on, or waits for its next."""
        if not plan.instruments:
            return Line(plan, self._pipeline.take, clock=self._clock, random=self._jitter)
        longest_s = plan.connect_timeout_s + max(each.timeout_s + each.pause_s for each in plan.instruments)
        came_round = self._progress.of(f"line {plan.name}", _LOOP_LATE_S + longest_s)

        def take(readings: Sequence[Reading]) -> None:
            came_round(0.0)
            self._pipeline.take(readings)

        async def sleep(wait_s: float) -> None:
            came_round(wait_s)
            await asyncio.sleep(wait_s)

        return Line(plan, take, clock=self._clock, random=self._jitter, sleep=sleep)

    async def _tick(self) -> None:
        """Tanks whose period has passed, and the clock."""
        watch = ClockWatch()
        while True:
            for _ in self._pipeline.overdue():
                await asyncio.sleep(0)
            fault = watch.look(self._clock.utc_ns(), self._clock.monotonic_ns())
            if fault is not None and fault.step_s:
                self._log.warning(CLOCK_STEPPED, step_s=round(fault.step_s, 3))
            if fault is not None and fault.impossible:
                self._log.error(
                    CLOCK_IMPOSSIBLE, hint="the clock is set before this program was written; set it by NTP"
                )
            self._ticked(_TICK_S)
            await asyncio.sleep(_TICK_S)

    async def _remember(self) -> None:
        while True:
            await asyncio.sleep(_MEMORY_EVERY_S)
            self._keep_memory()

    def _keep_memory(self) -> threading.Event | None:
        return None if self._memory is None else self._memory.keep(self._pipeline.memories())

    async def _tell_manager(self) -> None:
        """Signs of life to the service manager, for as long as every loop comes round."""
        readiness = self.readiness()
        self._manager.ready(f"watching {readiness.tanks} tanks on {readiness.lines} lines")
        wait_s = min(_STATUS_EVERY_S, (self._manager.watchdog_s or math.inf) / _SIGNS_OF_LIFE)
        told: list[str] = []
        looked_ns = self._clock.monotonic_ns()
        while True:
            await asyncio.sleep(wait_s)
            now_ns = self._clock.monotonic_ns()
            if now_ns - looked_ns > 2e9 * wait_s:
                self._progress.forgive()
            looked_ns = now_ns
            late = self._progress.late()
            if late != told:
                told = late
                if late:
                    self._log.error(LOOPS_STUCK, loops=late, hint="the service manager starts this anew")
            if late:
                self._manager.unwell(f"stuck: {', '.join(late)}")
            else:
                self._manager.alive(self.readiness().text)

    def _watchers(self) -> list[tuple[str, Loop]]:
        """What reads and calculates until the gateway is stopped, by name, and says that it does."""
        lines = zip(self._settings.lines, self._lines, strict=True)
        loops: list[tuple[str, Loop]] = [("tick", self._tick)]
        loops += [(f"line {plan.name}", line.run) for plan, line in lines if plan.instruments]
        if self._memory is not None:
            loops.append(("memory", self._remember))
        if self._manager.listens:
            loops.append(("service manager", self._tell_manager))
        return loops

    def _tellers(self) -> list[tuple[str, Loop]]:
        """What tells the world, and ends after the watchers."""
        loops: list[tuple[str, Loop]] = [
            (f"delivery {index}", delivery.run) for index, delivery in enumerate(self._deliveries)
        ]
        if self._http is not None:
            loops.append(("http", self._http.run))
        return loops

    def _supervised(self, loops: list[tuple[str, Loop]]) -> list[tuple[str, Loop]]:
        return [(f"{name}, supervised", self._kept_going(name, loop)) for name, loop in loops]

    def _kept_going(self, name: str, loop: Loop) -> Loop:
        async def begun() -> None:
            self._progress.begun(name)
            await loop()

        backoff = Backoff(_BEGIN_AGAIN_FIRST_S, _BEGIN_AGAIN_LONGEST_S, self._jitter)
        return partial(supervise, name, begun, backoff, self._clock)


async def run(
    settings: SiteSettings,
    *,
    stop: asyncio.Event,
    on_ready: Callable[[Daemon], None] | None = None,
    log_lines_dropped: Callable[[], int] = lambda: 0,
    manager: ServiceManager | None = None,
    memory: MemoryKeeper | None = None,
) -> None:
    """Run the gateway of one site until `stop` is set, then stop all of it in bounded time."""
    gateway = Daemon(settings, log_lines_dropped=log_lines_dropped, manager=manager, memory=memory)
    if on_ready is not None:
        on_ready(gateway)
    with settled_collector():
        running = asyncio.create_task(gateway.run(), name="gateway")
        stopping = asyncio.create_task(stop.wait(), name="stop")
        try:
            ended, _ = await asyncio.wait([running, stopping], return_when=asyncio.FIRST_COMPLETED)
        finally:
            if manager is not None:
                manager.stopping()
            await end([running, stopping])
        if running in ended or not running.cancelled():
            raise fault_of(running)
