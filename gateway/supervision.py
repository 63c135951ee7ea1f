"""Keeps one loop of the daemon going: whatever ends it is logged, and it is begun again."""

import asyncio
from collections.abc import Awaitable, Callable

import structlog

from gateway.backoff import Backoff
from gateway.clock import Clock
from gateway.errors import GatewayError
from gateway.tasks import Loop, end, fault_of

__all__ = ["supervise"]

TASK_FAILED = "gateway.task_failed"

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
