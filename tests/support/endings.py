"""Ways in which a coroutine may end, or not."""

import asyncio
from collections.abc import Awaitable, Callable

__all__ = [
    "Way",
    "cancels_itself",
    "ends",
    "fails",
    "fails_in_a_group",
    "fails_with_a_cancellation_in_its_count",
    "for_ever",
    "waits_for_what_was_cancelled",
]

Way = Callable[[], Awaitable[None]]


async def for_ever() -> None:
    await asyncio.Event().wait()


async def ends() -> None:
    await asyncio.sleep(0)


async def fails() -> None:
    raise OSError("no buffer space")


async def cancels_itself() -> None:
    task = asyncio.current_task()
    assert task is not None
    task.cancel()
    await asyncio.sleep(0)


async def waits_for_what_was_cancelled() -> None:
    future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    future.cancel()
    await future


async def fails_in_a_group() -> None:
    """Before CPython 3.13 the task is left with a cancellation in its count."""
    async with asyncio.TaskGroup() as group:
        group.create_task(fails())


async def fails_with_a_cancellation_in_its_count() -> None:
    """The same in any CPython."""
    try:
        await cancels_itself()
    except asyncio.CancelledError:
        raise OSError("no buffer space") from None
