"""The connections of a small server, each in a task of its own that somebody looks at when it has ended.

asyncio looks at none: up to CPython 3.11 what went wrong in one is told by the garbage collector, if at all.
"""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from gateway.process.tasks import end

__all__ = ["Connections", "Serve"]

Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Coroutine[Any, Any, None]]
"""Serves one client until either side ends. What peers may do to it, it handles; what it raises is a fault."""


class Connections:
    """Of a server that stops at the first fault of its own."""

    def __init__(self, serve: Serve) -> None:
        self._serve = serve
        self._tasks: set[asyncio.Task[None]] = set()
        self._fault: BaseException | None = None
        self._failed = asyncio.Event()

    def accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """For `asyncio.start_server`."""
        task = asyncio.get_running_loop().create_task(self._served(reader, writer), name="connection")
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    async def until(self, stop: asyncio.Event) -> None:
        """Waits for that, or for the first fault."""
        events = [asyncio.create_task(event.wait()) for event in (stop, self._failed)]
        try:
            await asyncio.wait(events, return_when=asyncio.FIRST_COMPLETED)
        finally:
            await end(events)

    async def close(self) -> None:
        """Ends every connection. Raises the first fault there was, up to now."""
        await end(list(self._tasks))
        await asyncio.sleep(0)  # the callbacks of those that ended just now
        if self._fault is not None:
            raise self._fault

    async def _served(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._serve(reader, writer)
        finally:
            writer.transport.abort()

    def _ended(self, task: "asyncio.Task[None]") -> None:
        self._tasks.discard(task)
        if task.cancelled() or (fault := task.exception()) is None:
            return
        self._fault = self._fault or fault
        self._failed.set()
