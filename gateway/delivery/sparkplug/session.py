"""What this node says within one connection, message by message: births, data, deaths, and the count of them.

A host knows nothing but what was said here: data say what is another than what was said last, and only of what was
born. No I/O and no clock: who sends the messages, and when, is another's affair.
"""

from collections import deque
from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from gateway.delivery.sparkplug import encoding
from gateway.delivery.sparkplug.aliases import Aliases
from gateway.delivery.sparkplug.datatypes import QUALITY_GOOD
from gateway.delivery.sparkplug.metrics import Metric, milliseconds
from gateway.delivery.sparkplug.names import Topics
from gateway.delivery.sparkplug.node_metrics import EVENT_METRIC
from gateway.delivery.sparkplug.tank_metrics import past_metrics, stale_metrics, tank_metrics
from gateway.history import KeptEvent, KeptRecord
from gateway.payload.history import event_json
from gateway.status import OpenTransfer
from gateway.tank_record import TankRecord

__all__ = ["Message", "Session"]

_SEQ_MODULO = 256
_GOOD = "Good"
_REMEMBERED = 64
"""Sheets of a tank of which it is known with which message they went: history of them comes within seconds."""


class Message(NamedTuple):
    topic: str
    payload: bytes
    number: int
    """Counts the messages of the connection from 1."""


class _Device:
    """One tank as the hosts have it."""

    def __init__(self) -> None:
        self.told: dict[str, tuple[object, ...]] = {}
        self.sheets: deque[tuple[str, int, int]] = deque(maxlen=_REMEMBERED)
        """Boot and sequence of what was told, and the message that told it."""


