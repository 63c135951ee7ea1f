"""Live inventories and the gateway's state to an MQTT server: retained, QoS 1, newest per tank first.

Until the ledger comes an outage loses what it supersedes, and says how much. What the server refuses inside MQTT 3.1.1
cannot be seen: that protocol has no way to say it. MQTT 5 has, and a refused record counts as lost.
"""

import asyncio
import random as random_module
import time
from collections.abc import Callable

import aiomqtt
import structlog

from gateway.delivery.live import LiveQueue
from gateway.delivery.mqtt_connection import Connection
from gateway.delivery.mqtt_secrets import password, tls_context
from gateway.delivery.payload import inventory_json, status_json
from gateway.delivery.plan import MqttPlan
from gateway.errors import DeliveryError
from gateway.records import InventoryRecord
from gateway.status import DestinationStatus, GatewaySnapshot
from gateway.tasks import end

__all__ = ["MqttDelivery"]

_GOODBYE_S = 3.0
"""Longest a clean stop waits for the server."""
_LOGGER = structlog.get_logger("gateway.delivery.mqtt")


class MqttDelivery:
    """One destination. `offer` takes records in at any time; `run` delivers them, for ever.

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
    ) -> None:
        self._plan = plan
        self._snapshot = snapshot
        self._random = random
        self._monotonic = monotonic
        # Letters and digits, at most 23 of them, is what every server must accept (MQTT 3.1.1 section 3.1.3.1).
        self._client_id = plan.client_id or f"tanks{boot[:18]}"
        self._root = f"{plan.prefix}/{site}"
        self._status_topic = f"{self._root}/gateway/status"
        self._queue = LiveQueue()
        self._wake = asyncio.Event()
        self._held_up = False
        """Whether something waits for an acknowledgement, be it only for its room in the window."""
        self._connected = False
        self._connected_at_s: float | None = None
        """When this attempt's connection stood; None while it has not."""
        self._sent_s: dict[int, float] = {}
        """When each message in flight was sent, oldest first; the status message among them."""
        self._status_due_s = 0.0
        self._complaint: str | None = None
        """Why there is no connection, as last logged."""
        self._refused: dict[str, str] = {}
        """Tanks whose last record was not taken, and why, as last logged."""
        self._log = _LOGGER.bind(server=f"{plan.host}:{plan.port}")

    def offer(self, record: InventoryRecord) -> None:
        """Take a record in for delivery. Never waits and never fails; memory is one record a tank."""
        self._queue.offer(record, self._monotonic())
        self._wake.set()

    def status(self) -> DestinationStatus:
        """How this destination does. Offered records are delivered, lost or waiting, never uncounted."""
        return DestinationStatus(
            destination=f"mqtt:{self._plan.host}:{self._plan.port}",
            connected=self._connected,
            delivered=self._queue.delivered,
            lost=self._queue.lost,
            waiting=self._queue.waiting,
            oldest_waiting_s=self._queue.oldest_waiting_s(self._monotonic()),
        )

    async def run(self) -> None:
        """Connect, deliver, connect again; ends only by cancellation, then says `offline` if it still can."""
        failures = 0
        while True:
            try:
                await self._one_connection()
            except DeliveryError as exc:
                self._complain(str(exc))
            # A server that drops every connection right away must not be dialled at full speed.
            if self._lived_s() > 10 * self._plan.backoff_first_s:
                failures = 0
            await asyncio.sleep(self._backoff_s(failures))
            failures += 1

    def _lived_s(self) -> float:
        return 0.0 if self._connected_at_s is None else self._monotonic() - self._connected_at_s

    def _backoff_s(self, failures: int) -> float:
        longest_s = min(self._plan.backoff_longest_s, self._plan.backoff_first_s * 2.0 ** min(failures, 30))
        return longest_s * self._random.uniform(0.5, 1.0)

    async def _one_connection(self) -> None:
        """From dialling to the end of the connection. Raises DeliveryError when it cannot be made or breaks."""
        self._connected_at_s = None
        connection = Connection(
            self._plan,
            client_id=self._client_id,
            password=await password(self._plan),
            tls_context=await tls_context(self._plan),
            will=aiomqtt.Will(
                self._status_topic, status_json(self._snapshot(), "offline", "connection_lost"), qos=1, retain=True
            ),
            settled=self._settled,
            wake=self._wake.set,
        )
        await connection.open()
        self._connected = True
        self._connected_at_s = self._status_due_s = self._monotonic()
        self._queue.repeat_newest()
        self._complaint = None
        self._log.info("delivery.mqtt_connected", lost=self._queue.lost, waiting=self._queue.waiting)
        try:
            await self._serve(connection)
        except asyncio.CancelledError:
            await self._shielded_goodbye(connection)
            raise
        finally:
            self._connected = False
            connection.abort()
            self._sent_s.clear()
            self._queue.disconnected()

    async def _serve(self, connection: Connection) -> None:
        window = min(self._plan.window, connection.receive_maximum)
        while True:
            self._wake.clear()
            if (reason := connection.ended) is not None:
                raise DeliveryError(reason)
            now_s = self._monotonic()
            oldest_s = next(iter(self._sent_s.values()), None)
            if oldest_s is not None and now_s - oldest_s >= self._plan.timeout_s:
                raise DeliveryError(f"no acknowledgement within {self._plan.timeout_s:g} s")
            self._fill(connection, window, now_s)
            next_s = self._status_due_s if len(self._sent_s) < window else float("inf")
            if self._sent_s:
                next_s = min(next_s, next(iter(self._sent_s.values())) + self._plan.timeout_s)
            try:
                async with asyncio.timeout(max(0.0, next_s - self._monotonic())):
                    await self._wake.wait()
            except TimeoutError:
                continue

    def _fill(self, connection: Connection, window: int, now_s: float) -> None:
        """Send until nothing is left or the window is full; the status first when it is due."""
        if now_s >= self._status_due_s and len(self._sent_s) < window:
            number = connection.send(self._status_topic, status_json(self._snapshot(), "online"))
            self._sent_s[number] = now_s
            self._status_due_s = now_s + self._plan.status_period_s
        while len(self._sent_s) < window and (entry := self._queue.take()) is not None:
            tank = entry.record.inventory.tank
            try:
                payload = inventory_json(entry.record)
            except DeliveryError as exc:
                self._queue.undeliverable(entry)
                self._refuse(tank, str(exc))
                continue
            try:
                number = connection.send(f"{self._root}/{tank}/inventory", payload)
            except DeliveryError:
                self._queue.put_back(entry)
                raise
            self._queue.sent(number, entry)
            self._sent_s[number] = now_s
        self._held_up = len(self._sent_s) >= window

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

    async def _shielded_goodbye(self, connection: Connection) -> None:
        """Say `offline` and disconnect, in bounded time, though this task is being cancelled."""
        goodbye = asyncio.create_task(self._goodbye(connection), name="goodbye")
        try:
            # No asyncio.timeout: in a task that is being cancelled CPython 3.11.2 ends it in CancelledError.
            ended, _ = await asyncio.wait([goodbye], timeout=min(_GOODBYE_S, self._plan.timeout_s))
            if not ended:
                raise DeliveryError("no answer in time")
            goodbye.result()
        except DeliveryError as exc:
            # No DISCONNECT was sent, so that the last will speaks for us.
            self._log.warning("delivery.mqtt_goodbye_failed", reason=str(exc))
        finally:
            await end([goodbye])

    async def _goodbye(self, connection: Connection) -> None:
        window = min(self._plan.window, connection.receive_maximum)
        offline: int | None = None
        self._held_up = True
        while offline is None or offline in self._sent_s:
            self._wake.clear()
            if (reason := connection.ended) is not None:
                raise DeliveryError(reason)
            if offline is None and len(self._sent_s) < window:
                offline = connection.send(self._status_topic, status_json(self._snapshot(), "offline", "stopped"))
                self._sent_s[offline] = self._monotonic()
            await self._wake.wait()
        await connection.close()

    def _complain(self, reason: str) -> None:
        """Log the loss of a connection, and a failure to connect when its reason is new; not every attempt."""
        if self._connected_at_s is not None:
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
