"""The time of a stop: one for all of it, shared out, so that whoever hangs takes it from nobody behind him.

The last is the ledger, which must be told that the gateway stopped: else the next start takes it for a crash.
"""

from gateway.clock import Clock

__all__ = ["LAST_RESORT_S", "StopTime"]

LAST_RESORT_S = 10.0
"""From a signal to the end of the process, whatever hangs, and below the service manager's own patience."""
_IN_ALL_S = 9.5
_SOURCES_S = 3.0
_KEEPING_S = 3.0
"""Always left for what is kept: a disk that takes two seconds to commit."""
_MOST_KEEPING_S = 6.0


class StopTime:
    """Begins when it is made. Each share counts what has passed since."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._begun_ns = clock.monotonic_ns()

    def for_sources(self) -> float:
        """In seconds, for all that is ended before the last records are made."""
        return max(0.0, _SOURCES_S - self._passed_s())

    def for_deliveries(self, longest_s: float) -> float:
        return max(0.0, min(longest_s, _IN_ALL_S - _KEEPING_S - self._passed_s()))

    def for_keeping(self) -> float:
        return max(_KEEPING_S, min(_MOST_KEEPING_S, _IN_ALL_S - self._passed_s()))

    def _passed_s(self) -> float:
        return (self._clock.monotonic_ns() - self._begun_ns) / 1e9
