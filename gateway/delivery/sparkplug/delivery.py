"""An edge node of Sparkplug B 3.0: live sheets, events and history to hosts behind MQTT servers, one at a time.

Data go by QoS 0, as the specification has it: what was sent since the last ping that was answered is sent again on the
next connection, flagged as history. Nothing that a host asks is obeyed but that all be born again.
"""

import asyncio
import hashlib
import random as random_module
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime
from importlib import import_module
from typing import TYPE_CHECKING

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Surroundings, Wants
from gateway.delivery.from_outbox import nothing_to_do
from gateway.delivery.holding import Holding, steady_s
from gateway.delivery.mqtt.goodbye import said_in_time
from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import ConnectionEndedError, Heard, Refusal, Will
from gateway.delivery.secrets import password, tls_context
from gateway.delivery.sparkplug.aliases import Aliases
from gateway.delivery.sparkplug.datatypes import BDSEQ_MODULO
from gateway.delivery.sparkplug.host import PrimaryHost
from gateway.delivery.sparkplug.names import Topics
from gateway.delivery.sparkplug.plan import SparkplugPlan, missing_part
from gateway.delivery.sparkplug.servers import Servers
from gateway.delivery.sparkplug.tanks import Tanks
from gateway.errors import DeliveryError
from gateway.process.tasks import end
from gateway.status import ConnectedClient, DestinationStatus, Trouble
from gateway.tank_record import TankRecord

if TYPE_CHECKING:
    from gateway.delivery.sparkplug.talk import Talk

__all__ = ["SparkplugDelivery"]

_TAKEN = 100
"""Entries of history taken at once."""
_NUMBER_S = 5.0
"""How long the ledger may take to count one further."""
_OTHER_S = 60.0
"""How long another node of our name is spoken of after it was born."""
_GATHER_S = 0.02
"""What comes in so short a time is told together: lines poll at moments that they have in common, and at such a moment
others have more urgent things to do."""
_LOGGER = structlog.get_logger("gateway.delivery.sparkplug")


class _HostAwayError(DeliveryError):
    """The primary host is not at this server."""


