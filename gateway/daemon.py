"""The running gateway: lines, pipeline, deliveries and the HTTP interface wired together in one TaskGroup."""

import asyncio
import random
import secrets
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime

import structlog
from tenacity import AsyncRetrying, RetryCallState, retry_if_exception_type, wait_exponential_jitter

from gateway import __version__
from gateway.acquisition.line import Line
from gateway.clock import Clock, SystemClock
from gateway.clock_watch import ClockWatch
from gateway.delivery.metrics import Metrics
from gateway.delivery.mqtt import MqttDelivery
from gateway.delivery.payload import inventories_pieces
from gateway.delivery.readings import readings_pieces
from gateway.delivery.slices import joined
from gateway.errors import GatewayError
from gateway.garbage import settled_collector
from gateway.pipeline import Pipeline
from gateway.records import InventoryRecord
from gateway.settings import SiteSettings
from gateway.status import GatewaySnapshot
from gateway.web.plan import Readiness
from gateway.web.server import HttpServer

__all__ = ["Daemon", "run"]

GATEWAY_STARTED = "gateway.started"
GATEWAY_STOPPED = "gateway.stopped"
TASK_FAILED = "gateway.task_failed"
CLOCK_STEPPED = "clock.stepped"
CLOCK_IMPOSSIBLE = "clock.impossible"

_TICK_S = 0.5
_UNHEALTHY_AFTER_NS = 30 * 1_000_000_000


class Daemon:
    """One site. `run` until cancelled; `snapshot` at any time from the same loop."""

    def __init__(
        self, settings: SiteSettings, *, clock: Clock | None = None, jitter: random.Random | None = None
    ) -> None:
        self._settings = settings
        self._clock: Clock = SystemClock() if clock is None else clock
        jitter = random.Random() if jitter is None else jitter
        self._boot = secrets.token_hex(16)
        self._started_ns = self._clock.utc_ns()
        self._log = structlog.get_logger("gateway.daemon")
        self._progress_ns = self._clock.monotonic_ns()
        self._pipeline = Pipeline(
            settings.name,
            self._boot,
            [(tank.plan, tank.binding, tank.period_s) for tank in settings.tanks],
            self._deliver,
            self._clock,
        )
        self._lines = [Line(plan, self._pipeline.take, clock=self._clock, random=jitter) for plan in settings.lines]
        self._deliveries = (
            []
            if settings.mqtt is None
            else [MqttDelivery(settings.mqtt, settings.name, self._boot, self.snapshot, random=jitter)]
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
        loops: list[tuple[str, Callable[[], Awaitable[None]]]] = [("tick", self._tick)]
        loops += [(f"line {plan.name}", line.run) for plan, line in zip(self._settings.lines, self._lines, strict=True)]
        loops += [(f"delivery {index}", delivery.run) for index, delivery in enumerate(self._deliveries)]
        if self._http is not None:
            loops.append(("http", self._http.run))
        try:
            async with asyncio.TaskGroup() as tasks:
                for name, loop in loops:
                    tasks.create_task(self._supervised(name, loop), name=name)
        finally:
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
        )

    def healthy(self) -> bool:
        """Whether the gateway's own loop has come round lately. Says nothing about instruments or brokers."""
        return self._clock.monotonic_ns() - self._progress_ns < _UNHEALTHY_AFTER_NS

    def readiness(self) -> Readiness:
        """Whether all that is watched can be: every line connected, no tank Bad or without a sheet."""
        counts = [0, 0, 0]
        for record in self._pipeline.records():
            counts[record.inventory.quality] += 1
        connected = sum(line.status().connected for line in self._lines)
        tanks = len(self._settings.tanks)
        good, uncertain, bad = counts
        ready = connected == len(self._lines) and good + uncertain == tanks
        return Readiness(ready, len(self._lines), connected, tanks, good, uncertain, bad)

    @property
    def http_port(self) -> int | None:
        """The port of the HTTP interface once it is bound; None before, and where the site file has no `web`."""
        return None if self._http is None else self._http.port

    def _deliver(self, record: InventoryRecord) -> None:
        for delivery in self._deliveries:
            delivery.offer(record)

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
            self._progress_ns = self._clock.monotonic_ns()
            await asyncio.sleep(_TICK_S)

    async def _supervised(self, name: str, loop: Callable[[], Awaitable[None]]) -> None:
        """Run one loop for ever. A fault nobody foresaw is logged in full and that loop alone is begun again."""

        async def unending() -> None:
            await loop()
            raise RuntimeError(f"{name} came to an end by itself, which it never should")

        retrying = AsyncRetrying(
            retry=retry_if_exception_type(Exception),
            wait=wait_exponential_jitter(initial=1.0, max=60.0),
            before_sleep=lambda attempt: self._log_fault(name, attempt),
        )
        await retrying(unending)

    def _log_fault(self, name: str, attempt: RetryCallState) -> None:
        error = None if attempt.outcome is None else attempt.outcome.exception()
        if isinstance(error, GatewayError):
            self._log.error(TASK_FAILED, task=name, attempt=attempt.attempt_number, error=str(error), hint=error.hint)
        else:
            self._log.error(TASK_FAILED, task=name, attempt=attempt.attempt_number, exc_info=error)


async def run(settings: SiteSettings, *, stop: asyncio.Event, on_ready: Callable[[Daemon], None] | None = None) -> None:
    """Run the gateway of one site until `stop` is set, then stop all of it in bounded time."""
    gateway = Daemon(settings)
    if on_ready is not None:
        on_ready(gateway)
    with settled_collector():
        async with asyncio.TaskGroup() as tasks:
            running = tasks.create_task(gateway.run(), name="gateway")
            await stop.wait()
            running.cancel()
