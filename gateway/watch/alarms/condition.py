"""What an alarm judges, at one instant."""

from typing import NamedTuple

from gateway.reasons import Reason

__all__ = ["Condition"]


class Condition(NamedTuple):
    """Whether what raises an alarm holds.

    An alarm has a limit and a deadband: `active` says that the limit is passed, `inside` that the value is behind the
    deadband too. Between the two an alarm stays what it is.
    """

    active: bool | None
    """None: it cannot be judged, and the alarm stays what it is."""
    inside: bool = True
    """Of one that is not active: whether it is so far behind its limit that the alarm may return."""
    value: float | None = None
    """SI."""
    reason: Reason | None = None
    """Why it is active, with the values of this moment."""
    suppressed: Reason | None = None
    """Why it is suppressed by design; None: it is not."""
