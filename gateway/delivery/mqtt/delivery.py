"""Live inventories and the gateway's state to an MQTT server: retained, QoS 1, newest per tank first; history behind.

Without history an outage loses what it supersedes, and says how much. What the server refuses inside MQTT 3.1.1 cannot
be seen: that protocol has no way to say it. MQTT 5 has, and a refused live record is not sent again.
"""

import asyncio
import random as random_module
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager, nullcontext, suppress

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Outbox, Wants
from gateway.delivery.live import Entry, LiveQueue
from gateway.delivery.mqtt.alarm_topics import AlarmTopics, Due
from gateway.delivery.mqtt.conversation import Conversation
from gateway.delivery.mqtt.goodbye import said_in_time
from gateway.delivery.mqtt.history import MqttHistory
from gateway.delivery.mqtt.made_once import inventory_message
from gateway.delivery.mqtt.neighbours import Neighbours, client_id_of
from gateway.delivery.mqtt.refusals import Refusals
from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import ConnectionEndedError, EndedBy, Heard, Refusal, Will
from gateway.delivery.plan import MqttPlan
from gateway.delivery.secrets import password, tls_context
from gateway.errors import DeliveryError
from gateway.payload.alarms import ALARM_SCHEMA
from gateway.payload.writer import (
    HEARTBEAT_SCHEMA,
    INVENTORY_SCHEMA,
    STATUS_SCHEMA,
    StatusContext,
    heartbeat_json,
    status_json,
)
from gateway.process.progress import CameRound, nobody_asks
from gateway.status import DestinationStatus, GatewaySnapshot, Trouble
from gateway.tank_record import TankRecord
from gateway.validity import valid_for_s

__all__ = ["MqttDelivery"]

_ALARMS_S = 0.1
"""After an event, how long others may come that are told of with it."""
_STATUS_GAP_S = 1.0
"""Shortest time between two status messages, whatever others say on our topics."""
_LIVE_IN_A_ROW = 8
"""Then history has a turn: it must not stand still where live records take all that there is."""
_LOGGER = structlog.get_logger("gateway.delivery.mqtt")


