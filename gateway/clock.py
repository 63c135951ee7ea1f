"""The machine's clocks, and the one place outside the commands that reads its date. What is recorded has its times from
a `Clock` that is handed in; pure code is handed times. How long to wait for a peer goes by the event loop's own clock.
"""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Protocol

__all__ = ["Clock", "SystemClock", "utc_now"]


class Clock(Protocol):
    """Two clocks: one to say when something was, one to say how long it took."""

    def utc_ns(self) -> int:
        """UTC, nanoseconds since the epoch. May step when the machine's clock is set."""
        ...

    def monotonic_ns(self) -> int:
        """Nanoseconds since an arbitrary instant. Never set, never runs backwards; runs on while the machine sleeps."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def utc_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return _elapsed_ns()


def utc_now() -> datetime:
    """The machine's date, for what is checked or said once and goes into no record."""
    return datetime.now(UTC)


def _clock_that_does_not_sleep() -> Callable[[], int]:
    """Linux stops its monotonic clock while the machine is suspended: what was read before would look fresh after."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return partial(time.clock_gettime_ns, time.CLOCK_BOOTTIME)
    return time.monotonic_ns


_elapsed_ns = _clock_that_does_not_sleep()
