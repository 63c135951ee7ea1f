"""Pure: what a destination of live data still has to deliver: the newest record of every tank, and what is in flight.

Memory is bounded by the number of tanks and the window. A record superseded before it was sent, or before it was known
to have arrived when the connection broke, is lost and counted: what must arrive all the same goes as history. At every
moment offered = delivered + lost + waiting.
"""

from typing import NamedTuple

from gateway.tank_record import TankRecord

__all__ = ["Entry", "LiveQueue"]


class Entry(NamedTuple):
    """A record to deliver. A repeat has been delivered before, so it is never counted again."""

    record: TankRecord
    offered_s: float
    """Monotonic."""
    repeat: bool = False


class LiveQueue:
    """Newest per tank wins. No I/O and no clock; `now_s` is monotonic seconds."""

    def __init__(self) -> None:
        self.delivered = 0
        self.lost = 0
        self._newest: dict[str, Entry] = {}
        self._unsent: dict[str, Entry] = {}
        self._in_flight: dict[int, Entry] = {}

    def offer(self, record: TankRecord, now_s: float) -> None:
        """Take a record in. It keeps the place in the order of the one it supersedes, so that no tank is starved."""
        tank = record.inventory.tank
        superseded = self._unsent.get(tank)
        if superseded is not None and not superseded.repeat:
            self.lost += 1
        self._unsent[tank] = self._newest[tank] = Entry(record, now_s)

    def take(self) -> Entry | None:
        """The entry to send next, or None. It must then go to `sent`, `put_back` or `undeliverable`."""
        if not self._unsent:
            return None
        return self._unsent.pop(next(iter(self._unsent)))

    @property
    def ready(self) -> bool:
        """Whether `take` would give something."""
        return bool(self._unsent)

    def sent(self, number: int, entry: Entry) -> None:
        """`entry` went out under `number` and is not yet acknowledged."""
        self._in_flight[number] = entry

    def put_back(self, entry: Entry) -> None:
        """It was taken but could not be handed over: the connection has just ended."""
        tank = entry.record.inventory.tank
        if tank not in self._unsent:
            self._unsent[tank] = entry
        elif not entry.repeat:
            self.lost += 1

    def holds(self, number: int) -> bool:
        """Whether a record is in flight under this number."""
        return number in self._in_flight

    def acknowledged(self, number: int) -> Entry:
        """The destination has it."""
        entry = self._in_flight.pop(number)
        if not entry.repeat:
            self.delivered += 1
        return entry

    def refused(self, number: int) -> Entry:
        """The destination answered that it does not take it: sending it again would not help."""
        entry = self._in_flight.pop(number)
        self.undeliverable(entry)
        return entry

    def undeliverable(self, entry: Entry) -> None:
        """It cannot be sent at all."""
        if not entry.repeat:
            self.lost += 1
        tank = entry.record.inventory.tank
        if self._newest.get(tank) is entry:
            del self._newest[tank]

    def disconnected(self) -> None:
        """What was in flight may or may not have arrived: the newest of each tank waits again, older ones are lost."""
        again: dict[str, Entry] = {}
        for entry in self._in_flight.values():
            tank = entry.record.inventory.tank
            older = again.get(tank)
            if older is not None and not older.repeat:
                self.lost += 1
            again[tank] = entry
        self._in_flight.clear()
        for tank, entry in again.items():
            if tank not in self._unsent:
                self._unsent[tank] = entry
            elif not entry.repeat:
                self.lost += 1

    def repeat_newest(self) -> None:
        """After a connect the server may have forgotten what it retained: every tank's newest is to be sent again."""
        for tank, entry in self._newest.items():
            if tank not in self._unsent:
                self._unsent[tank] = entry._replace(repeat=True)

    @property
    def waiting(self) -> int:
        """Records not yet known to have arrived."""
        return sum(not entry.repeat for entry in (*self._unsent.values(), *self._in_flight.values()))

    def oldest_waiting_s(self, now_s: float) -> float | None:
        """Seconds since the oldest waiting record was offered; None when none waits."""
        offered = [entry.offered_s for entry in (*self._unsent.values(), *self._in_flight.values()) if not entry.repeat]
        return now_s - min(offered) if offered else None