class MqttDelivery:
    """A `Destination` of live records, and of history where there is an `outbox`.

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
        outbox: Outbox | None = None,
    ) -> None:
        self._plan = plan
        self._boot = boot
        self._came_round = came_round
        self._snapshot = snapshot
        self._monotonic = monotonic
        self._client_id = client_id_of(plan, boot)
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
        self._talk: Conversation | None = None
        """Of the newest connection that stood."""
        self._status_due_s = self._status_sent_s = float("-inf")
        self._heartbeat_due = False
        self._alarms_due_s = float("inf")
        self._complaint: str | None = None
        """Why there is no connection, as last logged."""
        self._lost_told = 0
        self._alarms = AlarmTopics(self._root, snapshot, plan.status_period_s)
        self._alarm_topics: dict[int, str] = {}
        """By number of what is in flight."""
        self._log = _LOGGER.bind(server=f"{plan.host}:{plan.port}")
        if plan.given_name is not None:
            self._log = self._log.bind(destination=plan.given_name)
        self._neighbours = Neighbours(plan, boot, client_id=self._client_id, root=self._root, log=self._log)
        self._refused = Refusals(self._log)
        self._history: MqttHistory | None = None
        if outbox is not None:
            self._history = MqttHistory(
                outbox, plan, root=self._root, random=random, wake=self._wake.set, log=self._log
            )
        self._live_in_a_row = 0

    @property
    def wants(self) -> Wants:
        kept = self._history is not None
        return Wants(live=True, history=kept, events=kept)

    def offer(self, record: TankRecord) -> None:
        """Take a record in for delivery. Never waits and never fails; memory is one record a tank."""
        self._queue.offer(record, self._monotonic())
        if record.events:
            # All of them are looked through: not for each record of a flood.
            self._alarms_due_s = min(self._alarms_due_s, self._monotonic() + _ALARMS_S)
        self._wake.set()

    def finish(self, records: Sequence[TankRecord]) -> None:
        """What each tank is to say for good: delivered when `run` is cancelled, unless another gateway is online."""
        self._last_records = records

    def status(self) -> DestinationStatus:
        """How this destination does. What was offered is delivered, lost or dropped, or waiting: never uncounted."""
        now_s = self._monotonic()
        queue = self._queue
        history = None if self._history is None else self._history.backlog()
        return DestinationStatus(
            destination=self._plan.name,
            connected=self._connected,
            delivered=queue.delivered,
            lost=queue.lost if history is None else 0,
            waiting=queue.waiting,
            oldest_waiting_s=queue.oldest_waiting_s(now_s),
            troubles=(*self._neighbours.troubles(now_s), *self._refusals()),
            history=history,
            dropped=0 if history is None else queue.lost,
        )

    def _counts(self) -> tuple[int, int]:
        """What is lost and what waits: of history where there is any, else of live records."""
        if self._history is None:
            return self._queue.lost, self._queue.waiting
        backlog = self._history.backlog()
        return backlog.lost, backlog.waiting

    def _refusals(self) -> tuple[Trouble, ...]:
        """Connected, and yet nothing of some tanks arrives."""
        found = [*self._refused.texts, *([] if self._history is None else self._history.troubles())]
        return (Trouble("records_refused", "; ".join(found)),) if found else ()

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
        """For how long this attempt's connection has stood."""
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
        talk = self._talk = Conversation(connection, self._plan)
        self._connected = True
        self._connected_at_s = self._status_due_s = self._monotonic()
        self._queue.repeat_newest()
        self._alarms.connected()
        self._alarm_topics.clear()
        self._complaint = None
        if not self._neighbours.id_is_shared:
            lost, waiting = self._counts()
            # What was lost meanwhile is known only now, and a reader of warnings must hear of it.
            log = self._log.info if lost == self._lost_told else self._log.warning
            log("delivery.mqtt_connected", lost_meanwhile=lost - self._lost_told, lost=lost, waiting=waiting)
            self._lost_told = lost
        try:
            async with self._history_over(talk, snapshot):
                await self._serve_until_told(talk, context)
        finally:
            self._connected = False
            connection.abort()
            self._queue.disconnected()

    def _history_over(self, talk: Conversation, snapshot: GatewaySnapshot) -> AbstractAsyncContextManager[None]:
        if self._history is None:
            return nullcontext()
        return self._history.connected(talk.window, simulated=snapshot.simulated)

    async def _serve_until_told(self, talk: Conversation, context: StatusContext) -> None:
        try:
            # First of all: what the boot before us left there is sent back before our own status takes its place.
            talk.connection.subscribe(self._status_topic)
            await self._serve(talk, context)
        except asyncio.CancelledError:
            await said_in_time(self._goodbye(talk, context), self._log)
            raise

    async def _serve(self, talk: Conversation, context: StatusContext) -> None:
        while True:
            self._wake.clear()
            now_s = self._monotonic()
            talk.check(now_s)
            self._tell_status(talk, context, now_s)
            self._fill(talk, now_s, self._history)
            self._came_round(self._plan.status_period_s)
            due_s = min(self._status_due_s, self._alarms_due_s) if self._has_room(talk) else float("inf")
            await self._woken(talk, due_s if self._history is None else min(due_s, self._history.retry_s))

    async def _woken(self, talk: Conversation, due_s: float) -> None:
        """Until something has happened, it is `due_s`, or what is in flight is overdue."""
        with suppress(TimeoutError):
            async with asyncio.timeout(max(0.0, min(due_s, talk.overdue_s) - self._monotonic())):
                await self._wake.wait()

    def _has_room(self, talk: Conversation) -> bool:
        return talk.has_room and not (self._history is not None and self._history.alone_in_flight)

    def _tell_status(self, talk: Conversation, context: StatusContext, now_s: float) -> None:
        """Status and sign of life, when they are due and there is room."""
        if now_s >= self._status_due_s and self._has_room(talk):
            self._neighbours.look_around(now_s, self._lasted_s() or 0.0)
            context = context._replace(last_boot=self._neighbours.last_boot)
            payload = status_json(self._snapshot(), None, context)
            talk.say(self._status_topic, payload, now_s, schema=STATUS_SCHEMA, boot=self._boot)
            self._status_sent_s = now_s
            self._status_due_s = now_s + self._plan.status_period_s
            self._heartbeat_due = True
            self._alarms_due_s = now_s
        if self._heartbeat_due and self._has_room(talk):
            payload = heartbeat_json(self._snapshot(), context)
            talk.say(self._heartbeat_topic, payload, now_s, schema=HEARTBEAT_SCHEMA, boot=self._boot)
            self._heartbeat_due = False

    def _fill(self, talk: Conversation, now_s: float, history: MqttHistory | None) -> None:
        """Send until nothing is left or the window is full: live records first, history in the room they leave."""
        if now_s >= self._alarms_due_s:
            self._alarms.look()
            self._alarms_due_s = float("inf")
        while self._has_room(talk):
            if self._send_alarm(talk, self._alarms.urgent(), now_s):
                continue
            live = self._queue.take() if self._live_in_a_row < _LIVE_IN_A_ROW or history is None else None
            if live is not None:
                self._live_in_a_row += 1
                self._send_live(talk, live, now_s)
                continue
            # What is normal takes half of the window at most: a live record that comes waits for none of it.
            is_free = not self._queue.ready and 2 * talk.in_flight < talk.window
            if self._send_alarm(talk, self._alarms.rest() if is_free else None, now_s):
                continue
            if history is None or (history.next_is_alone and talk.in_flight):
                break
            turn_of_live = self._live_in_a_row >= _LIVE_IN_A_ROW and self._queue.ready
            self._live_in_a_row = 0
            if not history.send_next(talk, now_s) and not turn_of_live:
                break
        if self._history is not None:
            self._history.look()
        alone = history is not None and history.next_is_alone
        self._held_up = not self._has_room(talk) or alone or self._alarms.waits

    def _send_live(self, talk: Conversation, entry: Entry, now_s: float) -> None:
        identity = entry.record.identity
        topic = f"{self._root}/{identity.tank}/inventory"
        try:
            number = talk.say(
                topic,
                inventory_message(entry.record),
                now_s,
                schema=INVENTORY_SCHEMA,
                boot=identity.boot,
                sequence=identity.sequence,
            )
        except ConnectionEndedError:
            self._queue.put_back(entry)
            raise
        except DeliveryError as exc:
            # No JSON can carry it, or the server takes none as large.
            self._queue.undeliverable(entry)
            self._refused.of_tank(identity.tank, str(exc), self._queue.lost)
        else:
            self._queue.sent(number, entry)

    def _send_alarm(self, talk: Conversation, due: Due | None, now_s: float) -> bool:
        """Whether there was one. One that does not arrive is told anew after the next connect."""
        if due is not None:
            number = talk.say(due.topic, due.payload, now_s, schema=ALARM_SCHEMA, boot=self._boot)
            self._alarm_topics[number] = due.topic
        return due is not None

    def _settled(self, number: int, refusal: Refusal | None) -> None:
        if self._talk is not None:
            self._talk.answered(number)
        if self._history is not None and self._history.holds(number):
            self._history.settled(number, refusal, self._monotonic())
        elif not self._queue.holds(number):
            topic = self._alarm_topics.pop(number, self._status_topic)
            if refusal is not None:
                self._refused.of_topic(topic, refusal.text, self._queue.lost)
        elif refusal is None:
            entry = self._queue.acknowledged(number)
            self._refused.taken(entry.record.inventory.tank)
        else:
            entry = self._queue.refused(number)
            self._refused.of_tank(entry.record.inventory.tank, refusal.text, self._queue.lost)
        if self._held_up:
            self._wake.set()

    def _heard(self, heard: Heard) -> None:
        now_s = self._monotonic()
        if self._neighbours.heard(heard.payload, heard.retained, now_s):
            self._status_due_s = min(self._status_due_s, max(now_s, self._status_sent_s + _STATUS_GAP_S))
            self._wake.set()

    # The end

    async def _goodbye(self, talk: Conversation, context: StatusContext) -> None:
        """The last record of every tank, when all are there `offline`, when that is there DISCONNECT.

        Of history no more is sent: a long backlog would take for ever, and it is kept for the next start.
        """
        other = self._neighbours.other(self._monotonic())
        if other is not None:
            self._log.warning("delivery.mqtt_left_to_other_gateway", other=other)
            await talk.connection.close()
            return
        talk.connection.unsubscribe(self._status_topic)
        for record in self._last_records:
            self.offer(record)
        said = False
        while True:
            self._wake.clear()
            now_s = self._monotonic()
            talk.check(now_s)
            self._fill(talk, now_s, None)
            if not talk.in_flight:
                if said:
                    break
                context = context._replace(last_boot=self._neighbours.last_boot)
                payload = status_json(self._snapshot(), "stopped", context)
                talk.say(self._status_topic, payload, now_s, schema=STATUS_SCHEMA, boot=self._boot)
                said = True
            self._held_up = True
            await self._woken(talk, float("inf"))
        await talk.connection.close()

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
        lost, waiting = self._counts()
        self._log.warning(event, reason=reason, lost=lost, waiting=waiting)
