"""Who is signed in: sessions by the hash of what their cookie has, each with an end when nobody uses it and one anyway.

In memory, and kept with the people, so that a restart of the gateway signs nobody out. Times: UTC, seconds since the
epoch, handed in. From the loop alone.
"""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Iterable, Mapping

from gateway.person import Role
from gateway.web.access.book import SessionRecord

__all__ = ["MOST_OF_ONE", "Sessions", "key_of", "proof_of"]

MOST_OF_ONE = 16
"""Of one person at once: a screen, a phone, and then some. Of more the one that was used least lately ends."""
_MOST = 2000
_TOKEN_BYTES = 32
_LONGEST_TOKEN = 100
_BACK_S = 3600.0
"""A session that begins later than this from now is of a clock that was wrong: it has ended."""


def key_of(token: str) -> str:
    """By which a session is kept: what is in the file opens nothing."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def proof_of(token: str) -> str:
    """What a request that changes something has beside the cookie: of this session alone, and no way to its token."""
    made = hmac.digest(token.encode("utf-8", "replace"), b"tank-gateway: the page asks, and nobody else", "sha256")
    return base64.urlsafe_b64encode(made).decode().rstrip("=")


class Sessions:
    """`idle_s` and `longest_s` hold for all of them, those that are open included."""

    def __init__(self, idle_s: float, longest_s: float) -> None:
        self.idle_s = idle_s
        self.longest_s = longest_s
        self._records: dict[str, SessionRecord] = {}
        self.is_changed = False
        """Whether there is something to be kept."""

    def restore(self, records: Iterable[SessionRecord]) -> None:
        self._records |= {each.key: each for each in records}

    @property
    def records(self) -> Mapping[str, SessionRecord]:
        return dict(self._records)

    def begin(self, name: str, now: float, *, role: Role | None = None, mark: str = "") -> str:
        """A new session, whatever there was before; what its cookie is to have. `role` and `mark`: of a guest."""
        own = sorted((each for each in self._records.values() if each.name == name), key=lambda each: each.seen)
        for each in own[: max(0, len(own) - MOST_OF_ONE + 1)]:
            del self._records[each.key]
        if len(self._records) >= _MOST:
            del self._records[min(self._records.values(), key=lambda each: each.seen).key]
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        key = key_of(token)
        self._records[key] = SessionRecord(key, name, now, now, role, mark)
        self.is_changed = True
        return token

    def find(self, token: str, now: float) -> SessionRecord | None:
        """That of a cookie, which is in use by that; None where there is none or it has ended."""
        if len(token) > _LONGEST_TOKEN:
            return None
        # By its hash: how long it takes tells nothing of what is near.
        record = self._records.get(key_of(token))
        if record is None or not self._goes_on(record, now):
            return None
        if now > record.seen:
            record = record._replace(seen=now)
            self._records[record.key] = record
        return record

    def goes_on(self, key: str, now: float) -> bool:
        """Whether one that was found before still stands; looking is no use of it."""
        return self.standing(key, now) is not None

    def standing(self, key: str, now: float) -> SessionRecord | None:
        """The same, and what is kept of it."""
        record = self._records.get(key)
        return record if record is not None and self._goes_on(record, now) else None

    def end(self, key: str) -> None:
        if self._records.pop(key, None) is not None:
            self.is_changed = True

    def end_of(self, name: str, *, but: str | None = None) -> int:
        """All of a person, `but` the one with this key; how many there were."""
        keys = [each.key for each in self._records.values() if each.name == name and each.key != but]
        for key in keys:
            self.end(key)
        return len(keys)

    def tidy(self, now: float) -> None:
        """Those that have ended by themselves are forgotten."""
        for record in [each for each in self._records.values() if not self._goes_on(each, now)]:
            self.end(record.key)

    def _goes_on(self, record: SessionRecord, now: float) -> bool:
        used = now - record.seen < self.idle_s and now - record.begun < self.longest_s
        return used and record.begun - now < _BACK_S
