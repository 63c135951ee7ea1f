"""Pure: which sheets become history: each tank's now and then, and at once those in which something changed."""

import math
import zlib
from typing import Any

from gateway.history import Previous
from gateway.tank_record import TankRecord

__all__ = ["Chosen", "Selection"]

_EARLY = 0.1
"""Of `every_s`: a sheet that comes so much before its time is taken for the one that was due, so that tanks that are
read just as often as they are kept are not kept every other time only."""
_AT_ONCE = 6
"""Changes in a row that are kept at once. Beyond, a tank has one more for each `every_s`: one that flaps at each sheet
is kept twice as often as one that stands still, and what it is comes with its next regular record. Events always
pass; what raises them bounds them."""


class Chosen:
    """What is known of one tank."""

    __slots__ = ("at_once", "counted_s", "due_s", "kept", "look")

    def __init__(self) -> None:
        self.due_s = -math.inf
        """When it is to be kept next."""
        self.look: Any = None
        self.kept: Previous | None = None
        self.at_once: float = _AT_ONCE
        self.counted_s = 0.0


class Selection:
    """Remembers of each tank what of it was kept last. Times are those of the sheets."""

    def __init__(self, every_s: float) -> None:
        """`every_s` > 0."""
        self.every_s = every_s
        self._tanks: dict[str, Chosen] = {}

    def takes(self, record: TankRecord) -> tuple[bool, Previous | None]:
        """Whether this sheet is history, and if so, which record of its tank was before it.

        None: the first that this process keeps.
        """
        identity = record.identity
        tank = self._tanks.get(identity.tank)
        if tank is None:
            tank = self._tanks[identity.tank] = Chosen()
        now_s = _time_s(record)
        look = _look(record)
        is_due = self._is_due(tank, now_s)
        if not (is_due or record.events or (look != tank.look and self._may(tank, now_s))):
            return False, None
        if is_due:
            tank.due_s = self._next_due_s(tank, identity.tank, now_s)
        tank.look = look
        before, tank.kept = tank.kept, Previous(identity.boot, identity.sequence)
        return True, before

    def _is_due(self, tank: Chosen, now_s: float) -> bool:
        early_s = _EARLY * self.every_s
        # A clock that was set back must not make a tank wait until it has caught up.
        return now_s >= tank.due_s - early_s or now_s < tank.due_s - self.every_s - early_s

    def _next_due_s(self, tank: Chosen, name: str, now_s: float) -> float:
        """From one time to the next, so that a tank is kept so often whatever its period; where there is none to go on
        from, as at the beginning, at a place of its own, so that not all tanks come in one commit."""
        every_s = self.every_s
        if abs(now_s - tank.due_s) <= every_s:
            return tank.due_s + every_s
        return now_s + every_s * (1.0 - zlib.crc32(name.encode()) / 2**32)

    def _may(self, tank: Chosen, now_s: float) -> bool:
        passed_s = max(0.0, now_s - tank.counted_s)
        tank.counted_s = now_s
        tank.at_once = min(float(_AT_ONCE), tank.at_once + passed_s / self.every_s)
        if tank.at_once < 1.0:
            return False
        tank.at_once -= 1.0
        return True


def _time_s(record: TankRecord) -> float:
    given = record.tank_input
    return given.instant.timestamp() if given.steady_s is None else given.steady_s


def _look(record: TankRecord) -> object:
    """What makes a sheet another one, as far as numbers do not."""
    inventory = record.inventory
    return (
        inventory.quality,
        [figure.quality for figure in inventory.figures],
        [element.used for element in inventory.elements],
        inventory.sources,
        inventory.level_state.limit,
        inventory.level_state.roof,
        record.plan,
    )
