"""SIGTERM and SIGINT: at any moment the way to a clean end, with exit code 0."""

import asyncio
import signal
import sys
from types import FrameType

__all__ = ["leave_on_signals", "stop_on_signals"]

_SIGNALS = (signal.SIGTERM, signal.SIGINT)


def leave_on_signals() -> None:
    """Before there is anything to stop: end the process at once."""
    for number in _SIGNALS:
        signal.signal(number, _leave)


def stop_on_signals(stop: asyncio.Event) -> None:
    """From now on set `stop`, in the running loop. A second signal changes nothing: the way out is bounded."""
    loop = asyncio.get_running_loop()
    for number in _SIGNALS:
        loop.add_signal_handler(number, stop.set)


def _leave(_number: int, _frame: FrameType | None) -> None:
    sys.exit(0)
