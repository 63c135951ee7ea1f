"""The present state as registers for whoever reads Modbus TCP: a destination that is read, and goes out to nobody.

Monitoring only: nothing that comes in changes anything, and what goes out is not for control.
"""

import asyncio
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from importlib import import_module
from importlib.util import find_spec
from typing import TYPE_CHECKING

import structlog

from gateway.backoff import Backoff
from gateway.clock import SystemClock
from gateway.delivery.contract import Surroundings, Wants
from gateway.delivery.from_outbox import nothing_to_do
from gateway.delivery.holding import Holding
from gateway.delivery.registers.image import RegisterImage
from gateway.delivery.registers.plan import RegistersPlan
from gateway.status import ConnectedClient, DestinationStatus, Trouble
from gateway.tank_record import TankRecord

if TYPE_CHECKING:
    from gateway.delivery.registers.server import RegisterServer

__all__ = ["RegistersDelivery", "missing_part"]

MISSING_PART = "needs pymodbus, which is not installed: pip install 'tank-gateway[registers]'"
_CLOCK = SystemClock()
_LOOK_S = 1.0
_MOST_TOLD = 100
_TOLD_FOR_NS = 3_600_000_000_000
"""Who is turned away is told of once an hour for each address and reason, so that nobody can fill the log."""
_LOGGER = structlog.get_logger("gateway.delivery.registers")


def missing_part() -> str | None:
    """What is not installed that this kind of destination needs, in a sentence; None: nothing."""
    return MISSING_PART if find_spec("pymodbus") is None else None


class RegistersDelivery:
    """A `Destination` of live records. One that stands in the registers of a server that listens is delivered."""

    def __init__(
        self,
        plan: RegistersPlan,
        around: Surroundings,
        *,
        monotonic_ns: Callable[[], int] = _CLOCK.monotonic_ns,
    ) -> None:
        if missing_part() is None:
            # Takes a tenth of a second: where no loop waits for it at a start, and only where registers are served.
            import_module("gateway.delivery.registers.server")
        self._plan = plan
        self._around = around
        self._monotonic_ns = monotonic_ns
        self._image = RegisterImage(dict(plan.blocks), plan.order)
        self._backoff = Backoff(plan.backoff_first_s, plan.backoff_longest_s, around.random)
        self._server: RegisterServer | None = None
        self._waiting: set[str] = set()
        """Tanks whose sheet nobody could have read yet."""
        self._holding = Holding(around.snapshot)
        self._delivered = self._lost = 0
        self._trouble: Trouble | None = None
        self._told: dict[tuple[str, str], int] = {}
        self._heard_ns: int | None = None
        self._heard_s, self._factor = 0.0, 1.0
        """The site's time as it was last heard, and how many times as fast as the clock it passes."""
        self._log = _LOGGER.bind(destination=plan.name, address=f"{plan.host}:{plan.port}")

    @property
    def wants(self) -> Wants:
        return Wants(live=True)

    def offer(self, record: TankRecord) -> None:
        tank = record.identity.tank
        self._image.take(record, round(self._holding.made_s(record, self._monotonic_ns() / 1e9) * 1e9))
        if self._server is not None:
            self._delivered += 1
        elif tank in self._waiting:
            self._lost += 1
        else:
            self._waiting.add(tank)

    def finish(self, records: Sequence[TankRecord]) -> None:
        """Who reads on until the end reads that nobody watches."""
        for record in records:
            self._image.take(record, self._monotonic_ns())

    def status(self) -> DestinationStatus:
        troubles = () if self._trouble is None else (self._trouble,)
        return DestinationStatus(
            self._plan.name,
            self._server is not None,
            self._delivered,
            self._lost,
            len(self._waiting),
            None,
            troubles,
            clients=self._clients(),
        )

    def _clients(self) -> tuple[ConnectedClient, ...]:
        if self._server is None:
            return ()
        loop_s = self._server.loop.time()
        return tuple(
            ConnectedClient(each.address, self._site_time(loop_s - each.since_s), None, each.refused)
            for each in self._server.connections.values()
        )

    def _site_time(self, ago_s: float) -> datetime:
        """What it was so many seconds ago."""
        if self._heard_ns is None:
            self._hear()
        since_s = (self._monotonic_ns() - (self._heard_ns or 0)) / 1e9 - ago_s
        return datetime.fromtimestamp(max(self._heard_s + since_s * self._factor, 0.0), UTC)

    async def run(self) -> None:
        """Listen, for ever; ends only by cancellation."""
        lacking = missing_part()
        if lacking is not None:
            self._trouble = Trouble("destination_unusable", lacking)
            self._log.error("delivery.registers_unusable", reason=lacking)
            await nothing_to_do(self._around.came_round)
            return
        while True:
            self._around.came_round(0.0)
            began_ns = self._monotonic_ns()
            try:
                await self._serve()
            except OSError as exc:
                self._complain(exc)
            await asyncio.sleep(self._backoff.after((self._monotonic_ns() - began_ns) / 1e9))

    async def _serve(self) -> None:
        """Raises OSError where the address cannot be listened on."""
        from gateway.delivery.registers.server import Hooks, RegisterServer

        server = RegisterServer(self._plan, Hooks(self._read, self._tell, self._arrived))
        await server.begin()
        try:
            self._hear()
            self._server = server
            self._trouble = None
            self._delivered += len(self._waiting)
            self._waiting.clear()
            self._log.info("delivery.registers_served", tanks=len(self._plan.blocks))
            while True:
                self._around.came_round(_LOOK_S)
                await asyncio.sleep(_LOOK_S)
                server.sweep()
                if server.connections:
                    self._hear()
        finally:
            self._server = None
            server.end()

    def _read(self, address: int, count: int) -> bytes | None:
        return self._image.read(address, count, self._monotonic_ns())

    def _hear(self) -> None:
        # Before the state of all is asked for, which asks this destination too.
        self._heard_ns = self._monotonic_ns()
        site = self._around.snapshot()
        self._heard_s, self._factor = site.instant.timestamp(), site.time_factor
        self._image.hear(site, self._heard_ns)

    def _arrived(self) -> None:
        """Somebody who comes after a time without anybody gets what is, not what was."""
        if self._heard_ns is None or self._monotonic_ns() - self._heard_ns >= _LOOK_S * 1e9:
            self._hear()

    def _tell(self, host: str, what: str) -> None:
        now_ns = self._monotonic_ns()
        if now_ns - self._told.get((host, what), -_TOLD_FOR_NS) < _TOLD_FOR_NS:
            return
        if len(self._told) >= _MOST_TOLD:
            self._told = {key: told for key, told in self._told.items() if now_ns - told < _TOLD_FOR_NS}
        if len(self._told) < _MOST_TOLD:
            self._told[host, what] = now_ns
            self._log.warning("delivery.registers_client", client=host, reason=what)

    def _complain(self, exc: OSError) -> None:
        text = f"{self._plan.host}:{self._plan.port} cannot be listened on: {exc.strerror or exc}"
        if self._trouble is None or self._trouble.text != text:
            self._log.error("delivery.registers_not_served", reason=text)
        self._trouble = Trouble("destination_unusable", text)
