"""What is still to be told of alarms: each has a topic with how it stands, retained, newest wins; what is wrong first.

Pure but for what it is given: no connection and no clock. After a connect the server may have forgotten what it
retained, and may have what a process before this one left there: every alarm is told, normal or not.
"""

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple
from urllib.parse import quote

from gateway.payload.alarms import alarm_json
from gateway.status import GatewaySnapshot
from gateway.tank_state import AlarmNow, AlarmPhase, AlarmStanding
from gateway.validity import valid_for_s

__all__ = ["AlarmTopics", "Due"]

_AGAIN_S, _NORMAL_AGAIN_S = 60.0, 600.0
"""A thousand tanks have fifteen thousand alarms that are normal: 25 of them a second."""
_FORBIDDEN = frozenset("/+#% ")
_Key = tuple[str, str]
"""Tank and name."""


class Due(NamedTuple):
    """To be told of one alarm; without a payload there is none of that name any more, and its topic is emptied."""

    topic: str
    payload: bytes


class AlarmTopics:
    """`look` where something may have changed, then `urgent` and `rest` until there is nothing."""

    def __init__(self, root: str, snapshot: Callable[[], GatewaySnapshot], look_every_s: float) -> None:
        """`look_every_s`: of the machine's time, how often it looks at least."""
        self._look_every_s = look_every_s
        self._root = root
        self._snapshot = snapshot
        self._seen: GatewaySnapshot | None = None
        self._told: dict[_Key, AlarmStanding] = {}
        self._said: dict[_Key, datetime] = {}
        """When, by the site's time: what is said holds for a while only."""
        self._ever: set[_Key] = set()
        """Told in this process or the one before it: what is no more of them may still lie at the server."""
        self._urgent: dict[_Key, AlarmNow | None] = {}
        self._rest: dict[_Key, AlarmNow | None] = {}

    def look(self) -> None:
        """Find what has changed since it was told."""
        self._seen = self._snapshot()
        present = {(alarm.tank, alarm.standing.name): alarm for alarm in self._seen.alarms}
        self._ever.update(present, self._seen.alarms_before)
        for key, alarm in present.items():
            standing = alarm.standing
            told = self._told.get(key)
            if told is not standing and told != standing:
                self._told[key] = standing
                is_news = told is not None or standing.phase is not AlarmPhase.NORMAL
                self._rest.pop(key, None)
                self._urgent.pop(key, None)
                (self._urgent if is_news else self._rest)[key] = alarm
            elif key not in self._urgent and self._is_old(key, alarm):
                self._rest[key] = alarm
        for key in [key for key in self._told if key not in present]:
            del self._told[key]
            self._said.pop(key, None)
            self._urgent.pop(key, None)
            self._rest[key] = None

    def connected(self) -> None:
        """All of it is to be told again, also what is no more: whether that had arrived nobody knows."""
        self._told.clear()
        self._said.clear()
        self._urgent.clear()
        self._rest.clear()
        self.look()
        self._rest |= {key: None for key in self._ever if key not in self._told}

    def urgent(self) -> Due | None:
        """What is wrong, and what has changed: before any record."""
        return self._next(self._urgent)

    def rest(self) -> Due | None:
        """What is normal, as it was: when nothing else waits."""
        return self._next(self._rest)

    @property
    def waits(self) -> bool:
        """Whether anything is still to be told."""
        return bool(self._urgent or self._rest)

    def _is_old(self, key: _Key, alarm: AlarmNow) -> bool:
        said = self._said.get(key)
        if said is None or self._seen is None:
            return False
        # A clock that was set back has said of it until when it holds by another time.
        return not 0.0 <= (self._seen.instant - said).total_seconds() < self._again_s(alarm)

    def _again_s(self, alarm: AlarmNow) -> float:
        """After how long it is said again though nothing has changed, by the site's time."""
        again_s = _NORMAL_AGAIN_S if alarm.standing.phase is AlarmPhase.NORMAL else _AGAIN_S
        factor = 1.0 if self._seen is None else self._seen.time_factor
        return max(again_s, self._look_every_s * factor)

    def _next(self, due: dict[_Key, AlarmNow | None]) -> Due | None:
        if not due or self._seen is None:
            return None
        (tank, name), alarm = next(iter(due.items()))
        del due[tank, name]
        seen, payload = self._seen, b""
        if alarm is not None:
            self._said[tank, name] = seen.instant
            for_s = valid_for_s(self._again_s(alarm))
            payload = alarm_json(seen.site, alarm, seen.instant, for_s, simulated=seen.simulated)
        return Due(f"{self._root}/{tank or 'gateway'}/alarms/{_level(name)}", payload)


def _level(name: str) -> str:
    """One level of a topic: an alarm of a destination has in its name what a folder may have in its own. What MQTT
    does not allow there is written as in a URL."""
    if _FORBIDDEN.isdisjoint(name) and name.isprintable():
        return name
    return "".join(
        quote(each, safe="", errors="replace") if each in _FORBIDDEN or not each.isprintable() else each
        for each in name
    )
