"""The one place that reads the machine's clocks. Whoever needs the time is handed a `Clock`; pure code never is."""

import time
from collections.abc import Callable
from functools import partial
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


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


def _clock_that_does_not_sleep() -> Callable[[], int]:
    """Linux stops its monotonic clock while the machine is suspended: what was read before would look fresh after."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return partial(time.clock_gettime_ns, time.CLOCK_BOOTTIME)
    return time.monotonic_ns


_elapsed_ns = _clock_that_does_not_sleep()
