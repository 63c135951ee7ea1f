"""Who of a line's workers may ask next, where the line bears one request at a time."""

import asyncio

__all__ = ["AskingRight"]


class AskingRight:
    """Held from the moment the lock was acquired until it is passed on, which happens once."""

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
