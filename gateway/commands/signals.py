"""SIGTERM and SIGINT: at any moment the way to a clean end, with exit code 0; and if that hangs, to an end."""

import asyncio
import os
import signal
import sys
import threading
from types import FrameType

__all__ = ["leave_on_signals", "stop_on_signals"]

_SIGNALS = (signal.SIGTERM, signal.SIGINT)


def leave_on_signals() -> None:
    """Before there is anything to stop: end the process at once."""
    for number in _SIGNALS:
        signal.signal(number, _leave)


def stop_on_signals(stop: asyncio.Event, *, within_s: float | None = None) -> None:
    """From now on set `stop`, in the running loop. A second signal changes nothing: the way out is bounded.

    With `within_s` the process has ended that long after the first signal, with exit code 1 where it was not ready:
    a look-up of a name or a file of a dead network drive may hold up one of its threads, which nothing can end.
    """
    loop = asyncio.get_running_loop()
    last_resort: list[threading.Timer] = []

    def asked() -> None:
        stop.set()
        if within_s is not None and not last_resort:
            last_resort.append(threading.Timer(within_s, os._exit, [1]))
            last_resort[0].daemon = True
            last_resort[0].start()

    for number in _SIGNALS:
        loop.add_signal_handler(number, asked)


def _leave(_number: int, _frame: FrameType | None) -> None:
    sys.exit(0)
