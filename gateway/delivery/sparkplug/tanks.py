"""Pure: the newest sheet of each tank, what waits to be sent of them, and which tanks there is anything of now."""

from collections.abc import Iterable

from gateway.delivery.live import Entry, LiveQueue
from gateway.delivery.sparkplug.tank_metrics import is_lost
from gateway.tank_record import TankRecord

__all__ = ["Tanks"]


class Tanks:
    """Over all connections. Times are monotonic seconds."""

    def __init__(self) -> None:
        self.queue = LiveQueue()
        self._newest: dict[str, tuple[TankRecord, float | None]] = {}
        """And until when it holds; None: not at all."""
        self._in_flight: dict[int, list[int]] = {}
        """What `queue` calls the entries that went with each message, oldest message first."""
        self._key = 0

    def offer(self, record: TankRecord, now_s: float, until_s: float | None) -> None:
        """`until_s`: as `gateway.delivery.holding` has it."""
        self._newest[record.identity.tank] = (record, until_s)
        self.queue.offer(record, now_s)

    def keep_only(self, tanks: Iterable[str]) -> None:
        """Of others there is nothing any more, but for what waits of them."""
        kept = frozenset(tanks)
        self._newest = {tank: newest for tank, newest in self._newest.items() if tank in kept}

    def present(self, now_s: float) -> dict[str, TankRecord]:
        """The newest sheet of each tank of which there is anything now: it holds still, and tells something."""
        return {tank: record for tank, (record, until_s) in self._newest.items() if _holds(record, until_s, now_s)}

    def is_present(self, tank: str, now_s: float) -> bool:
        newest = self._newest.get(tank)
        return newest is not None and _holds(*newest, now_s)

    def went(self, entry: Entry, number: int) -> None:
        """It is told by that message."""
        self._key += 1
        self.queue.sent(self._key, entry)
        self._in_flight.setdefault(number, []).append(self._key)

    def arrived(self, up_to: int) -> None:
        """All messages up to there."""
        while self._in_flight and (number := next(iter(self._in_flight))) <= up_to:
            for key in self._in_flight.pop(number):
                self.queue.acknowledged(key)

    def disconnected(self) -> None:
        self._in_flight.clear()
        self.queue.disconnected()


def _holds(record: TankRecord, until_s: float | None, now_s: float) -> bool:
    return until_s is not None and now_s < until_s and not is_lost(record)
