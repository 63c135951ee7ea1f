"""Pure: notices a clock that is off, by its steps against the monotonic clock and by dates that cannot be."""

from datetime import UTC, datetime
from typing import NamedTuple

__all__ = ["ClockFault", "ClockWatch", "is_impossible"]

_STEP_S = 2.0
"""A difference beyond this between the two clocks since the last look is a step, not drift (common practice)."""
_EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
"""Before this program was written: a box without a battery wakes up in the past."""
_EARLIEST_NS = round(_EARLIEST.timestamp() * 1e9)


def is_impossible(utc_ns: int) -> bool:
    """Whether it is not yet the time at which this program was written."""
    return utc_ns < _EARLIEST_NS


class ClockFault(NamedTuple):
    step_s: float
    """How far UTC jumped against the monotonic clock; 0 when it did not."""
    impossible: bool
    """Whether UTC now lies before this program was written."""


class ClockWatch:
    """Give it both clocks, in nanoseconds, every few seconds."""

    def __init__(self) -> None:
        self._offset_ns: int | None = None
        self._impossible = False

    def look(self, utc_ns: int, monotonic_ns: int) -> ClockFault | None:
        """What has become wrong since the last look, or None."""
        offset_ns = utc_ns - monotonic_ns
        step_s = 0.0 if self._offset_ns is None else (offset_ns - self._offset_ns) / 1e9
        self._offset_ns = offset_ns
        impossible = is_impossible(utc_ns)
        newly_impossible = impossible and not self._impossible
        self._impossible = impossible
        if abs(step_s) > _STEP_S or newly_impossible:
            return ClockFault(step_s if abs(step_s) > _STEP_S else 0.0, impossible)
        return None