class SparkplugDelivery:
    """A `Destination` of live records, and of history where there is an outbox."""

    def __init__(self, plan: SparkplugPlan, around: Surroundings, *, monotonic: Callable[[], float] = steady_s) -> None:
        self._plan = plan
        self._around = around
        self._monotonic = monotonic
        self._random: random_module.Random = around.random
        self._topics = Topics(plan.group, plan.node, plan.primary_host)
        self._servers = Servers(
            len(plan.addresses), Backoff(plan.backoff_first_s, plan.backoff_longest_s, around.random)
        )
        self._tanks = Tanks()
        self._holding = Holding(around.snapshot)
        self._wake = asyncio.Event()
        self._aliases = Aliases()
        if missing_part() is None:
            # Takes a tenth of a second: where no loop waits for it at a start, and only where there is such a node.
            import_module("gateway.delivery.sparkplug.talk")
        self._bdseq = -1
        """Given last."""
        self._newest: Connection | None = None
        self._talk: Talk | None = None
        self._host = PrimaryHost()
        self._host_since: datetime | None = None
        self._connected_s: float | None = None
        self._born_s: float | None = None
        """Since when this connection is in use."""
        self._farewell: tuple[int, asyncio.Event] | None = None
        """The last message, and what is to be set when the server has it."""
        self._ignored = 0
        self._other_s: float | None = None
        """When another node of our name was born."""
        self._trouble: Trouble | None = None
        self._complaint: str | None = None
        self._log = _LOGGER.bind(node=f"{plan.group}/{plan.node}")

    @property
    def wants(self) -> Wants:
        kept = self._around.outbox is not None
        return Wants(live=True, history=kept, events=kept)

    def offer(self, record: TankRecord) -> None:
        """Take a record in. Never waits and never fails; memory is one record a tank."""
        now_s = self._monotonic()
        self._tanks.offer(record, now_s, self._holding.until_s(record, now_s))
        self._wake.set()

    def finish(self, records: Sequence[TankRecord]) -> None:
        """The death of the node says of all tanks that nothing is known of them any more."""

    def status(self) -> DestinationStatus:
        queue = self._tanks.queue
        history = None if self._around.outbox is None else self._around.outbox.backlog()
        return DestinationStatus(
            destination=self._plan.name,
            connected=self._reads,
            delivered=queue.delivered,
            lost=queue.lost if history is None else 0,
            waiting=queue.waiting,
            oldest_waiting_s=queue.oldest_waiting_s(self._monotonic()),
            troubles=self._troubles(),
            history=history,
            dropped=0 if history is None else queue.lost,
            clients=self._clients(),
        )

    @property
    def _reads(self) -> bool:
        """Whether there is a connection, and at its end the primary host where one is waited for."""
        return self._connected_s is not None and (self._host.reads or self._plan.primary_host is None)

    def _clients(self) -> tuple[ConnectedClient, ...]:
        if self._host_since is None or not self._reads or self._plan.primary_host is None:
            return ()
        host, port = self._plan.addresses[self._servers.index]
        return (ConnectedClient(f"{host}:{port}", self._host_since, self._plan.primary_host),)

    def _troubles(self) -> tuple[Trouble, ...]:
        found = [] if self._trouble is None else [self._trouble]
        if self._other_s is not None and self._monotonic() - self._other_s < _OTHER_S:
            found.append(Trouble("other_gateway", self._words_of_other()))
        return tuple(found)

    def _words_of_other(self) -> str:
        return (
            f"another node is called {self._plan.group}/{self._plan.node} at the same server: hosts take both for one, "
            "and the numbers of each for those of the other. Give one of them another name"
        )

    async def run(self) -> None:
        """Connect, deliver, connect again; ends only by cancellation, then says that the node is dead."""
        lacking = missing_part()
        if lacking is not None:
            self._trouble = Trouble("destination_unusable", lacking)
            self._log.error("delivery.sparkplug_unusable", reason=lacking)
            await nothing_to_do(self._around.came_round)
        while True:
            self._around.came_round(0.0)
            self._connected_s = None
            began_s = self._monotonic()
            try:
                await self._one_connection()
            except DeliveryError as exc:
                self._complain(exc)
            healthy_s = 0.0 if self._born_s is None else self._monotonic() - max(began_s, self._born_s)
            self._born_s = None
            await asyncio.sleep(self._servers.failed(healthy_s))

    async def _one_connection(self) -> None:
        """From dialling to the end of the connection. Raises DeliveryError when it cannot be made or breaks."""
        from gateway.delivery.sparkplug.encoding import death
        from gateway.delivery.sparkplug.session import Session
        from gateway.delivery.sparkplug.talk import Talk

        if self._newest is not None and self._newest.dialling:
            # Threads must not gather where a name server is silent for ever.
            raise DeliveryError("the try before is not over: is there a name server that answers?")
        self._bdseq = await self._next_bdseq()
        simulated = self._around.snapshot().simulated
        session = Session(self._topics, self._bdseq, self._aliases, simulated=simulated)
        connection = self._newest = Connection(
            self._plan.server(self._servers.index),
            client_id=self._client_id(),
            password=await password(self._plan),
            tls_context=await tls_context(self._plan),
            will=Will(self._topics.of("NDEATH"), death(self._bdseq), retain=False),
            settled=self._settled,
            heard=self._heard,
            subscribed=self._subscribed,
            wake=self._wake.set,
            pinged=self._pinged,
            drained=self._wake.set,
        )
        self._host = PrimaryHost()
        self._talk = None
        await connection.open()
        talk = self._talk = Talk(
            connection,
            session,
            self._tanks,
            self._around.snapshot,
            self._around.outbox,
            self._log,
            ignored=lambda: self._ignored,
            ask_after_s=2.0 * self._plan.keepalive_s,
            topic=self._topics.of("NCMD"),
            came_round=self._around.came_round,
            silence_s=0.0 if self._plan.primary_host is None else self._plan.host_silence_s,
        )
        self._connected_s = self._monotonic()
        taking = asyncio.create_task(self._take(talk), name="history")
        try:
            await self._serve_until_told(talk)
        finally:
            self._talk = None
            connection.abort()
            await end([taking])
            self._tanks.disconnected()
            self._connected_s = self._host_since = None
            talk.ended(reads=self._host.reads or self._plan.primary_host is None)

    async def _next_bdseq(self) -> int:
        """One more than at the connection before this, over restarts too, as far as the ledger keeps it."""
        if self._around.outbox is not None:
            counted = asyncio.wrap_future(self._around.outbox.next_number(BDSEQ_MODULO))
            done, _ = await asyncio.wait([counted], timeout=_NUMBER_S)
            if done and not counted.cancelled() and counted.exception() is None:
                return counted.result()
            self._log.warning("delivery.sparkplug_number_not_kept", hint="a host may take an old death for a new one")
        return (self._bdseq + 1) % BDSEQ_MODULO

    def _client_id(self) -> str:
        """Letters and digits, at most 23, is what every server must accept (MQTT 3.1.1 section 3.1.3.1)."""
        if self._plan.client_id is not None:
            return self._plan.client_id
        number = hashlib.blake2s(f"{self._around.boot} {self._plan.name}".encode()).hexdigest()
        return f"node{number[:19]}"

    async def _serve_until_told(self, talk: "Talk") -> None:
        connection = talk.connection
        try:
            connection.subscribe(self._topics.of("NCMD"), qos=1)
            if self._topics.state is not None:
                connection.subscribe(self._topics.state, qos=1)
            # Of our own: what another of our name says there, and a death that is not true.
            connection.subscribe(self._topics.of("NBIRTH"))
            connection.subscribe(self._topics.of("NDEATH"))
            await self._serve(talk)
        except (asyncio.CancelledError, _HostAwayError):
            await said_in_time(self._goodbye(talk), self._log)
            raise

    async def _serve(self, talk: "Talk") -> None:
        while True:
            self._wake.clear()
            now_s = self._monotonic()
            if talk.connection.ended is not None:
                raise ConnectionEndedError(talk.connection.ended)
            due_s = now_s + self._plan.host_wait_s
            if not talk.session.is_born:
                self._host.has_left = False
            if self._topics.state is None or self._host.reads:
                if self._born_s is None:
                    self._begins_well(talk, now_s)
                await talk.say(now_s)
                due_s = talk.due_s()
            else:
                self._wait_for_host(talk, now_s)
            self._around.came_round(self._plan.host_wait_s)
            wait_s = max(0.0, due_s - self._monotonic())
            with suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._wake.wait()
            await asyncio.sleep(_GATHER_S)

    def _begins_well(self, talk: "Talk", now_s: float) -> None:
        self._born_s = now_s
        self._complaint = self._trouble = None
        host, port = self._plan.addresses[self._servers.index]
        self._log.info("delivery.sparkplug_connected", server=f"{host}:{port}", bdseq=talk.session.bdseq)

    def _wait_for_host(self, talk: "Talk", now_s: float) -> None:
        """Raises _HostAwayError where it is to be looked for elsewhere, or everything begins anew."""
        host = self._plan.primary_host
        if talk.session.is_born:
            raise _HostAwayError(f"the primary host {host} says that it is offline")
        self._trouble = Trouble("host_offline", f"waits for the primary host {host}, which is not at this server")
        several = len(self._plan.addresses) > 1
        waited_s = now_s - (self._connected_s or now_s)
        if several and (self._host.told or waited_s >= self._plan.host_wait_s):
            raise _HostAwayError(f"the primary host {host} is not at this server")

    async def _take(self, talk: "Talk") -> None:
        """Keeps history at hand. What is wrong with the ledger ends no connection."""
        outbox = self._around.outbox
        if outbox is None:
            return
        unread = Backoff(self._plan.backoff_first_s, self._plan.backoff_longest_s, self._random)
        while True:
            await talk.wants_history.wait()
            try:
                entries = await outbox.take(_TAKEN)
            except Exception as exc:  # noqa: BLE001 - live goes on, whatever it is
                if not unread.failures:
                    self._log.error("delivery.history_unread", exc_info=exc)
                await asyncio.sleep(unread.after(0.0))
                continue
            unread.forget()
            talk.give(entries)
            self._wake.set()

    # What the connection calls

    def _settled(self, number: int, refusal: Refusal | None) -> None:
        if self._farewell is not None and self._farewell[0] == number:
            self._farewell[1].set()

    def _subscribed(self, refusal: str | None) -> None:
        if refusal is not None:
            self._log.warning("delivery.sparkplug_topic_unread", reason=refusal)

    def _pinged(self, answered: bool) -> None:
        talk = self._talk
        if talk is None:
            return
        if answered:
            talk.arrived(self._monotonic(), counts=self._reads)
            self._wake.set()
        else:
            talk.asked(self._monotonic())

    def _heard(self, heard: Heard) -> None:
        from gateway.delivery.sparkplug.commands import read_birth_boot, read_death

        talk = self._talk
        if heard.topic == self._topics.state:
            if self._host.heard(heard.payload):
                self._host_since = self._around.snapshot().instant if self._host.online else None
                self._wake.set()
            if talk is not None and self._host.came_anew():
                talk.tell_again()
        elif talk is None:
            return
        elif heard.topic == self._topics.of("NCMD"):
            self._asked(talk, heard)
        elif heard.topic == self._topics.of("NBIRTH"):
            boot = read_birth_boot(heard.payload)
            if boot is not None and boot != self._around.boot and not heard.retained:
                self._other_node()
        elif heard.topic == self._topics.of("NDEATH") and read_death(heard.payload) == talk.session.bdseq:
            # Hosts take us for dead by it, and we live.
            self._born_again(talk)

    def _asked(self, talk: "Talk", heard: Heard) -> None:
        from gateway.delivery.sparkplug.commands import read_command

        asked = read_command(heard.payload)
        if heard.retained:  # it was for whoever was there at that time
            self._ignored += 1
            return
        self._ignored += asked.others
        if asked.rebirth and talk.session.is_born:
            self._born_again(talk)

    def _born_again(self, talk: "Talk") -> None:
        talk.ask_birth(self._monotonic())
        self._wake.set()

    def _other_node(self) -> None:
        if self._other_s is None or self._monotonic() - self._other_s >= _OTHER_S:
            self._log.warning("delivery.sparkplug_other_node", reason=self._words_of_other())
        self._other_s = self._monotonic()

    # The end

    async def _goodbye(self, talk: "Talk") -> None:
        """NDEATH, and when the server has it DISCONNECT."""
        from gateway.delivery.sparkplug.encoding import death

        connection = talk.connection
        if connection.ended is not None:
            return
        connection.unsubscribe(self._topics.of("NDEATH"))
        topic, payload = self._topics.of("NDEATH"), death(talk.session.bdseq)
        arrived = asyncio.Event()
        self._farewell = (connection.send(topic, payload, qos=1, retain=False), arrived)
        await arrived.wait()
        await connection.close(with_will=True)

    def _complain(self, exc: DeliveryError) -> None:
        """In the log: the loss of a connection, and a failure to connect when its reason is new."""
        text = str(exc)
        if self._born_s is not None:
            self._log.warning("delivery.sparkplug_lost", reason=text)
        elif text != self._complaint:
            self._log.warning("delivery.sparkplug_not_connected", reason=text)
        self._complaint = text
