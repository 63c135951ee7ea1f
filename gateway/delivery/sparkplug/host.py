"""Pure: how the primary host stands, by what it says on its topic: JSON of `online` and `timestamp` (3.0, 5.13)."""

from collections import deque
from typing import Any

import orjson

__all__ = ["PrimaryHost"]

_LARGEST = 4096
_REMEMBERED = 100


class PrimaryHost:
    """Within one connection: what the server retained when it began counts as the latest."""

    def __init__(self) -> None:
        self.online = False
        self.told = False
        """Whether it has said anything here."""
        self.has_left = False
        """Whether it went, be it that it is back: what was sent meanwhile, nobody has read."""
        self._has_come_anew = False
        """A last will has come of a connection before the one by which it is online: it had gone without a word."""
        self._timestamp: int | None = None
        self._before: deque[int] = deque(maxlen=_REMEMBERED)
        """Of the connections before, whose last wills have not come: a host tells by the same time that it is online
        and, as its last will, that it is not. It may go and come several times before the first of them comes."""

    @property
    def reads(self) -> bool:
        """All that it was sent."""
        return self.online and not self.has_left

    def came_anew(self) -> bool:
        """Whether it is known since this was asked last that it had gone without a word and is back."""
        came, self._has_come_anew = self._has_come_anew, False
        return came

    def heard(self, payload: bytes) -> bool:
        """Take in what was said. Whether anything has changed: what is older than what was said before is passed over,
        as a last will may come late; so is what nobody can read."""
        said = _state(payload)
        if said is None:
            return False
        online, timestamp = said
        if self._timestamp is not None and timestamp < self._timestamp:
            if self.online and not online and timestamp in self._before:
                self._before.remove(timestamp)
                self._has_come_anew = True
            return False
        if self.online and self._timestamp is not None and self._timestamp != timestamp:
            self._before.append(self._timestamp)
        changed = online != self.online or not self.told
        self.has_left = self.has_left or (self.online and not online)
        self.online, self.told, self._timestamp = online, True, timestamp
        return changed


def _state(payload: bytes) -> tuple[bool, int] | None:
    if len(payload) > _LARGEST:
        return None
    try:
        said: Any = orjson.loads(payload)
    except orjson.JSONDecodeError:
        return None
    if not isinstance(said, dict):
        return None
    online, timestamp = said.get("online"), said.get("timestamp")
    # A bool is an int in Python, and no time.
    if not isinstance(online, bool) or not isinstance(timestamp, int) or isinstance(timestamp, bool):
        return None
    return online, timestamp
