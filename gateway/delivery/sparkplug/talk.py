"""One connection in use by the node: births first, then what is new, then history in the room that leaves.

Nothing is acknowledged but by pings, so nothing is counted as arrived before one; what waits in the connection itself
is bounded, so that a server that stands still is not sent more than it can take.
"""

import asyncio
from collections.abc import Callable, Collection, Sequence
from typing import Any

from gateway.delivery.contract import Outbox
from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import ConnectionEndedError, TooLargeError
from gateway.delivery.sparkplug.node_metrics import node_metrics
from gateway.delivery.sparkplug.reach import Reach
from gateway.delivery.sparkplug.session import Message, Session
from gateway.delivery.sparkplug.tank_metrics import is_lost, transfer_of
from gateway.delivery.sparkplug.tanks import Tanks
from gateway.errors import DeliveryError
from gateway.history import Entry, KeptEvent
from gateway.process.progress import CameRound
from gateway.status import GatewaySnapshot, OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmNow

__all__ = ["LOOK_EVERY_S", "Talk"]

LOOK_EVERY_S = 2.0
"""How often it is looked whether anything of the gateway itself has changed."""
_MOST_UNWRITTEN = 262_144
"""Bytes that may wait in the connection."""
_MOST_UNPROVEN = 4000
"""Entries of history sent since the last ping that was answered: so many come twice where the connection ends."""
_LIVE_IN_A_ROW = 8
_BETWEEN_BIRTHS_S = 1.0
_AT_ONCE = 4
"""Messages without giving way to whoever else has something to do: half a millisecond or so."""


