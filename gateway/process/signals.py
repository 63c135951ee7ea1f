"""SIGTERM, SIGINT and SIGQUIT: at any moment the way to a clean end, with exit code 0; and if that hangs, to an end."""

import asyncio
import os
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from types import FrameType

__all__ = ["ignore_signals", "leave_on_signals", "on_hang_up", "stop_on_signals"]

_SIGNALS = (signal.SIGQUIT, signal.SIGINT, signal.SIGTERM)
"""In this order: once SIGTERM is listened to, which nothing in the interpreter does by itself, the others are too."""

_came_early: list[int] = []
"""Those that came before there was anything to stop. What should end the process then may be swallowed: of what is
raised in a callback of its own the interpreter only complains, and goes on."""


def leave_on_signals() -> None:
    """Before there is anything to stop: end the process at once."""
    _came_early.clear()
    for number in _SIGNALS:
        signal.signal(number, _leave)


def stop_on_signals(stop: asyncio.Event, *, within_s: float | None = None) -> None:
    """From now on set `stop`, in the running loop. A second signal changes nothing: the way out is bounded.

    With `within_s` the process has ended that long after the first signal, with exit code 1 where it was not ready:
    a look-up of a name or a file of a dead network drive may hold up one of its threads, which nothing can end.
    """
    loop = asyncio.get_running_loop()
    last_resort: list[threading.Timer] = []

    def asked(_number: int, _frame: FrameType | None) -> None:
        with suppress(RuntimeError):  # the loop is closed: it has ended already
            loop.call_soon_threadsafe(stop.set)
        if within_s is not None and not last_resort:
            last_resort.append(threading.Timer(within_s, os._exit, [1]))
            last_resort[0].daemon = True
            last_resort[0].start()

    # Not the loop's own handlers: where it is closed it leaves the signals to the system, by which the second of two
    # would end the process with the exit status of one that was killed.
    for number in _SIGNALS:
        signal.signal(number, asked)
    if _came_early:
        asked(_came_early[0], None)


def on_hang_up(asked: Callable[[], object]) -> None:
    """From now on SIGHUP calls `asked` in the running loop; when that has ended it does nothing."""
    loop = asyncio.get_running_loop()

    def told(_number: int, _frame: FrameType | None) -> None:
        with suppress(RuntimeError):  # the loop is closed
            loop.call_soon_threadsafe(asked)

    signal.signal(signal.SIGHUP, told)


def ignore_signals() -> None:
    """When nothing is left to stop, to the end of the process: its exit code is told by its work alone."""
    for number in (*_SIGNALS, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)


def _leave(number: int, _frame: FrameType | None) -> None:
    _came_early.append(number)
    sys.exit(0)
