"""Keeps the loops of the daemon going, each by itself: whatever ends one is logged, and it is begun again."""

import asyncio
import random as random_module
from collections.abc import Awaitable, Callable, Iterable
from functools import partial

import structlog

from gateway.backoff import Backoff
from gateway.clock import Clock
from gateway.errors import GatewayError
from gateway.process.tasks import Loop, end, fault_of

__all__ = ["Loops", "supervise"]

TASK_FAILED = "gateway.task_failed"
TASK_LEFT = "gateway.task_left"

_BEGIN_AGAIN_FIRST_S = 1.0
_BEGIN_AGAIN_LONGEST_S = 60.0

_LOGGER = structlog.get_logger("gateway.daemon")


async def supervise(
    name: str,
    loop: Loop,
    backoff: Backoff,
    clock: Clock,
    *,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Run one loop until cancelled, each time in a task of its own, so that nothing of a fault stays behind in it.

    A fault nobody foresaw, an end and a cancellation that nobody asked for are alike: logged in full, and after a wait
    the loop is begun again. Only what must end the process, such as SystemExit, leaves this.
    """
    while True:
        begun_ns = clock.monotonic_ns()
        task = asyncio.create_task(loop(), name=name)
        try:
            await asyncio.wait([task])
        except asyncio.CancelledError:
            await end([task])
            if not task.cancelled() and task.exception() is not None:
                _log(name, fault_of(task), backoff.failures + 1)
            raise
        fault = fault_of(task)
        if not isinstance(fault, Exception):
            raise fault
        wait_s = backoff.after((clock.monotonic_ns() - begun_ns) / 1e9)
        _log(name, fault, backoff.failures, again_in_s=round(wait_s, 1))
        await sleep(wait_s)


def _log(name: str, fault: BaseException, attempt: int, **more: float) -> None:
    if isinstance(fault, GatewayError):
        _LOGGER.error(TASK_FAILED, task=name, attempt=attempt, error=str(fault), hint=fault.hint, **more)
    else:
        _LOGGER.error(TASK_FAILED, task=name, attempt=attempt, exc_info=fault, **more)


class Loops:
    """Named loops, each supervised, that are begun and ended one by one while the others go on."""

    def __init__(self, clock: Clock, random: random_module.Random, begun: Callable[[str], None]) -> None:
        """`begun` is told each time a loop is begun, or begun again."""
        self._clock = clock
        self._random = random
        self._begun = begun
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._ended = asyncio.Event()

    def begin(self, name: str, loop: Loop) -> None:
        """Keep it going until it is ended by `end`."""
        assert name not in self._tasks, name

        async def anew() -> None:
            self._begun(name)
            await loop()

        backoff = Backoff(_BEGIN_AGAIN_FIRST_S, _BEGIN_AGAIN_LONGEST_S, self._random)
        supervised = partial(supervise, name, anew, backoff, self._clock)
        task = self._tasks[name] = asyncio.create_task(supervised(), name=f"{name}, supervised")
        task.add_done_callback(lambda _: self._ended.set())

    async def end(self, names: Iterable[str], *, within_s: float) -> None:
        """End loops, all at once. One that has not ended in that time is left to itself, and said: no other waits."""
        tasks = {name: task for name in names if (task := self._tasks.pop(name, None)) is not None}
        left = await end(tasks.values(), patience_s=within_s, times=1)
        for name, task in tasks.items():
            if task in left:
                _LOGGER.error(TASK_LEFT, task=name, within_s=within_s)

    async def end_all(self, *, within_s: float) -> None:
        await self.end(list(self._tasks), within_s=within_s)

    async def fault(self) -> BaseException:
        """Waits for one that ended though nobody ended it, which supervision lets happen only for the process's end."""
        while True:
            for task in self._tasks.values():
                if task.done():
                    return fault_of(task)
            self._ended.clear()
            await self._ended.wait()

    @property
    def names(self) -> list[str]:
        """Of those that are kept going."""
        return list(self._tasks)
