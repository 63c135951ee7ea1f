"""Pure: how the primary host stands, by what it says on its topic: JSON of `online` and `timestamp` (3.0, 5.13)."""

from typing import Any

import orjson

__all__ = ["PrimaryHost"]

_LARGEST = 4096


class PrimaryHost:
    """Within one connection: what the server retained when it began counts as the latest."""

    def __init__(self) -> None:
        self.online = False
        self.told = False
        """Whether it has said anything here."""
        self.has_left = False
        """Whether it went, be it that it is back: what was sent meanwhile, nobody has read."""
        self._timestamp: int | None = None

    @property
    def reads(self) -> bool:
        """All that it was sent."""
        return self.online and not self.has_left

    def heard(self, payload: bytes) -> bool:
        """Take in what was said. Whether anything has changed: what is older than what was said before is passed over,
        as a last will may come late; so is what nobody can read."""
        said = _state(payload)
        if said is None:
            return False
        online, timestamp = said
        if self._timestamp is not None and timestamp < self._timestamp:
            return False
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
