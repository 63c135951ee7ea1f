"""Live inventories and the gateway's state to an MQTT server: retained, QoS 1, newest per tank first.

Until the ledger comes an outage loses what it supersedes, and says how much. What the server refuses inside MQTT 3.1.1
cannot be seen: that protocol has no way to say it. MQTT 5 has, and a refused record counts as lost.
"""

import asyncio
import hashlib
import random as random_module
import time
from collections.abc import Callable, Sequence

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Wants
from gateway.delivery.live import LiveQueue
from gateway.delivery.mqtt_connection import Connection, ConnectionEndedError, Will
from gateway.delivery.mqtt_neighbours import Neighbours
from gateway.delivery.mqtt_others import EndedBy
from gateway.delivery.mqtt_secrets import password, tls_context
from gateway.delivery.plan import MqttPlan
from gateway.errors import DeliveryError
from gateway.payload.writer import StatusContext, heartbeat_json, inventory_json, status_json
from gateway.process.progress import CameRound, nobody_asks
from gateway.process.tasks import end
from gateway.status import DestinationStatus, GatewaySnapshot, Trouble
from gateway.tank_record import TankRecord
from gateway.validity import valid_for_s

__all__ = ["MqttDelivery"]

_GOODBYE_S = 5.0
"""Longest a clean stop goes on telling the server."""
_STATUS_GAP_S = 1.0
"""Shortest time between two status messages, whatever others say on our topics."""
_LOGGER = structlog.get_logger("gateway.delivery.mqtt")


