"""A whole demo site under test: simulated instruments, recorded wires, a real broker, an outside subscriber."""

import asyncio
import csv
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import simulators
from gateway.daemon import Daemon
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.keeping import Open, nothing_kept
from gateway.resources import config_path
from gateway.settings import SiteSettings, dated_entries, load_site
from gateway.status import DestinationStatus
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.mqtt_subscriber import Subscriber
from tests.support.wire import WireRecorder

__all__ = ["Site", "printed_rows", "running_site"]

_SETTLED_S = 30.0
_PATIENCE_S = 20.0
_GOLDEN = Path(__file__).parent.parent / "golden"


@dataclass
class Site:
    """What a test may look at and disturb."""

    simulator: simulators.Running
    gateway: Daemon
    broker: Mosquitto
    recorders: Mapping[str, WireRecorder]
    subscriber: Subscriber
    settings: SiteSettings
    newest: dict[str, dict[str, Any]] = field(default_factory=dict)
    """The newest inventory of each tank as the subscriber has it."""
    _task: "asyncio.Task[None] | None" = None

    async def inventory(self, tank: str, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The first inventory of `tank`, from now on or already there, that is wanted."""
        if tank in self.newest and wanted(self.newest[tank]):
            return self.newest[tank]
        async with asyncio.timeout(_SETTLED_S):
            while True:
                content = await self._next_inventory()
                if content["identity"]["tank"] == tank and wanted(content):
                    return content

    async def all_inventories(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, dict[str, Any]]:
        """The newest inventory of every tank, once each is wanted."""
        tanks = set(self.simulator.world.tanks)
        async with asyncio.timeout(_SETTLED_S):
            while not (tanks <= self.newest.keys() and all(wanted(self.newest[tank]) for tank in tanks)):
                await self._next_inventory()
        return dict(self.newest)

    async def destination(self, wanted: Callable[[DestinationStatus], bool]) -> DestinationStatus:
        """The broker's delivery, once it is as wanted."""
        async with asyncio.timeout(_SETTLED_S):
            # The gateway offers no event: it is watched as its metrics are.
            while not wanted(status := self.gateway.snapshot().destinations[0]):  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        return status

    def forget(self) -> None:
        """Let only what comes from now on count."""
        self.newest.clear()

    def start_gateway(self) -> None:
        """Let the present gateway begin."""
        self._task = asyncio.create_task(self.gateway.run(), name="gateway under test")

    async def stop_gateway(self) -> None:
        """End it as a signal would, in bounded time."""
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait({self._task}, timeout=10.0)
        assert self._task.done(), "the gateway did not stop within 10 s"
        assert self._task.cancelled(), self._task.exception()

    def begin_anew(self) -> None:
        """A new gateway in place of one that was stopped: it remembers nothing, and only its own records count."""
        self.gateway = Daemon(self.settings)
        self.forget()
        self.start_gateway()

    async def _next_inventory(self) -> dict[str, Any]:
        boot = self.gateway.snapshot().boot
        message = await self.subscriber.next(
            lambda message: message.topic.endswith("/inventory") and message.content["identity"]["boot"] == boot
        )
        content: dict[str, Any] = message.content
        self.newest[content["identity"]["tank"]] = content
        return content


@asynccontextmanager
async def running_site(
    scenario: str,
    folder: Path,
    record: Callable[[int], WireRecorder],
    overrides: Mapping[str, str] | None = None,
    *,
    patient: bool = False,
    keep: Open = nothing_kept,
) -> AsyncIterator[Site]:
    """The demo site of `config/demo` on free ports, played by a scenario of the simulators.

    `patient`: for a test that judges what was read and not how fast, no answer is too late.
    """
    async with AsyncExitStack() as stack:
        running = await stack.enter_async_context(
            simulators.serve(simulators.load_scenario(scenario), ports=dict.fromkeys(_lines(), 0))
        )
        recorders = {line: record(port) for line, (_, port) in running.addresses.items()}
        broker = stack.enter_context(Mosquitto(folder))
        subscriber = await stack.enter_async_context(Subscriber(broker.port))
        path = config_path("demo", "site.yaml")
        today = f"{datetime.now(UTC):%Y-%m-%dT%H:%MZ}"
        settings = load_site(
            path,
            {
                **dict.fromkeys(dated_entries(path), today),
                **{f"lines.{line}.address": f"127.0.0.1:{recorder.port}" for line, recorder in recorders.items()},
                "delivery.mqtt.address": f"127.0.0.1:{broker.port}",
                "web.address": f"127.0.0.1:{free_port()}",
                **(overrides or {}),
            },
        )
        # Its port is fixed, and its certificates would lie in the folder of the demo.
        others = tuple(plan for plan in settings.deliveries if not isinstance(plan, OpcuaPlan))
        settings = replace(settings, deliveries=others)
        if patient:
            settings = _patient(settings)
        site = Site(running, Daemon(settings, keep=keep), broker, recorders, subscriber, settings)
        site.start_gateway()
        try:
            yield site
        finally:
            await site.stop_gateway()


def _patient(settings: SiteSettings) -> SiteSettings:
    """Every instrument is waited for far longer than the simulators take on the busiest machine.

    The wait that is learned is never shorter than a quarter of the longest.
    """
    lines = tuple(
        replace(line, instruments=tuple(replace(each, timeout_s=_PATIENCE_S) for each in line.instruments))
        for line in settings.lines
    )
    return replace(settings, sources=lines)


def printed_rows() -> list[dict[str, str]]:
    """Rows of the golden file of the demo site's printed state."""
    with (_GOLDEN / "demo_site_printed_state.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def used_elements() -> dict[str, str]:
    """Tank -> one letter per element, lowest first: U used, - left out."""
    with (_GOLDEN / "demo_site_elements.csv").open(encoding="utf-8") as file:
        return {row["tank"]: row["used"] for row in csv.DictReader(line for line in file if not line.startswith("#"))}


def _lines() -> tuple[str, ...]:
    return ("bus-a", "yard-1", "yard-2", "power")