class Talk:
    """`now_s`: monotonic seconds."""

    def __init__(
        self,
        connection: Connection,
        session: Session,
        tanks: Tanks,
        snapshot: Callable[[], GatewaySnapshot],
        outbox: Outbox | None,
        log: Any,
        *,
        ignored: Callable[[], int],
        ask_after_s: float,
        topic: str,
        came_round: CameRound,
        silence_s: float,
    ) -> None:
        """`silence_s`: for so long the host may be gone before anybody tells. `ask_after_s`: so long without a ping,
        that topic is asked for once more, which proves the same."""
        self.connection = connection
        self.session = session
        self.reach = Reach(silence_s)
        self._birth_due_s: float | None = float("-inf")
        """None: none is wanted."""
        self._born_s = float("-inf")
        self._live_in_a_row = 0
        self._tanks = tanks
        self._snapshot = snapshot
        self._outbox = outbox
        self._log = log
        self._ignored = ignored
        self._ask_after_s, self._topic = ask_after_s, topic
        self._pinged_s = float("inf")
        self._came_round = came_round
        self.wants_history = asyncio.Event()
        self._history: list[Entry] = []
        """Taken and not sent yet, the first last."""
        self._seen: GatewaySnapshot = snapshot()
        self._seen_s = 0.0
        self._look_due_s = 0.0
        self._alarms: Sequence[AlarmNow] | None = None
        self._watched: dict[str, set[str]] = {}
        """By tank, the names of its alarms, as they stood when they were last looked at."""

    @property
    def has_room(self) -> bool:
        return self.connection.unwritten < _MOST_UNWRITTEN

    def give(self, entries: Sequence[Entry]) -> None:
        """History, in its order, when it was wanted."""
        self._history = list(reversed(entries))
        self._look_for_history()

    def _look_for_history(self) -> None:
        if self.session.is_born and not self._history and self.reach.waiting < _MOST_UNPROVEN:
            self.wants_history.set()
        else:
            self.wants_history.clear()

    def due_s(self) -> float:
        """When there is something to do without anything happening."""
        return self._look_due_s if self._birth_due_s is None else self._birth_due_s

    def ask_birth(self, now_s: float) -> None:
        """Whoever asks gets it at once, and no data before it; who goes on asking, not more often than a host can use
        it."""
        self._birth_due_s = max(now_s, self._born_s + _BETWEEN_BIRTHS_S)

    async def say(self, now_s: float) -> None:
        """All that there is to say and room for. Raises DeliveryError where the connection has ended."""
        if self._birth_due_s is not None and now_s < self._birth_due_s:
            return
        if now_s >= self._look_due_s or self._birth_due_s is not None:
            self._look(now_s)
        if self._birth_due_s is not None:
            await self._births(now_s)
        said = 0
        while self.has_room and self._say_one(now_s):
            said += 1
            if said % _AT_ONCE == 0:
                await asyncio.sleep(0)
            if self._birth_due_s is not None:
                return
        if self.session.ghosts and not self._history and not (self._outbox is not None and self._outbox.ready()):
            for tank in self.session.ghosts:
                self._send(self.session.tank_death(tank, self._time_ms(now_s)))
        self._look_for_history()

    def asked(self, now_s: float) -> None:
        """A ping goes out."""
        self._pinged_s = now_s
        self.reach.ping_sent(self.session.number)

    def arrived(self, now_s: float, *, counts: bool) -> None:
        """A ping was answered. `counts`: whether the primary host reads."""
        self.reach.ping_answered(now_s, counts=counts)
        self._tanks.arrived(self.reach.covered)
        self._settle(now_s)

    def _settle(self, now_s: float) -> None:
        reached = self.reach.reached(now_s)
        if reached is not None and self._outbox is not None:
            self._outbox.delivered(*reached)
        self._look_for_history()

    def tell_again(self) -> None:
        """The host had gone without a word and is back: what it may not have read comes once more, as history."""
        self._log.info("delivery.sparkplug_host_came_anew", hint="what it may have missed is told again")
        self.reach.begin_again()
        self.session.forget_told()
        self._history.clear()
        if self._outbox is not None:
            self._outbox.rewind()
        self._look_for_history()

    def ended(self, *, reads: bool) -> None:
        """`reads`: whether the primary host was there to the end. Then what has arrived counts: else ways that last for
        less than it takes to know better would bring the same again and again."""
        if reads:
            self._settle(float("inf"))
        if self._outbox is not None:
            self._outbox.rewind()

    # What is looked at

    def _time_ms(self, now_s: float) -> int:
        """By the site's time, as it was looked at last and has gone on since then."""
        since_s = max(0.0, now_s - self._seen_s) * self._seen.time_factor
        return max(0, round((self._seen.instant.timestamp() + since_s) * 1000.0))

    def _look(self, now_s: float) -> None:
        self._seen, self._seen_s = self._snapshot(), now_s
        self._pinged_s = min(self._pinged_s, now_s)
        if now_s - self._pinged_s >= self._ask_after_s and self.reach.covered < self.session.number:
            self.connection.ask(self._topic, 1)
        self._look_due_s = now_s + LOOK_EVERY_S
        # Thousands, of which few ever change.
        if self._alarms is None or self._seen.alarms != self._alarms:
            self._alarms, self._watched = self._seen.alarms, {}
            for alarm in self._seen.alarms:
                self._watched.setdefault(alarm.tank, set()).add(alarm.standing.name)
        if self._seen.tanks:
            self._tanks.keep_only(self._seen.tanks)
        if self.session.is_born and self._birth_due_s is None:
            self._bury(now_s)
            metrics = self._node()
            if not self.session.knows(metrics):
                self._birth_due_s = now_s
            elif (message := self.session.node_data(metrics, self._time_ms(now_s))) is not None:
                self._send(message)

    def _node(self) -> Sequence[Any]:
        lost = 0 if self._outbox is None else self._outbox.backlog().lost
        return node_metrics(self._seen, self._lost_tanks(), self._ignored(), lost)

    def _lost_tanks(self) -> Collection[str]:
        return self._seen.tanks and set(self._seen.tanks) - set(self._tanks.present(self._seen_s))

    def _transfers(self) -> Sequence[OpenTransfer]:
        return () if self._seen.accounts is None else self._seen.accounts.open

    # What is said

    async def _births(self, now_s: float) -> None:
        """NBIRTH and a DBIRTH of every tank there is anything of: no other message comes between them."""
        self._birth_due_s = None
        self._born_s = now_s
        waiting = {}
        while (taken := self._tanks.queue.take()) is not None:
            waiting[taken.record.identity.tank] = taken
        try:
            self._send(self.session.node_birth(self._node(), self._time_ms(now_s)))
            for tank, record in self._tanks.present(now_s).items():
                message = self._tank(record, now_s)
                if tank in waiting:
                    self._tanks.went(waiting.pop(tank), message.number)
                # It takes as long as several messages of data.
                await asyncio.sleep(0)
                while not self.has_room:
                    await self._drained()
            while waiting:
                # Of a tank of which nothing is known: that it was not born says so.
                self._tanks.went(waiting.popitem()[1], self.session.number)
        finally:
            for entry in waiting.values():
                self._tanks.queue.put_back(entry)

    async def _drained(self) -> None:
        """Some time later: a server that takes nothing answers no ping, which ends the connection."""
        if self.connection.ended is not None:
            raise ConnectionEndedError(self.connection.ended)
        self._came_round(0.0)
        await asyncio.sleep(0.02)

    def _tank(self, record: TankRecord, now_s: float) -> Message:
        tank = record.identity.tank
        watched = self._watched.get(tank, ())
        message = self.session.tank(record, watched, transfer_of(tank, self._transfers()), self._time_ms(now_s))
        self._send(message)
        return message

    def _say_one(self, now_s: float) -> bool:
        """What is new comes first; but history never stands still, be the way ever so narrow."""
        turn_of_past = self._live_in_a_row >= _LIVE_IN_A_ROW
        if turn_of_past or not self._say_live(now_s):
            self._live_in_a_row = 0
            return self._say_past(now_s) or (turn_of_past and self._say_live(now_s))
        self._live_in_a_row += 1
        return True

    def _say_live(self, now_s: float) -> bool:
        entry = self._tanks.queue.take()
        if entry is None:
            return False
        try:
            number = self._live(entry.record, now_s)
        except BaseException:
            self._tanks.queue.put_back(entry)
            raise
        self._tanks.went(entry, number)
        return True

    def _live(self, record: TankRecord, now_s: float) -> int:
        """The message that tells it."""
        tank = record.identity.tank
        if self._tanks.is_present(tank, now_s):
            return self._tank(record, now_s).number
        if tank not in self.session.alive or tank in self.session.ghosts:
            return self.session.number
        # Why there is nothing comes first, then that there is nothing more.
        self._tank(record, now_s)
        return self._die(tank, now_s)

    def _bury(self, now_s: float) -> None:
        ghosts = self.session.ghosts
        for tank in list(self.session.alive):
            if tank not in ghosts and not self._tanks.is_present(tank, now_s):
                self._die(tank, now_s)

    def _die(self, tank: str, now_s: float) -> int:
        message = self.session.tank_death(tank, self._time_ms(now_s))
        self._send(message)
        return message.number

    def _say_past(self, now_s: float) -> bool:
        if not self._history:
            return False
        entry = self._history[-1]
        number = self._carrier(entry)
        if number is None:
            try:
                number = self._past(entry, now_s)
            except ConnectionEndedError:
                raise
            except TooLargeError as exc:
                self.session.take_back()
                self._give_up(entry, str(exc))
                return True
            except DeliveryError as exc:
                self._give_up(entry, str(exc))
                return True
        self._history.pop()
        self.reach.carried(entry.position, number)
        return True

    def _carrier(self, entry: Entry) -> int | None:
        """The message that has told it already."""
        if isinstance(entry, KeptEvent):
            return None
        told = self.session.told_by(entry)
        if told is None and is_lost(entry.record):
            # That the tank is dead is all that there is to be said of it.
            told = self.session.buried_by(entry.record.identity.tank)
        return told

    def _past(self, entry: Entry, now_s: float) -> int:
        time_ms = self._time_ms(now_s)
        if isinstance(entry, KeptEvent):
            message = self.session.happened(entry, time_ms)
        else:
            tank = entry.record.identity.tank
            if tank not in self.session.alive:
                self._send(self.session.ghost_birth(tank, time_ms))
            message = self.session.past(entry, time_ms)
        self._send(message)
        return message.number

    def _give_up(self, entry: Entry, why: str) -> None:
        self._history.pop()
        self.reach.given_up(entry.position)
        self._log.error("delivery.sparkplug_entry_refused", position=entry.position, reason=why)

    def _send(self, message: Message) -> None:
        self.connection.send(message.topic, message.payload, qos=0, retain=False)