class MqttDelivery:
    """A `Destination` of live records.

    `snapshot` gives the state that the status message tells; `random` spreads the reconnects of many gateways.
    """

    def __init__(
        self,
        plan: MqttPlan,
        site: str,
        boot: str,
        snapshot: Callable[[], GatewaySnapshot],
        *,
        random: random_module.Random,
        monotonic: Callable[[], float] = time.monotonic,
        came_round: CameRound = nobody_asks,
    ) -> None:
        self._plan = plan
        self._came_round = came_round
        self._snapshot = snapshot
        self._monotonic = monotonic
        # Letters and digits, at most 23 of them, is what every server must accept (MQTT 3.1.1 section 3.1.3.1).
        self._client_id = plan.client_id or f"tanks{_client_number(plan, boot)}"
        self._root = f"{plan.prefix}/{site}"
        self._status_topic = f"{self._root}/gateway/status"
        self._heartbeat_topic = f"{self._root}/gateway/heartbeat"
        self._status_holds_s = valid_for_s(plan.status_period_s)
        self._backoff = Backoff(plan.backoff_first_s, plan.backoff_longest_s, random)
        self._queue = LiveQueue()
        self._last_records: Sequence[TankRecord] = ()
        self._wake = asyncio.Event()
        self._held_up = False
        """Whether something waits for an acknowledgement, be it only for its room in the window."""
        self._newest: Connection | None = None
        self._connected = False
        self._connected_at_s: float | None = None
        """When this attempt's connection stood; None while it has not."""
        self._sent_s: dict[int, float] = {}
        """When each message in flight was sent, oldest first; status and sign of life among them."""
        self._status_due_s = self._status_sent_s = float("-inf")
        self._heartbeat_due = False
        self._complaint: str | None = None
        self._lost_told = 0
        """Why there is no connection, as last logged."""
        self._refused: dict[str, str] = {}
        """Tanks whose last record was not taken, and why, as last logged."""
        self._log = _LOGGER.bind(server=f"{plan.host}:{plan.port}")
        if plan.given_name is not None:
            self._log = self._log.bind(destination=plan.given_name)
        self._neighbours = Neighbours(plan, boot, client_id=self._client_id, root=self._root, log=self._log)

    @property
    def wants(self) -> Wants:
        return Wants(live=True)

    def offer(self, record: TankRecord) -> None:
        """Take a record in for delivery. Never waits and never fails; memory is one record a tank."""
        self._queue.offer(record, self._monotonic())
        self._wake.set()

    def finish(self, records: Sequence[TankRecord]) -> None:
        """What each tank is to say for good: delivered when `run` is cancelled, unless another gateway is online."""
        self._last_records = records

    def status(self) -> DestinationStatus:
        """How this destination does. Offered records are delivered, lost or waiting, never uncounted."""
        now_s = self._monotonic()
        return DestinationStatus(
            destination=self._plan.name,
            connected=self._connected,
            delivered=self._queue.delivered,
            lost=self._queue.lost,
            waiting=self._queue.waiting,
            oldest_waiting_s=self._queue.oldest_waiting_s(now_s),
            troubles=(*self._neighbours.troubles(now_s), *self._refusals()),
        )

    def _refusals(self) -> tuple[Trouble, ...]:
        """Connected, and yet nothing of some tanks arrives."""
        tanks = [subject for subject in self._refused if subject != self._status_topic]
        if not tanks:
            return ()
        others = f" and {len(tanks) - 1} more" if len(tanks) > 1 else ""
        text = f"the records of {tanks[0]}{others} are refused and lost: {self._refused[tanks[0]]}"
        return (Trouble("records_refused", text),)

    async def run(self) -> None:
        """Connect, deliver, connect again; ends only by cancellation, then says `offline` if it still can."""
        while True:
            by = EndedBy.OTHER
            self._came_round(0.0)
            try:
                await self._one_connection()
            except DeliveryError as exc:
                if isinstance(exc, ConnectionEndedError):
                    by = exc.by
                self._complain(str(exc), by)
            # Two that take the connection from each other must not do it at full speed.
            healthy_s = self._lasted_s() if not self._neighbours.id_is_shared else None
            await asyncio.sleep(self._backoff.after(healthy_s or 0.0))

    def _lasted_s(self) -> float | None:
        """Since when the connection of this attempt has stood."""
        return None if self._connected_at_s is None else self._monotonic() - self._connected_at_s

    async def _one_connection(self) -> None:
        """From dialling to the end of the connection. Raises DeliveryError when it cannot be made or breaks."""
        self._connected_at_s = None
        snapshot = self._snapshot()
        context = StatusContext(snapshot.instant, self._status_holds_s, self._neighbours.last_boot)
        connection = Connection(
            self._plan,
            client_id=self._client_id,
            password=await password(self._plan),
            tls_context=await tls_context(self._plan),
            will=Will(self._status_topic, status_json(snapshot, "connection_lost", context)),
            settled=self._settled,
            heard=self._heard,
            subscribed=self._neighbours.subscribed,
            wake=self._wake.set,
        )
        if self._newest is not None and self._newest.dialling:
            # Threads must not gather where a name server is silent for ever.
            raise DeliveryError("the try before is not over: is there a name server that answers?")
        self._newest = connection
        await connection.open()
        self._connected = True
        self._connected_at_s = self._status_due_s = self._monotonic()
        self._queue.repeat_newest()
        self._complaint = None
        if not self._neighbours.id_is_shared:
            lost = self._queue.lost
            # What was lost meanwhile is known only now, and a reader of warnings must hear of it.
            log = self._log.info if lost == self._lost_told else self._log.warning
            log(
                "delivery.mqtt_connected", lost_meanwhile=lost - self._lost_told, lost=lost, waiting=self._queue.waiting
            )
            self._lost_told = lost
        try:
            # First of all: what the boot before us left there is sent back before our own status takes its place.
            connection.subscribe(self._status_topic)
            await self._serve(connection, context)
        except asyncio.CancelledError:
            await self._shielded_goodbye(connection, context)
            raise
        finally:
            self._connected = False
            connection.abort()
            self._sent_s.clear()
            self._queue.disconnected()

    async def _serve(self, connection: Connection, context: StatusContext) -> None:
        while True:
            self._wake.clear()
            now_s = self._monotonic()
            self._check(connection, now_s)
            self._tell_status(connection, context, now_s)
            self._fill(connection, now_s)
            self._came_round(self._plan.status_period_s)
            due_s = self._status_due_s if self._has_room(connection) else float("inf")
            await self._woken(due_s)

    async def _woken(self, due_s: float) -> None:
        """Until something has happened, it is `due_s`, or what is in flight is overdue."""
        if self._sent_s:
            due_s = min(due_s, next(iter(self._sent_s.values())) + self._plan.timeout_s)
        try:
            async with asyncio.timeout(max(0.0, due_s - self._monotonic())):
                await self._wake.wait()
        except TimeoutError:
            return

    def _check(self, connection: Connection, now_s: float) -> None:
        """Raises DeliveryError when the connection has ended, or is as good as ended."""
        if connection.ended is not None:
            raise ConnectionEndedError(connection.ended)
        oldest_s = next(iter(self._sent_s.values()), None)
        if oldest_s is not None and now_s - oldest_s >= self._plan.timeout_s:
            raise DeliveryError(f"no acknowledgement within {self._plan.timeout_s:g} s")

    def _has_room(self, connection: Connection) -> bool:
        return len(self._sent_s) < min(self._plan.window, connection.receive_maximum)

    def _send(self, connection: Connection, topic: str, payload: bytes, now_s: float) -> int:
        number = connection.send(topic, payload)
        self._sent_s[number] = now_s
        return number

    def _tell_status(self, connection: Connection, context: StatusContext, now_s: float) -> None:
        """Status and sign of life, when they are due and there is room."""
        if now_s >= self._status_due_s and self._has_room(connection):
            self._neighbours.look_around(now_s, self._lasted_s() or 0.0)
            context = context._replace(last_boot=self._neighbours.last_boot)
            self._send(connection, self._status_topic, status_json(self._snapshot(), None, context), now_s)
            self._status_sent_s = now_s
            self._status_due_s = now_s + self._plan.status_period_s
            self._heartbeat_due = True
        if self._heartbeat_due and self._has_room(connection):
            self._send(connection, self._heartbeat_topic, heartbeat_json(self._snapshot(), context), now_s)
            self._heartbeat_due = False

    def _fill(self, connection: Connection, now_s: float) -> None:
        """Send records until none is left or the window is full."""
        while self._has_room(connection) and (entry := self._queue.take()) is not None:
            tank = entry.record.inventory.tank
            try:
                payload = inventory_json(entry.record)
            except DeliveryError as exc:
                self._queue.undeliverable(entry)
                self._refuse(tank, str(exc))
                continue
            try:
                number = self._send(connection, f"{self._root}/{tank}/inventory", payload, now_s)
            except DeliveryError:
                self._queue.put_back(entry)
                raise
            self._queue.sent(number, entry)
        self._held_up = not self._has_room(connection)

    def _settled(self, number: int, refusal: str | None) -> None:
        self._sent_s.pop(number, None)
        if not self._queue.holds(number):
            if refusal is not None:
                self._refuse(self._status_topic, refusal)
        elif refusal is None:
            entry = self._queue.acknowledged(number)
            self._refused.pop(entry.record.inventory.tank, None)
        else:
            entry = self._queue.refused(number)
            self._refuse(entry.record.inventory.tank, refusal)
        if self._held_up:
            self._wake.set()

    def _heard(self, payload: bytes, retained: bool) -> None:
        now_s = self._monotonic()
        if self._neighbours.heard(payload, retained, now_s):
            self._status_due_s = min(self._status_due_s, max(now_s, self._status_sent_s + _STATUS_GAP_S))
            self._wake.set()

    # The end

    async def _shielded_goodbye(self, connection: Connection, context: StatusContext) -> None:
        """Say `offline` and disconnect, in bounded time, though this task is being cancelled."""
        goodbye = asyncio.create_task(self._goodbye(connection, context), name="goodbye")
        try:
            # No asyncio.timeout: in a task that is being cancelled CPython 3.11.2 ends it in CancelledError.
            ended, _ = await asyncio.wait([goodbye], timeout=_GOODBYE_S)
            if not ended:
                raise DeliveryError(f"not all was told within {_GOODBYE_S:g} s")
            goodbye.result()
        except DeliveryError as exc:
            # No DISCONNECT was sent, so that the last will speaks for us.
            self._log.warning("delivery.mqtt_goodbye_failed", reason=str(exc))
        finally:
            await end([goodbye])

    async def _goodbye(self, connection: Connection, context: StatusContext) -> None:
        """The last record of every tank, when all are there `offline`, when that is there DISCONNECT."""
        other = self._neighbours.other(self._monotonic())
        if other is not None:
            self._log.warning("delivery.mqtt_left_to_other_gateway", other=other)
            await connection.close()
            return
        connection.unsubscribe(self._status_topic)
        for record in self._last_records:
            self.offer(record)
        said = False
        while True:
            self._wake.clear()
            now_s = self._monotonic()
            self._check(connection, now_s)
            self._fill(connection, now_s)
            if not self._sent_s:
                if said:
                    break
                context = context._replace(last_boot=self._neighbours.last_boot)
                self._send(connection, self._status_topic, status_json(self._snapshot(), "stopped", context), now_s)
                said = True
            self._held_up = True
            await self._woken(float("inf"))
        await connection.close()

    def _complain(self, reason: str, by: EndedBy) -> None:
        """Log the loss of a connection, and a failure to connect when its reason is new; not every attempt."""
        self._neighbours.connection_ended(by, self._lasted_s())
        if self._connected_at_s is not None:
            if self._neighbours.id_is_shared:
                return
            event = "delivery.mqtt_lost"
        elif reason != self._complaint:
            event = "delivery.mqtt_not_connected"
        else:
            return
        self._complaint = reason
        self._log.warning(event, reason=reason, lost=self._queue.lost, waiting=self._queue.waiting)

    def _refuse(self, subject: str, reason: str) -> None:
        if self._refused.get(subject) != reason:
            self._refused[subject] = reason
            self._log.error("delivery.record_refused", subject=subject, reason=reason, lost=self._queue.lost)


def _client_number(plan: MqttPlan, boot: str) -> str:
    """18 hexadecimal digits: begun like the boot, or of one that has a name such that no other of this boot has them,
    since two of them may lead to one server."""
    if plan.given_name is None:
        return boot[:18]
    return hashlib.blake2s(f"{boot} {plan.given_name}".encode()).hexdigest()[:18]
