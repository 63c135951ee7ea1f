"""When a sheet was made and until when it holds, by a clock that is never set: for destinations that take back
themselves what is stale.

A sheet holds for so many seconds of the site, which may pass faster than those of the clock. What comes first of a tank
may have been made before the destination was: then it is as old as it says.
"""

from collections.abc import Callable

from gateway.clock import SystemClock
from gateway.status import GatewaySnapshot
from gateway.tank_record import TankRecord

__all__ = ["Holding", "steady_s"]

_CLOCK = SystemClock()
_ASKED_AGAIN_S = 1.0


def steady_s() -> float:
    """Seconds of a clock that is never set, and goes on while the machine sleeps."""
    return _CLOCK.monotonic_ns() / 1e9


class Holding:
    """Of one destination. `now_s`: seconds of a clock that is never set."""

    def __init__(self, snapshot: Callable[[], GatewaySnapshot]) -> None:
        self._snapshot = snapshot
        self._known: set[str] = set()
        self._asked_s: float | None = None
        self._time_s, self._factor = 0.0, 1.0
        """The site's time when it was asked for, and how many times as fast as the clock it passes."""

    def made_s(self, record: TankRecord, now_s: float) -> float:
        """When a record that comes now was made."""
        tank = record.identity.tank
        if tank in self._known:
            return now_s
        self._known.add(tank)
        self._ask(now_s)
        return now_s - max(0.0, self._time_s - record.inventory.instant.timestamp()) / self._factor

    def until_s(self, record: TankRecord, now_s: float) -> float | None:
        """When a record that comes now holds no more; None: nobody knows, so it does not hold at all."""
        made_s = self.made_s(record, now_s)
        return None if record.valid_for_s is None else made_s + record.valid_for_s / self._factor

    def _ask(self, now_s: float) -> None:
        # All tanks come at once to a destination that is new.
        if self._asked_s is None or now_s - self._asked_s >= _ASKED_AGAIN_S:
            self._asked_s = now_s
            site = self._snapshot()
            self._time_s, self._factor = site.instant.timestamp(), site.time_factor
