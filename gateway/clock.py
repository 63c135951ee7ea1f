"""The one place that reads the machine's clocks. Whoever needs the time is handed a `Clock`; pure code never is."""

import time
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """Two clocks: one to say when something was, one to say how long it took."""

    def utc_ns(self) -> int:
        """UTC, nanoseconds since the epoch. May step when the machine's clock is set."""
        ...

    def monotonic_ns(self) -> int:
        """Nanoseconds since an arbitrary instant. Never steps, never runs backwards."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def utc_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()
