"""History and events to a PostgreSQL database, each entry at least once and one row of it: no live records.

What the database has committed leaves the outbox; whatever happens before is sent again, and what is there already
stays as it is. A row that it refuses for what is in it is given up, counted and said: it does not hold up the rest.
"""

import asyncio
import time
from collections.abc import Callable, Sequence
from importlib.util import find_spec

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Outbox, Surroundings, Wants
from gateway.delivery.faults import DeliveryFault
from gateway.delivery.from_outbox import nothing_to_do, status_from_outbox
from gateway.delivery.postgresql.faults import MISSING_PART, FaultKind, PostgresqlFault
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.delivery.secrets import password, tls_context
from gateway.delivery.server_name import ServerName
from gateway.errors import DeliveryError
from gateway.history import Entry, KeptRecord
from gateway.process.tasks import end
from gateway.status import DestinationStatus, Trouble
from gateway.tank_record import TankRecord

if find_spec("asyncpg") is not None:
    from gateway.delivery.postgresql.connection import Connection
    from gateway.delivery.postgresql.schema import Months, prepare_schema
    from gateway.delivery.postgresql.transfer import Refusal, Transfer

__all__ = ["PostgresqlDelivery", "missing_part"]

_LOOK_S = 1.0
"""How often a connection is looked at while nothing is to be sent."""
_ASK_S = 30.0
"""How often the server is asked whether it is still there."""
_AHEAD_S = 3600.0
"""How often the tables of the months are seen to."""
_GOODBYE_S = 3.0
_MOST_TOLD = 100
"""Reasons in the log: after so many it is no longer read."""
_NO_LEDGER = "nothing is kept here, so that there is no history to deliver"
_LOGGER = structlog.get_logger("gateway.delivery.postgresql")


def missing_part() -> str | None:
    """What is not installed that this kind of destination needs, in a sentence; None: nothing."""
    return MISSING_PART if find_spec("asyncpg") is None else None


