"""Two ways to the same instruments, one in use: over to the standby when the first is lost, and back when it is well.

Two converters on one bus must never send at once, so a request goes one way only, and after a request without an
answer its time-out passes once more before the other way is used. While the standby is in use the first way is
connected to from time to time, without a request; when that succeeds, the standby is closed and the first way is used.
Where it then brings no answer it is left again, and tried half as often each time.
"""

import asyncio
from contextlib import suppress
from typing import NamedTuple

import structlog

from gateway.acquisition.links.link import Link, LinkCounters
from gateway.acquisition.plan import LinePath
from gateway.errors import BadFrameError, DeviceExceptionError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.tables import Table
from gateway.process.tasks import end, fault_of

__all__ = ["StandbyLink", "Way"]

PATH_CHANGED = "line.path_changed"

_FIRST, _STANDBY = 0, 1
_DOUBLINGS = 5


class Way(NamedTuple):
    path: LinePath
    link: Link


class StandbyLink:
    """A `Link` over one of two ways. `path` tells which; `connected` is that of the way in use."""

    def __init__(self, first: Way, standby: Way, fail_back_s: float, line: str) -> None:
        self._ways = (first, standby)
        self._fail_back_s = fail_back_s
        self._active = _FIRST
        self._answers = True
        """Whether the way in use answered the last request; it has the benefit of the doubt before the first."""
        self._vain_returns = 0
        self._probe: asyncio.Task[float] | None = None
        self._turn = asyncio.Lock()
        self._outstanding = 0
        self._idle = asyncio.Event()
        self._idle.set()
        self._hush_until_s = 0.0
        self._log = structlog.get_logger().bind(line=line)

    @property
    def connected(self) -> bool:
        return self._ways[self._active].link.connected

    @property
    def counters(self) -> LinkCounters:
        return LinkCounters.total(way.link.counters for way in self._ways)

    @property
    def path(self) -> LinePath:
        return self._ways[self._active].path

    @property
    def link(self) -> Link:
        """That of the way in use."""
        return self._ways[self._active].link

    @property
    def on_standby(self) -> bool:
        return self._active == _STANDBY

    async def connect(self, timeout_s: float) -> None:
        """The way that was in use, if it answered, else the other; then the remaining one."""
        await self.close()
        preferred = self._active if self._answers else 1 - self._active
        causes: list[str] = []
        for index in (preferred, 1 - preferred):
            way = self._ways[index]
            if index != self._active:
                await self._hush()
            try:
                await way.link.connect(timeout_s)
            except NoConnectionError as exc:
                causes.append(f"{way.path}: {exc}")
                continue
            cause = causes[0] if causes else f"{self.path} brings no answer"
            self._take(index, cause)
            if index == _STANDBY:
                self._begin_probe(timeout_s)
            return
        self._active, self._answers = _FIRST, True
        raise NoConnectionError("; ".join(causes))

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        async with self._turn:
            await self._return_if_possible()
            link = self._ways[self._active].link
            self._outstanding += 1
            self._idle.clear()
        try:
            values = await link.read(unit, table, address, count, timeout_s)
        except DeviceExceptionError:
            self._answered()
            raise
        except (NoAnswerError, BadFrameError):
            self._answers = False
            self._expect_hush(timeout_s)
            raise
        except (asyncio.CancelledError, NoConnectionError):
            self._expect_hush(timeout_s)
            raise
        finally:
            self._outstanding -= 1
            if not self._outstanding:
                self._idle.set()
        self._answered()
        return values

    async def close(self) -> None:
        probe, self._probe = self._probe, None
        if probe is not None:
            await end([probe])
        for way in self._ways:
            await way.link.close()

    def _answered(self) -> None:
        self._answers = True
        if self._active == _FIRST:
            self._vain_returns = 0

    def _take(self, index: int, cause: str) -> None:
        """Makes a way the one in use. It has yet to answer."""
        self._answers = False
        if index != self._active:
            self._active = index
            self._log.warning(PATH_CHANGED, path=str(self.path), cause=cause)

    def _expect_hush(self, timeout_s: float) -> None:
        """What was asked may still be under way to the instrument, or its answer back."""
        self._hush_until_s = asyncio.get_running_loop().time() + timeout_s

    async def _hush(self) -> None:
        wait_s = self._hush_until_s - asyncio.get_running_loop().time()
        if wait_s > 0.0:
            await asyncio.sleep(wait_s)

    def _begin_probe(self, timeout_s: float) -> None:
        name = f"probe of {self._ways[_FIRST].path}"
        self._probe = asyncio.create_task(self._look_for_the_first(timeout_s), name=name)

    async def _look_for_the_first(self, timeout_s: float) -> float:
        """Ends when the first way is connected, with what it was given."""
        wait_s = self._fail_back_s * 2 ** min(self._vain_returns, _DOUBLINGS)
        first = self._ways[_FIRST].link
        while not first.connected:
            await asyncio.sleep(wait_s)
            with suppress(LinkError):
                await first.connect(timeout_s)
        return timeout_s

    async def _return_if_possible(self) -> None:
        if self._probe is None or not self._probe.done():
            return
        if self._probe.cancelled():
            raise fault_of(self._probe)
        timeout_s = self._probe.result()
        if not self._ways[_FIRST].link.connected:
            self._begin_probe(timeout_s)
            return
        await self._idle.wait()
        self._probe = None
        await self._ways[_STANDBY].link.close()
        await self._hush()
        self._vain_returns += 1
        self._take(_FIRST, f"{self._ways[_FIRST].path} can be reached again")
