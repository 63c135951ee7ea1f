"""Pure: what is fixed for the watch of a tank until its site file changes. `gateway.settings` builds these. SI.

Defaults are common practice, and every one is a key of the site file.
"""

from dataclasses import dataclass, field

from gateway.tank_state import AlarmKind, Priority

__all__ = ["AlarmPlan", "CoursePlan", "LossPlan", "UnscheduledPlan", "WatchPlan"]


@dataclass(frozen=True, slots=True)
class UnscheduledPlan:
    """When a movement that nobody announced is told. It is no regulatory leak-detection method."""

    arms_after_s: float = 45 * 60.0
    """At rest for so long, after which what is in the tank is compared with what was then in it."""
    deviation_m: float = 0.005
    """Of the level: what lies between is volume by the tank's surface, or mass of a product without one."""


@dataclass(frozen=True, slots=True)
class CoursePlan:
    """How rate and movement are judged."""

    window_s: float = 300.0
    """Over which the net flow rate is worked out. Longer is steadier, and later."""
    moving_m3_s: float | None = None
    """From this rate on a tank moves, either way; None: from the steps of its gauge and its surface."""
    unscheduled: UnscheduledPlan | None = field(default_factory=UnscheduledPlan)
    """None: movements of this tank are nobody's concern."""


@dataclass(frozen=True, slots=True)
class LossPlan:
    """A loss too slow to be seen as movement, by a statistic over days. No regulatory leak-detection method."""

    false_alarms_per_year: float = 1.0
    """Of this tank, on average, where nothing is lost."""


@dataclass(frozen=True, slots=True)
class AlarmPlan:
    """One alarm of one tank. What it judges follows from its kind."""

    kind: AlarmKind
    priority: Priority
    consequence: str
    """What happens if nobody does anything."""
    action: str
    """What to do."""
    response_s: float | None = None
    """How long that takes: nobody has acknowledged it by then, and it is escalated. None: it is not."""
    limit: float | None = None
    """SI, of what it judges; None where the kind has none, or has that of the tank (levels of concern, flows). Of
    `high_high_soon` it is how long it takes to act on high-high, in s."""
    deadband: float = 0.0
    """SI: it returns this far behind its limit."""
    on_delay_s: float = 0.0
    """For so long it has to hold before it is raised. A true high has none."""
    off_delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """The watch of one tank."""

    tank: str
    course: CoursePlan = field(default_factory=CoursePlan)
    loss: LossPlan | None = None
    alarms: tuple[AlarmPlan, ...] = ()
    """Each kind once."""