class Session:
    """Begins with `node_birth`. Each call that makes a message counts it: it must be sent, in that order."""

    def __init__(self, topics: Topics, bdseq: int, aliases: Aliases, *, simulated: bool) -> None:
        self._topics = topics
        self.bdseq = bdseq
        self._aliases = aliases
        self._simulated = simulated
        self._seq = _SEQ_MODULO - 1
        self.number = 0
        """Of the last message."""
        self.is_born = False
        self._node: dict[str, tuple[object, ...]] = {}
        self._alive: dict[str, _Device] = {}
        self._ghosts: dict[str, None] = {}
        self._buried: dict[str, int] = {}
        """Tanks that died, and the message that said so."""
        self._ghost_of_last: str | None = None
        """The tank whose ghost the last message bore."""

    @property
    def alive(self) -> Collection[str]:
        """Tanks that are born and not dead, those for their history alone among them."""
        return self._alive.keys()

    @property
    def ghosts(self) -> list[str]:
        """Those that are alive for their history alone."""
        return list(self._ghosts)

    def knows(self, metrics: Iterable[Metric]) -> bool:
        """Whether the node was born with all of them: of others nothing may be said."""
        return all(metric.definition.name in self._node for metric in metrics)

    def node_birth(self, metrics: Sequence[Metric], time_ms: int) -> Message:
        """All begins anew: what was born before is as if it had never been."""
        self._seq = _SEQ_MODULO - 1
        self.is_born = True
        self._alive.clear()
        self._ghosts.clear()
        self._buried.clear()
        self._node = {metric.definition.name: metric.essence for metric in metrics}
        payload = encoding.node_birth(
            metrics, self._aliases, self.bdseq, self._following, time_ms, simulated=self._simulated
        )
        return self._message("NBIRTH", payload)

    def node_data(self, metrics: Iterable[Metric], time_ms: int) -> Message | None:
        """What of it has changed; None: nothing."""
        changed = [metric for metric in metrics if self._node[metric.definition.name] != metric.essence]
        if not changed:
            return None
        payload = encoding.data("", changed, self._aliases, self._following, time_ms, simulated=self._simulated)
        self._node |= {metric.definition.name: metric.essence for metric in changed}
        return self._message("NDATA", payload)

    def tank(
        self, record: TankRecord, watched: Collection[str], transfer: OpenTransfer | None, time_ms: int
    ) -> Message:
        """A sheet of a tank: its birth, where it is none that lives, else what has changed."""
        name = record.identity.tank
        metrics = tank_metrics(record, watched, transfer)
        device = self._alive.get(name)
        simulated = record.inventory.simulated
        if device is None or name in self._ghosts:
            payload = encoding.birth(name, metrics, self._aliases, self._following, time_ms, simulated=simulated)
            device = self._alive[name] = _Device()
            self._ghosts.pop(name, None)
            device.told = {metric.definition.name: metric.essence for metric in metrics}
            message = self._message("DBIRTH", payload, name)
        else:
            told = device.told
            # What has changed and, so that it is seen to live, which sheet it is.
            changed, news = [], {}
            for metric in metrics:
                metric_name, essence = metric.definition.name, metric.essence
                if told[metric_name] != essence:
                    changed.append(metric)
                    news[metric_name] = essence
            # A host may keep a property until it is told another.
            good = [each.definition.name for each in changed if each.quality == QUALITY_GOOD]
            now_good = {each for each in good if told[each][1] != _GOOD}
            payload = encoding.data(
                name, changed, self._aliases, self._following, time_ms, simulated=simulated, now_good=now_good
            )
            told |= news
            message = self._message("DDATA", payload, name)
        device.sheets.append((record.identity.boot, record.identity.sequence, message.number))
        return message

    def tank_death(self, tank: str, time_ms: int) -> Message:
        """Of one that is alive."""
        del self._alive[tank]
        self._ghosts.pop(tank, None)
        message = self._message("DDEATH", encoding.device_death(self._following, time_ms), tank)
        self._buried[tank] = message.number
        return message

    def buried_by(self, tank: str) -> int | None:
        """The message that said that this tank is dead; None: none has."""
        return self._buried.get(tank)

    def told_by(self, kept: KeptRecord) -> int | None:
        """The message of this connection that told this very sheet when it was new; None: none did."""
        identity = kept.record.identity
        device = self._alive.get(identity.tank)
        for boot, sequence, number in () if device is None else device.sheets:
            if (boot, sequence) == (identity.boot, identity.sequence):
                return number
        return None

    def forget_told(self) -> None:
        """Nobody may have read any of it: history of it is to be told."""
        self._buried.clear()
        for device in self._alive.values():
            device.sheets.clear()

    def ghost_birth(self, tank: str, time_ms: int) -> Message:
        """Of a tank of which there is history and nothing of now: all its metrics are null and stale."""
        metrics = stale_metrics(time_ms)
        payload = encoding.birth(tank, metrics, self._aliases, self._following, time_ms, simulated=self._simulated)
        self._alive[tank] = _Device()
        self._ghosts[tank] = None
        message = self._message("DBIRTH", payload, tank)
        self._ghost_of_last = tank
        return message

    def past(self, kept: KeptRecord, time_ms: int) -> Message:
        """A sheet of the past, whole, with its own times, of a tank that is alive."""
        tank, simulated = kept.record.identity.tank, kept.record.inventory.simulated
        # What does not apply to the tank at all stands in its birth.
        metrics = [metric for metric in past_metrics(kept.record) if not metric.does_not_apply]
        payload = encoding.data(
            tank, metrics, self._aliases, self._following, time_ms, simulated=simulated, historical=True
        )
        return self._message("DDATA", payload, tank)

    def happened(self, kept: KeptEvent, time_ms: int) -> Message:
        """An event of the past, of a tank or of the gateway itself: of the node. Raises DeliveryError."""
        text = event_json(kept, simulated=self._simulated).decode()
        metric = Metric(EVENT_METRIC, text, milliseconds(kept.event.instant))
        payload = encoding.data(
            "", (metric,), self._aliases, self._following, time_ms, simulated=self._simulated, historical=True
        )
        return self._message("NDATA", payload)

    def take_back(self) -> None:
        """The last message was made and could not be sent: the next has its numbers, and a tank that it would have
        borne for its history is not alive."""
        self._seq = (self._seq - 1) % _SEQ_MODULO
        self.number -= 1
        if self._ghost_of_last is not None:
            del self._alive[self._ghost_of_last], self._ghosts[self._ghost_of_last]
            self._ghost_of_last = None

    @property
    def _following(self) -> int:
        """Counted with the message, so that none that cannot be made leaves a gap."""
        return (self._seq + 1) % _SEQ_MODULO

    def _message(self, kind: str, payload: bytes, tank: str = "") -> Message:
        self._seq = self._following
        self.number += 1
        self._ghost_of_last = None
        if kind == "DBIRTH":
            self._buried.pop(tank, None)
        return Message(self._topics.of(kind, tank), payload, self.number)
