"""Pure: for how long what was said last may be taken for the present. Who reads a broker sees only what lies there."""

from datetime import datetime, timedelta

from gateway.clock_watch import is_impossible

__all__ = ["valid_for_s", "valid_until"]

_PERIODS = 2.5
_SHORTEST_S = 10.0


def valid_for_s(period_s: float) -> float:
    """Seconds that something told anew each `period_s` holds: until two were surely missed, 10 s at least."""
    return max(_SHORTEST_S, _PERIODS * period_s)


def valid_until(instant: datetime, for_s: float | None) -> datetime | None:
    """When what was said at `instant`, with its zone, holds no more; None where the clock cannot be right."""
    if for_s is None or is_impossible(round(instant.timestamp() * 1e9)):
        return None
    return instant + timedelta(seconds=for_s)
