"""Tasks that never end by themselves: however one of them ends, it is seen.

asyncio.TaskGroup takes a task that was cancelled for one that is done, whoever cancelled it. And before CPython 3.13 a
group that failed leaves its parent with a cancellation in its count that nobody asked for; in 3.11.2 (Debian 12)
`asyncio.timeout` goes by that count and ends in CancelledError where TimeoutError is due. So nothing here goes by a
count: whoever begins a task looks at how it ended, and knows whether it was told to.
"""

import asyncio
from collections.abc import Callable, Collection, Coroutine, Iterable
from typing import Any, TypeVar

__all__ = ["EndedError", "Loop", "apart", "end", "fault_of", "run_together"]

_PATIENCE_S = 10.0
_PATIENCE_APART_S = 1.0
_TIMES_APART = 3

T = TypeVar("T")

Loop = Callable[[], Coroutine[Any, Any, Any]]
"""Begins something that goes on until it is cancelled."""


class EndedError(RuntimeError):
    """A task ended, or was cancelled, though nobody asked for it."""


def fault_of(task: "asyncio.Task[Any]") -> BaseException:
    """Why a task has ended that nobody told to end: its own error, or an EndedError that says how."""
    if not task.cancelled():
        return task.exception() or EndedError(f"{task.get_name()} came to an end by itself, which it never should")
    error = EndedError(f"{task.get_name()} was cancelled, and nobody asked for it")
    try:
        task.result()
    except asyncio.CancelledError as exc:
        error.__cause__ = exc  # whose traceback says where
    return error


async def end(
    tasks: "Collection[asyncio.Task[Any]]", *, patience_s: float = _PATIENCE_S, times: int | None = None
) -> "set[asyncio.Task[Any]]":
    """Cancel tasks and wait until all of them have ended. One that goes on for `patience_s` is cancelled once more.

    With `times`, what has not ended after so many cancellations is left to itself and returned. A cancellation of the
    caller that comes meanwhile is passed on at the end.
    """
    interrupted: asyncio.CancelledError | None = None
    pending = {task for task in tasks if not task.done()}
    told = 1
    for task in pending:
        task.cancel()
    while pending:
        try:
            _, pending = await asyncio.wait(pending, timeout=patience_s)
        except asyncio.CancelledError as exc:
            interrupted = exc
            pending = {task for task in pending if not task.done()}
        else:
            if told == times:
                break
            told += 1
            for task in pending:
                task.cancel()
    if interrupted is not None:
        raise interrupted
    return pending


async def apart(work: Coroutine[Any, Any, T], name: str) -> T:
    """What it gives or raises, from a task of its own.

    For libraries that may swallow a cancellation, as `asyncio.wait_for` of CPython 3.11 does where the answer comes in
    the same moment: that of the caller stays with the caller. Being cancelled it waits a few seconds at most.
    """
    task = asyncio.create_task(work, name=name)
    try:
        await asyncio.wait([task])
    finally:
        await end([task], patience_s=_PATIENCE_APART_S, times=_TIMES_APART)
        # Of one that is left nobody asks any more.
        failed = _failed(task) if task.done() else False
    if task.cancelled() or failed:
        raise fault_of(task)
    return task.result()


async def run_together(loops: Iterable[tuple[str, Loop]]) -> None:
    """Run named loops side by side, each in a task of its own, until cancelled; without any, only wait for that.

    When one of them ends, whichever way, the others are ended and what was wrong is raised: the error itself, or a
    group where there are several.
    """
    tasks = [asyncio.create_task(loop(), name=name) for name, loop in loops]
    if not tasks:
        await asyncio.Event().wait()
    ended: set[asyncio.Task[Any]] = set()
    try:
        ended, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await end(tasks)
        faults = [fault_of(task) for task in tasks if task in ended or _failed(task)]
        if len(faults) == 1:
            raise faults[0]
        if faults:
            raise BaseExceptionGroup("several tasks ended", faults)


def _failed(task: "asyncio.Task[Any]") -> bool:
    return not task.cancelled() and task.exception() is not None
