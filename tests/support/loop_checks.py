"""What the debug mode of asyncio refuses, refused in every test: a loop called from a thread that is not its own, and a
coroutine in place of a callback.

The mode itself also writes down the stack of each callback and task, for messages: that was half of the processor time
of tests that play long times. `pytest -o asyncio_debug=true` has it all.
"""

import asyncio
import inspect
from asyncio import BaseEventLoop
from collections.abc import Callable
from contextvars import Context
from typing import Any

import uvloop

__all__ = ["CheckedUvloop", "check_every_loop"]


def check_every_loop() -> None:
    """From now on, for every loop of asyncio in this process."""
    call_soon, call_at = BaseEventLoop.call_soon, BaseEventLoop.call_at

    def checked_soon(
        self: BaseEventLoop, callback: Callable[..., object], *args: Any, context: Context | None = None
    ) -> asyncio.Handle:
        _check(self, callback)
        return call_soon(self, callback, *args, context=context)

    def checked_at(
        self: BaseEventLoop, when: float, callback: Callable[..., object], *args: Any, context: Context | None = None
    ) -> asyncio.TimerHandle:
        _check(self, callback)
        return call_at(self, when, callback, *args, context=context)

    BaseEventLoop.call_soon = checked_soon  # type: ignore[assignment, method-assign]
    BaseEventLoop.call_at = checked_at  # type: ignore[assignment, method-assign]


def _check(loop: BaseEventLoop, callback: object) -> None:
    if loop.is_running() and asyncio._get_running_loop() is not loop:
        raise RuntimeError("an event loop was called from a thread that is not its own")
    if inspect.iscoroutinefunction(callback) or inspect.iscoroutine(callback):
        raise TypeError(f"a coroutine in place of a callback: {callback}")


class CheckedUvloop(uvloop.Loop):
    """The other loop, whose debug mode does the same and is cheap."""

    def set_debug(self, enabled: bool) -> None:
        super().set_debug(True)
