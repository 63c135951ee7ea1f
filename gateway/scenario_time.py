"""The time of a simulated site where it passes faster than the machine's: working days in minutes. Never of a real one.

What is dated, doubted, polled and calculated goes by it. What waits for a peer does not: a socket takes as long as it
takes, so a time-out of one second is a minute of a site whose time passes sixty times as fast.
"""

from collections.abc import Callable, Sequence
from datetime import datetime

from gateway.clock import Clock
from gateway.records import Reading

__all__ = ["FASTEST", "ScenarioClock", "SetClock"]

FASTEST = 3600.0
"""An hour in a second."""


class SetClock:
    """A clock of a simulated site that shows another date than the machine's, and goes as fast."""

    def __init__(self, machine: Clock, begins: datetime) -> None:
        """`begins`: UTC, what it shows when it is made."""
        self._machine = machine
        self._ahead_ns = round(begins.timestamp()) * 1_000_000_000 - machine.utc_ns()

    def utc_ns(self) -> int:
        return self._machine.utc_ns() + self._ahead_ns

    def monotonic_ns(self) -> int:
        return self._machine.monotonic_ns()


class ScenarioClock:
    """Begins at the machine's time when it is made, and goes `factor` times as fast; `factor` 1 to `FASTEST`."""

    def __init__(self, machine: Clock, factor: float) -> None:
        self._machine = machine
        self._factor = factor
        self._from_ns = machine.monotonic_ns()
        self._from_utc_ns = machine.utc_ns()

    def utc_ns(self) -> int:
        return self._utc_at(self.monotonic_ns())

    def monotonic_ns(self) -> int:
        return self._at(self._machine.monotonic_ns())

    def dated(self, sink: Callable[[Sequence[Reading]], None]) -> Callable[[Sequence[Reading]], None]:
        """A sink for readings dated by the machine, which hands them on dated by this clock."""

        def take(readings: Sequence[Reading]) -> None:
            sink([self._dated(reading) for reading in readings])

        return take

    def _dated(self, reading: Reading) -> Reading:
        monotonic_ns = self._at(reading.monotonic_ns)
        return reading._replace(monotonic_ns=monotonic_ns, time_ns=self._utc_at(monotonic_ns))

    def _at(self, machine_ns: int) -> int:
        return self._from_ns + round((machine_ns - self._from_ns) * self._factor)

    def _utc_at(self, monotonic_ns: int) -> int:
        return self._from_utc_ns + monotonic_ns - self._from_ns
