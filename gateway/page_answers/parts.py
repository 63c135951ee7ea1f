"""What the answers are made of: the parts of a running gateway, and reads of its ledger that nobody waits for long."""

import sqlite3
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Protocol, TypeVar

import orjson

from gateway.approving import Approving
from gateway.binding import TankBinding
from gateway.clock import Clock
from gateway.errors import NotKeptError
from gateway.keeping import Keeping
from gateway.pipeline import Pipeline
from gateway.process.one_thread import done_within
from gateway.settings import SiteSettings, TankSetup
from gateway.status import GatewaySnapshot
from gateway.tank_record import TankRecord
from gateway.web.interface.contract import BusyError, Call, Made, UnknownError

__all__ = ["Parts", "instant_of", "made", "ns_of"]

_READ_S = 15.0
_MOST_READS = 12
"""At once: each waits for those before it, as one thread reads."""
_NO_LEDGER = "this gateway keeps no ledger, so that it knows nothing of what was before"
_WITH_LEDGER = "leave out `enabled: no` of `ledger` in the site file, and give it a state directory or a file"
T = TypeVar("T")


class Gateway(Protocol):
    """A running one, as far as it is asked here."""

    acting: Approving

    @property
    def settings(self) -> SiteSettings: ...

    @property
    def http_port(self) -> int | None: ...

    def snapshot(self) -> GatewaySnapshot: ...


@dataclass
class Parts:
    """From the gateway's loop."""

    gateway: Gateway
    pipeline: Pipeline
    keeping: Keeping
    clock: Clock
    """Of tanks and their readings."""
    _reads: list[Future[Any]] = field(default_factory=list)
    """Under way."""

    @property
    def acting(self) -> Approving:
        return self.gateway.acting

    def site(self) -> SiteSettings:
        """As it is watched now."""
        return self.gateway.settings

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.clock.utc_ns() / 1e9, UTC)

    def setup(self, call: Call) -> TankSetup:
        """Of the tank in the path, with what it holds. Raises UnknownError."""
        tag = call.path["tank"]
        try:
            return self.acting.setup(tag)
        except KeyError:
            shown = "".join(each if each.isprintable() else "?" for each in tag[:80])
            raise UnknownError(
                f"there is no tank '{shown}' on this site", "/inventories lists those there are"
            ) from None

    def binding(self, tag: str) -> TankBinding:
        return self.acting.setup(tag).binding

    def record(self, tag: str) -> TankRecord | None:
        """The newest; None before the first."""
        return next((each for each in self.pipeline.records() if each.identity.tank == tag), None)

    async def read(self, reading: Callable[[sqlite3.Connection], T], *, is_fresh: bool = True) -> T:
        """From the ledger. `is_fresh`: with all that was taken in before, which is put on the disk for it.

        Raises NotKeptError, BusyError: what cannot be read is never told as nothing.
        """
        if self.keeping.is_refused:
            status = self.keeping.status()
            trouble = "" if status is None or status.trouble is None else f": {status.trouble.text}"
            raise _unread(f"the ledger cannot be used{trouble}", "see to its file")
        if not self.keeping.keeps_papers:
            raise _unread(_NO_LEDGER, _WITH_LEDGER)
        self._reads = [each for each in self._reads if not each.done()]
        if len(self._reads) >= _MOST_READS:
            raise BusyError(f"{_MOST_READS} others read the ledger at this moment", "try again in a few seconds")
        future: Future[T] = self.keeping.read_aside(reading, is_fresh=is_fresh)
        self._reads.append(future)
        if not await done_within(future, _READ_S):
            raise _unread(f"the disk does not give what was kept within {_READ_S:g} s", "try again; see to the disk")
        error = future.exception()
        if error is not None:
            raise _unread(f"the ledger cannot be read: {error}", "see `tank-gateway ledger check`")
        return future.result()


def _unread(text: str, hint: str) -> NotKeptError:
    error = NotKeptError(text)
    error.hint = hint
    return error


def made(document: Mapping[str, Any]) -> Made:
    return Made(orjson.dumps(document))


def instant_of(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def ns_of(instant: datetime) -> int:
    return round(instant.timestamp() * 1e9)
