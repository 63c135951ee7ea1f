"""A wait that ends early when something has happened that may bring forward what is waited for."""

import asyncio
from collections.abc import Awaitable, Callable

__all__ = ["Waiting"]


class Waiting:
    """One wait at a time."""

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
