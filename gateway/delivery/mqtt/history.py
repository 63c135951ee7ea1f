"""History to an MQTT server: taken from the outbox, handed to the connection, told as delivered once it is there.

What is decided here is decided by `mqtt_window`; this gives it the outbox, the topics and the words.
"""

import asyncio
import random as random_module
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from gateway.backoff import Backoff
from gateway.delivery.contract import Outbox
from gateway.delivery.mqtt.conversation import Conversation
from gateway.delivery.mqtt.made_once import history_message
from gateway.delivery.mqtt.window import HistoryWindow, stream_of
from gateway.delivery.mqtt_wire.words import ConnectionEndedError, EndedBy, Refusal, TooLargeError
from gateway.delivery.plan import MqttPlan
from gateway.errors import DeliveryError
from gateway.history import Entry, KeptRecord
from gateway.payload.history import EVENT_SCHEMA, HISTORY_SCHEMA, event_json
from gateway.process.tasks import end
from gateway.status import Backlog

__all__ = ["MqttHistory"]

_TAKEN = 100
"""Entries taken from the outbox at once; so many again wait at most for room."""
_EXPIRY_S = 7 * 86_400
"""How long a server keeps history for a reader that is away."""
_LIVE_SHARE = 4
"""One in so many of what may be in flight stays free of history, for live records."""
_NO_MESSAGE = 0x99
"""Payload format invalid: nothing was sent, for it cannot be said in JSON."""
_REFUSED = "delivery.history_refused"
_UNREAD = "delivery.history_unread"


class MqttHistory:
    """Of one destination, over all its connections. Times are monotonic seconds; `wake`: there is something to do."""

    def __init__(
        self,
        outbox: Outbox,
        plan: MqttPlan,
        *,
        root: str,
        random: random_module.Random,
        wake: Callable[[], None],
        log: Any,
    ) -> None:
        self._outbox = outbox
        self._root = root
        self._wake = wake
        self._log = log
        self._unread = Backoff(plan.backoff_first_s, plan.backoff_longest_s, random)
        retries = Backoff(plan.backoff_first_s, plan.backoff_longest_s, random)
        self._window = HistoryWindow(1, retries.after)
        self._room = asyncio.Event()
        """Set while more may be taken."""
        self._told: dict[str, tuple[Refusal, bool]] = {}
        """Refusals as last logged."""
        self._simulated = False

    @asynccontextmanager
    async def connected(self, window: int, *, simulated: bool) -> AsyncIterator[None]:
        """On a connection with that many messages in flight, until the end of the block: what was taken and is not
        delivered then is for the next. An error that leaves the block says how the connection has ended."""
        self._window.most = max(1, window - max(1, window // _LIVE_SHARE))
        self._simulated = simulated
        self._room.set()
        taking = asyncio.create_task(self._take(), name="history")
        by_server = False
        try:
            yield
        except ConnectionEndedError as exc:
            by_server = exc.by not in (EndedBy.TAKEOVER, EndedBy.SILENCE)
            raise
        finally:
            try:
                await end([taking])
                self.look()
            finally:
                self._window.broken(by_server=by_server)
                self._outbox.rewind()

    @property
    def retry_s(self) -> float:
        """When something may be sent without anything else happening."""
        return self._window.retry_s

    @property
    def next_is_alone(self) -> bool:
        return self._window.next_is_alone

    @property
    def alone_in_flight(self) -> bool:
        return self._window.alone_in_flight

    def send_next(self, conversation: Conversation, now_s: float) -> bool:
        """Send one entry, where there is one and room for it. Raises ConnectionEndedError."""
        found = False
        while not found and (entry := self._window.next(now_s)) is not None:
            try:
                number = self._said(entry, conversation, now_s)
            except ConnectionEndedError:
                raise
            except TooLargeError as exc:
                self._window.refused_unsent(exc.refusal, now_s)
            except DeliveryError as exc:
                self._window.refused_unsent(Refusal(_NO_MESSAGE, str(exc)), now_s)
            else:
                self._window.sent(number, now_s)
                found = True
        if self._window.unsent < _TAKEN:
            self._room.set()
        return found

    def holds(self, number: int) -> bool:
        """Whether an entry is in flight under this number."""
        return self._window.holds(number)

    def settled(self, number: int, refusal: Refusal | None, now_s: float) -> None:
        """The server has answered; `look` comes soon."""
        self._window.settled(number, refusal, now_s)
        self._wake()

    def look(self) -> None:
        """Tell what the window has come to, to the outbox and to the log: changes, not repetitions."""
        reached = self._window.reached()
        if reached is not None:
            self._outbox.delivered(reached.position, reached.lost)
        if self._window.refusals or self._told:
            for stream, (refusal, for_good) in self._window.refusals.items():
                if self._told.get(stream) != (refusal, for_good):
                    self._log.error(_REFUSED, topic=f"{self._root}/{stream}", reason=refusal.text, lost=for_good)
            self._told = dict(self._window.refusals)

    def backlog(self) -> Backlog:
        return self._outbox.backlog()

    def troubles(self) -> list[str]:
        """What of history is refused, a sentence for each that is passed over and for all that wait."""
        found = []
        for for_good, what in ((True, "is refused and lost"), (False, "is refused for now and waits")):
            streams = [each for each, (_, good) in self._window.refusals.items() if good is for_good]
            if streams:
                others = f" and {len(streams) - 1} more" if len(streams) > 1 else ""
                reason = self._window.refusals[streams[0]][0].text
                found.append(f"what is sent to {self._root}/{streams[0]}{others} {what}: {reason}")
        return found

    async def _take(self) -> None:
        """Keeps some entries ahead of the room for them. What is wrong with the ledger ends no connection."""
        while True:
            await self._room.wait()
            try:
                entries = await self._outbox.take(_TAKEN)
            except Exception as exc:  # noqa: BLE001 - live goes on, whatever it is
                if not self._unread.failures:
                    self._log.error(_UNREAD, exc_info=exc)
                await asyncio.sleep(self._unread.after(0.0))
                continue
            self._unread.forget()
            self._window.give(entries)
            if self._window.unsent >= _TAKEN:
                self._room.clear()
            self._wake()

    def _said(self, entry: Entry, conversation: Conversation, now_s: float) -> int:
        if isinstance(entry, KeptRecord):
            schema, identity, payload = HISTORY_SCHEMA, entry.record.identity, history_message(entry)
        else:
            schema, identity = EVENT_SCHEMA, entry.identity
            payload = event_json(entry, simulated=self._simulated)
        return conversation.say(
            f"{self._root}/{stream_of(entry)}",
            payload,
            now_s,
            schema=schema,
            boot=identity.boot,
            sequence=identity.sequence,
            retain=False,
            expiry_s=_EXPIRY_S,
        )
