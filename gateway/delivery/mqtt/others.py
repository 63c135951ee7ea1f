"""Pure: who else is there. Another gateway on our topics, and another client with our client identifier.

Two gateways of one site overwrite each other's numbers, and the one that is stopped first would mark the tanks of the
other Bad. Two clients with one identifier are worse: the server ends the older connection each time the other connects.
All times are monotonic seconds.
"""

from typing import Any, TypeGuard

import orjson

from gateway.delivery.mqtt_wire.words import EndedBy
from gateway.payload.writer import STATUS_SCHEMA
from gateway.status import LastBoot

__all__ = ["ClientIdWatch", "OtherBoots"]

_LONGEST_STATUS = 65_536
_LONGEST_NAME = 64
_TAKEN_OVER = 2
_CLOSED = 3


class OtherBoots:
    """What is said on the status topic of our site by others than this boot."""

    def __init__(self, boot: str, forget_after_s: float) -> None:
        """`forget_after_s`: how long another gateway counts as online after it has said so."""
        self._boot = boot
        self._forget_after_s = forget_after_s
        self._online: str | None = None
        self._online_s = 0.0
        self.heard_ourselves = False
        """Whether anything that we say there comes back: only then would we hear another."""
        self.last: LastBoot | None = None

    def heard(self, payload: bytes, retained: bool, now_s: float) -> bool:
        """A message on the topic. Whether ours should be told again, since what it says hides us or does not know us.

        Anybody may have sent it, so what is no status of a gateway is passed over.
        """
        told = _status(payload)
        if told is None:
            return False
        if told.boot == self._boot:
            self.heard_ourselves = True
            return False
        if retained and self.last is None and not self.heard_ourselves:
            self.last = told
            return True
        if self.last is not None and self.last.boot == told.boot:
            self.last = told
        if retained:
            return False
        if told.state == "offline":
            if self._online == told.boot:
                self._online = None
            return True
        new = self.online(now_s) != told.boot
        self._online, self._online_s = told.boot, now_s
        return new

    def online(self, now_s: float) -> str | None:
        """The boot of another gateway that says now that it is online, or None."""
        return self._online if now_s - self._online_s < self._forget_after_s else None


class ClientIdWatch:
    """Whether the server ends our connections because another client comes with our identifier."""

    def __init__(self, soon_s: float) -> None:
        """`soon_s`: a connection that lasts longer was not taken over at once, or is not any more."""
        self._soon_s = soon_s
        self._in_a_row = 0
        self.sure: bool | None = None
        """None: no sign of it. False: it looks so. True: the server says so."""

    def ended(self, by: EndedBy, lasted_s: float | None) -> bool:
        """A connection, or the try for one (`lasted_s` None), has ended. Whether that has made it clear, or clearer."""
        before = self.sure
        if lasted_s is None or by in (EndedBy.SILENCE, EndedBy.OTHER) or lasted_s > self._soon_s:
            self._in_a_row = 0
            return False
        self._in_a_row += 1
        if by is EndedBy.TAKEOVER and self._in_a_row >= _TAKEN_OVER:
            self.sure = True
        elif self._in_a_row >= _CLOSED:
            self.sure = bool(before)
        return self.sure is not before

    def lasts(self, lasted_s: float) -> bool:
        """The present connection stands since so long. Whether that has ended it."""
        if self.sure is None or lasted_s <= self._soon_s:
            return False
        self.sure = None
        self._in_a_row = 0
        return True


def _status(payload: bytes) -> LastBoot | None:
    """What a gateway of any version says of itself, or None."""
    if len(payload) > _LONGEST_STATUS:
        return None
    try:
        told = orjson.loads(payload)
    except orjson.JSONDecodeError:
        return None
    if not isinstance(told, dict) or told.get("schema") != STATUS_SCHEMA:
        return None
    boot, state, cause, time = [told.get(name) for name in ("boot", "state", "cause", "time")]
    if not (
        _is_name(boot) and _is_name(time) and state in ("online", "offline") and (cause is None or _is_name(cause))
    ):
        return None
    return LastBoot(boot, state, cause, time, _waiting(told) if cause == "stopped" else None)


def _waiting(told: dict[str, Any]) -> int | None:
    """Records that a gateway which said good-bye had not delivered: of history where it kept any."""
    try:
        waiting = sum((each.get("history") or each)["waiting"] for each in told["destinations"])
    except (KeyError, TypeError, AttributeError):
        return None
    return waiting if isinstance(waiting, int) and waiting >= 0 else None


def _is_name(value: Any) -> TypeGuard[str]:
    return isinstance(value, str) and 0 < len(value) <= _LONGEST_NAME and value.isprintable()
