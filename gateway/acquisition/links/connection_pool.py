"""Several connections to one device that allows it: each request goes over the one with the fewest under way.

A device that takes fewer connections than wanted refuses the rest, or drops an older one for each that is new. So a
connection that is refused or does not last is tried again after a wait that doubles, and the others serve meanwhile.
One over which nothing is answered while it is asked is closed and made anew: its peer may have forgotten it.
"""

import asyncio
import random
from collections.abc import Sequence

import structlog

from gateway.acquisition.links.link import Link, LinkCounters
from gateway.backoff import Backoff
from gateway.errors import BadFrameError, DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from gateway.process.tasks import end, fault_of

__all__ = ["ConnectionPool"]

CONNECTIONS_CHANGED = "line.connections_changed"

_LOOK_S = 1.0
"""How often the connections are gone through for one that is lost."""
_LASTED_S = 60.0
"""A connection that was open for so long has not been dropped for want of room."""
_LONGEST_WAITS = 10
"""Times the longest wait between two tries of a line that has no connection at all: this one is served."""
_SILENT_IN_A_ROW = 3
"""Requests without an answer, none answered between, after which a connection is made anew."""
_LONGEST_SILENCE = 96


class _Member:
    """One of the connections."""

    __slots__ = ("backoff", "link", "open_since_s", "retry_at_s", "silence_limit", "silent", "under_way")

    def __init__(self, link: Link, backoff: Backoff) -> None:
        self.link = link
        self.backoff = backoff
        self.under_way = 0
        self.silent = 0
        self.silence_limit = _SILENT_IN_A_ROW
        self.open_since_s: float | None = None
        """None from the moment its loss is noticed."""
        self.retry_at_s = 0.0

    def answered(self) -> None:
        self.silent = 0
        self.silence_limit = _SILENT_IN_A_ROW


class ConnectionPool:
    """A `Link` over several. It is connected while one of them is."""

    def __init__(
        self, links: Sequence[Link], backoff_first_s: float, backoff_longest_s: float, line: str, source: random.Random
    ) -> None:
        self._members = [
            _Member(link, Backoff(backoff_first_s, _LONGEST_WAITS * backoff_longest_s, source)) for link in links
        ]
        self._keeper: asyncio.Task[None] | None = None
        self._said = 0
        self._log = structlog.get_logger().bind(line=line)

    @property
    def connected(self) -> bool:
        return any(member.link.connected for member in self._members)

    @property
    def open_connections(self) -> int:
        return sum(member.link.connected for member in self._members)

    @property
    def counters(self) -> LinkCounters:
        return LinkCounters.total(member.link.counters for member in self._members)

    async def connect(self, timeout_s: float) -> None:
        """Makes the first connection; the others follow while it serves already."""
        await self.close()
        first, *others = self._members
        await first.link.connect(timeout_s)
        now_s = asyncio.get_running_loop().time()
        for member in self._members:
            member.answered()
        first.open_since_s = now_s
        for member in others:
            member.open_since_s, member.retry_at_s = None, now_s
        self._keeper = asyncio.create_task(self._keep(timeout_s), name="connections")

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        """See `Link`. A request whose connection breaks is asked once more over another: reading twice does no harm."""
        self._check_keeper()
        try:
            return await self._read(unit, table, address, count, timeout_s)
        except NoConnectionError:
            if not self.connected:
                raise
        return await self._read(unit, table, address, count, timeout_s)

    async def close(self) -> None:
        keeper, self._keeper = self._keeper, None
        if keeper is not None:
            await end([keeper])
        for member in self._members:
            await member.link.close()

    async def _read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        member = min(
            (member for member in self._members if member.link.connected),
            key=lambda member: member.under_way,
            default=self._members[0],
        )
        member.under_way += 1
        try:
            values = await member.link.read(unit, table, address, count, timeout_s)
        except NoAnswerError:
            member.silent += 1
            if member.silent >= member.silence_limit and member.link.connected and self.open_connections > 1:
                await self._doubt(member)
            raise
        except (BadFrameError, DeviceExceptionError):
            member.answered()
            raise
        finally:
            member.under_way -= 1
        member.answered()
        return values

    async def _doubt(self, member: _Member) -> None:
        """Close a connection on which all is silent; what is under way on it is asked again over another.

        Instruments that are dead behind it look the same: where a new one changes nothing, twice the silence is waited
        for the next time.
        """
        member.silence_limit = min(2 * member.silence_limit, _LONGEST_SILENCE)
        member.silent = 0
        member.open_since_s, member.retry_at_s = None, asyncio.get_running_loop().time()
        await member.link.close()

    # The keeper, which owns every connection but the first at its making

    def _check_keeper(self) -> None:
        """A mistake in the program must not go by unnoticed in a task that nobody waits for."""
        if self._keeper is not None and self._keeper.done():
            raise fault_of(self._keeper)

    async def _keep(self, timeout_s: float) -> None:
        while True:
            for member in self._members:
                await self._look_after(member, timeout_s)
            self._say()
            await asyncio.sleep(_LOOK_S)

    async def _look_after(self, member: _Member, timeout_s: float) -> None:
        now_s = asyncio.get_running_loop().time()
        if member.link.connected:
            return
        if member.open_since_s is not None:
            lasted_s = now_s - member.open_since_s
            member.open_since_s = None
            member.retry_at_s = now_s + member.backoff.after(lasted_s if lasted_s >= _LASTED_S else 0.0)
        if now_s < member.retry_at_s or not self.connected:
            return  # without any, the line connects by its own rules
        try:
            await member.link.connect(timeout_s)
        except LinkError:
            member.retry_at_s = asyncio.get_running_loop().time() + member.backoff.after(0.0)
        else:
            member.open_since_s = asyncio.get_running_loop().time()

    def _say(self) -> None:
        opened = self.open_connections
        if opened not in (self._said, 0):
            self._said = opened
            self._log.info(CONNECTIONS_CHANGED, open=opened, wanted=len(self._members))
