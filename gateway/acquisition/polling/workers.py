"""How the workers of a line share it: who may ask next, and a wait that ends early when something has happened."""

import asyncio
from collections.abc import Awaitable, Callable

__all__ = ["AskingRight", "Waiting"]


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
