"""Where the level stands against the limits, and the floating roof in its range, as codes. It is no alarm."""

from enum import StrEnum

__all__ = ["LimitState", "RoofZone"]


class LimitState(StrEnum):
    """Which of the levels of concern (API 2350's terms) the level has passed."""

    UNKNOWN = "unknown"
    """There is no level."""
    BELOW_MINIMUM = "below_minimum"
    NORMAL = "normal"
    ABOVE_MAXIMUM_WORKING = "above_maximum_working"
    ABOVE_HIGH_HIGH = "above_high_high"
    ABOVE_CRITICAL_HIGH = "above_critical_high"

    @property
    def is_beyond(self) -> bool:
        """Whether a limit has been passed."""
        return self not in (LimitState.UNKNOWN, LimitState.NORMAL)


class RoofZone(StrEnum):
    LANDED = "landed"
    """On its legs: it displaces nothing."""
    CRITICAL = "critical_zone"
    """Partly afloat: the displacement is not known, quantities are uncertain, no transfer is gauged here."""
    FLOATING = "afloat"
