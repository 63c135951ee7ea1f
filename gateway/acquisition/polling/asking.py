"""How a line asks: which of its workers may ask next, a wait that ends early when something has happened, and a block
read several times in a row.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from gateway.acquisition.links.link import DoubtedWords, Link
from gateway.acquisition.polling.instrument import Instrument
from gateway.acquisition.polling.parts import Part
from gateway.clock import Clock
from gateway.errors import DeviceExceptionError, LinkError
from gateway.records import Reading

__all__ = ["AskingRight", "Waiting", "read_in_a_row"]

_VALUES = 4
_READS = 6
_WITHIN_NS = 750_000_000
"""No liquid has gone up and down again within that: the waves of a tank take seconds."""


class AskingRight:
    """Of a line that bears one request at a time: held from when the lock was acquired until it is passed on, once."""

    __slots__ = ("_lock",)

    def __init__(self, acquired: asyncio.Lock) -> None:
        self._lock: asyncio.Lock | None = acquired

    @property
    def is_held(self) -> bool:
        return self._lock is not None

    def pass_on(self) -> None:
        """To whoever waits for the lock. Passing it on twice does no harm."""
        lock, self._lock = self._lock, None
        if lock is not None:
            lock.release()


class Waiting:
    """One wait at a time, which ends early when something may bring forward what is waited for."""

    def __init__(self, sleep: Callable[[float], Awaitable[None]]) -> None:
        self._sleep = sleep
        self._pause: asyncio.Timeout | None = None

    async def wait(self, seconds: float, *, alone: bool) -> None:
        """`alone`: nothing is under way that could end it, which makes it cheaper."""
        if alone:
            await self._sleep(seconds)
            return
        try:
            async with asyncio.timeout(None) as self._pause:
                await self._sleep(seconds)
        except TimeoutError:
            pass  # ended early
        finally:
            self._pause = None

    def end(self) -> None:
        """What is waited for may be due sooner now."""
        pause, self._pause = self._pause, None
        if pause is not None:
            pause.reschedule(asyncio.get_running_loop().time())


async def read_in_a_row(
    link: Link, instrument: Instrument, part: Part, first: Sequence[Reading], timeout_s: float, clock: Clock
) -> None:
    """Hands the readings to the instrument's watch, which sees whether two devices answer by turns.

    `first` were read just now. Spares a device that needs pauses.
    """
    reader = part.reader
    begun_ns = clock.monotonic_ns()
    readings = [first]
    for _ in range(0 if instrument.plan.pause_s else _READS):
        try:
            words = await link.read(instrument.plan.unit, reader.table, reader.address, reader.count, timeout_s)
        except DeviceExceptionError:
            continue  # two that answer at once are told so by some serial servers
        except LinkError:
            break
        now_ns = clock.monotonic_ns()
        if now_ns - begun_ns > _WITHIN_NS or isinstance(words, DoubtedWords):
            break
        readings.append(reader.decode(words, clock.utc_ns(), now_ns))
        if len(readings) == _VALUES:
            break
    instrument.duplicate.read_in_a_row(readings)