class PostgresqlDelivery:
    """A `Destination` of history and events."""

    def __init__(
        self, plan: PostgresqlPlan, around: Surroundings, *, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._plan = plan
        self._around = around
        self._monotonic = monotonic
        self._backoff = Backoff(plan.backoff_first_s, plan.backoff_longest_s, around.random)
        self._name = ServerName(plan.host, plan.port)
        self._connected = False
        self._connected_s = self._well_s = 0.0
        """When this attempt's connection stood, and when the server last did what it was asked."""
        self._trouble: Trouble | None = None
        self._not_ahead: Trouble | None = None
        """What goes on now and will not next month."""
        self._complaints: set[str] = set()
        """Why nothing arrives, as logged since it last did."""
        self._well_told = False
        self._refused = 0
        self._refusal: str | None = None
        """What was refused last, and why."""
        self._refusals_told: set[str] = set()
        self._log = _LOGGER.bind(server=f"{plan.host}:{plan.port}", database=plan.database)
        if plan.given_name is not None:
            self._log = self._log.bind(destination=plan.given_name)

    @property
    def wants(self) -> Wants:
        return Wants(live=False, history=True, events=True)

    def offer(self, record: TankRecord) -> None:
        """Live records are not for a database."""

    def finish(self, records: Sequence[TankRecord]) -> None:
        """What has not arrived is kept, and sent after the next start."""

    def status(self) -> DestinationStatus:
        return status_from_outbox(self._plan.name, self._connected, self._troubles(), self._around.outbox)

    def _troubles(self) -> tuple[Trouble, ...]:
        told = self._trouble or self._not_ahead
        troubles = [] if told is None else [told]
        if self._refusal is not None:
            text = f"{self._refused} entries of history are refused and lost there; the last: {self._refusal}"
            troubles.append(Trouble("records_refused", text))
        return tuple(troubles)

    async def run(self) -> None:
        """Connect, deliver, connect again; ends only by cancellation."""
        lacking = missing_part() or (_NO_LEDGER if self._around.outbox is None else None)
        if lacking is not None or self._around.outbox is None:
            await self._be_of_no_use(lacking or _NO_LEDGER)
            return
        while True:
            self._around.came_round(0.0)
            self._connected_s = self._well_s = self._monotonic()
            try:
                await self._one_connection(self._around.outbox)
            except DeliveryError as exc:
                self._complain(exc)
            await asyncio.sleep(self._backoff.after(self._well_s - self._connected_s))

    async def _be_of_no_use(self, why: str) -> None:
        self._trouble = Trouble("destination_unusable", why)
        self._log.error("delivery.postgresql_unusable", reason=why)
        await nothing_to_do(self._around.came_round)

    async def _one_connection(self, outbox: Outbox) -> None:
        """From dialling to the end of the connection. Raises DeliveryError when it cannot be made or breaks."""
        await self._name.is_known(self._plan.timeout_s)
        connection = await Connection.open(self._plan, await password(self._plan), await tls_context(self._plan))
        try:
            self._around.came_round(0.0)
            await prepare_schema(connection, self._plan.schema_name)
            self._around.came_round(0.0)
            await self._introduce(connection)
            months = Months(connection, self._plan.schema_name)
            await months.look()
            await self._make_ahead(months)
            transfer = Transfer(connection, months, lambda: self._around.came_round(0.0))
            await transfer.prepare()
            self._connected = True
            self._connected_s = self._well_s = self._monotonic()
            if not outbox.ready():
                self._goes_well()
            await self._serve(connection, months, transfer, outbox)
        except asyncio.CancelledError:
            if not connection.in_transaction:
                await _close(connection)
            raise
        finally:
            self._connected = False
            connection.abort()
            outbox.rewind()

    async def _introduce(self, connection: "Connection") -> None:
        """Tell the views in which time zone the days of this site are."""
        zone: str | None = self._around.snapshot().time_zone
        try:
            await connection.rows("SELECT now() AT TIME ZONE $1", zone)
        except PostgresqlFault as fault:
            if fault.kind is not FaultKind.ENTRY:
                raise
            self._log.warning("delivery.postgresql_time_zone_unknown", time_zone=zone)
            zone = None
        await connection.rows(
            "INSERT INTO sites (site, time_zone) VALUES ($1, $2) ON CONFLICT (site)"
            " DO UPDATE SET time_zone = excluded.time_zone WHERE sites.time_zone IS DISTINCT FROM excluded.time_zone",
            self._around.site,
            zone,
        )

    async def _serve(self, connection: "Connection", months: "Months", transfer: "Transfer", outbox: Outbox) -> None:
        asked_s = ahead_s = self._monotonic()
        while True:
            self._around.came_round(_LOOK_S)
            entries = await self._next(outbox)
            if entries:
                refused = await transfer.write(entries)
                outbox.delivered(entries[-1].position, [each.entry.position for each in refused])
                for refusal in refused:
                    self._give_up(refusal)
                self._goes_well()
                asked_s = self._well_s
            elif connection.has_ended:
                raise PostgresqlFault(FaultKind.PASSING, "server closed the connection")
            elif self._monotonic() - asked_s >= _ASK_S:
                await connection.rows("SELECT 1")
                self._goes_well()
                asked_s = self._well_s
            if self._monotonic() - ahead_s >= _AHEAD_S:
                await self._make_ahead(months)
                ahead_s = self._monotonic()

    async def _make_ahead(self, months: "Months") -> None:
        why = await months.make_ahead(self._around.snapshot().instant)
        self._not_ahead = None if why is None else Trouble("destination_refuses", why)

    async def _next(self, outbox: Outbox) -> list[Entry]:
        """A batch: full, or what there is after a moment; empty where nothing has come for a while."""
        try:
            async with asyncio.timeout(_LOOK_S):
                entries = list(await outbox.take(self._plan.batch))
        except TimeoutError:
            return []
        if len(entries) < self._plan.batch and not outbox.ready():
            await asyncio.sleep(self._plan.gather_s)
        while len(entries) < self._plan.batch and outbox.ready():
            entries += await outbox.take(self._plan.batch - len(entries))
        return entries

    def _goes_well(self) -> None:
        self._well_s = self._monotonic()
        self._trouble = None
        if self._complaints or not self._well_told:
            self._complaints.clear()
            self._well_told = True
            self._log.info("delivery.postgresql_connected")

    def _complain(self, exc: DeliveryError) -> None:
        """In the log once for each reason."""
        text = str(exc)
        # A password file that cannot be read is for a person too.
        if not isinstance(exc, DeliveryFault) or exc.kind is not FaultKind.PASSING:
            self._trouble = Trouble("destination_refuses", text)
        else:
            self._trouble = None
        if text not in self._complaints and len(self._complaints) < _MOST_TOLD:
            self._complaints.add(text)
            self._log.warning("delivery.postgresql_not_delivering", reason=text)

    def _give_up(self, refusal: "Refusal") -> None:
        entry = refusal.entry
        identity = entry.record.identity if isinstance(entry, KeptRecord) else entry.identity
        self._refused += 1
        self._refusal = f"{identity.tank or 'the gateway'} {identity.boot} {identity.sequence}: {refusal.why}"
        if refusal.why in self._refusals_told or len(self._refusals_told) >= _MOST_TOLD:
            return
        self._refusals_told.add(refusal.why)
        self._log.error(
            "delivery.postgresql_entry_refused",
            tank=identity.tank,
            boot=identity.boot,
            sequence=identity.sequence,
            position=entry.position,
            reason=refusal.why,
        )


async def _close(connection: "Connection") -> None:
    """In good order and in bounded time, though this task is being cancelled."""
    closing = asyncio.create_task(connection.close(), name="goodbye")
    try:
        # No asyncio.timeout: in a task that is being cancelled CPython 3.11.2 ends it in CancelledError.
        await asyncio.wait([closing], timeout=_GOODBYE_S)
    finally:
        await end([closing])
