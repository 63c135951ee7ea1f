"""Pure: how a tank moves and which alarms it has, as the watch finds it: what every reader of a record may know.

States and transitions of an alarm are those of ISA-18.2 / IEC 62682, publicly described by OPC 10000-9. The words for
priorities are our own: what to do, not how bad it is.
"""

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from gateway.records import Figure, Reason

__all__ = [
    "AlarmKind",
    "AlarmNow",
    "AlarmPhase",
    "AlarmStanding",
    "LimitTime",
    "Motion",
    "Priority",
    "Stillness",
    "TankState",
]


class Motion(StrEnum):
    """Whether the contents move, by the net flow rate with hysteresis."""

    UNKNOWN = "unknown"
    AT_REST = "at_rest"
    FILLING = "filling"
    EMPTYING = "emptying"


class Priority(StrEnum):
    """What somebody has to do, first things first."""

    NOW = "now"
    SOON = "soon"
    LOOK = "look"

    @property
    def rank(self) -> int:
        """0 for the first."""
        return _PRIORITIES.index(self)


_PRIORITIES = tuple(Priority)


class AlarmKind(StrEnum):
    """What can be wrong. A tank has at most one alarm of each kind; those of the gateway also name a subject."""

    # level and time
    CRITICAL_HIGH = "critical_high"
    HIGH_HIGH = "high_high"
    MAXIMUM_WORKING = "maximum_working"
    MINIMUM = "minimum"
    FILL_HIGH = "fill_high"
    HIGH_HIGH_SOON = "high_high_soon"
    """The time to high-high is shorter than the response time."""
    FILLING_TOO_FAST = "filling_too_fast"
    EMPTYING_TOO_FAST = "emptying_too_fast"
    # what is in it
    TEMPERATURE_HIGH = "temperature_high"
    TEMPERATURE_LOW = "temperature_low"
    PRESSURE_HIGH = "pressure_high"
    PRESSURE_LOW = "pressure_low"
    WATER_HIGH = "water_high"
    DENSITY_DOUBTFUL = "density_doubtful"
    """Undated, expired, or outside the product's window."""
    # instruments
    LEVEL_LOST = "level_lost"
    """There is no level: nothing warns of an overfill."""
    INSTRUMENT_FAILED = "instrument_failed"
    DATA_STALE = "data_stale"
    GAUGES_DISAGREE = "gauges_disagree"
    LEVEL_FROZEN = "level_frozen"
    # roof
    ROOF_LANDED = "roof_landed"
    ROOF_CRITICAL = "roof_critical"
    # movement
    UNSCHEDULED_MOVEMENT = "unscheduled_movement"
    WRONG_WAY = "wrong_way"
    SLOW_LOSS = "slow_loss"
    # of the gateway itself, each with a subject
    LINE_LOST = "line_lost"
    SECOND_MASTER = "second_master"
    """Somebody else asks on the same line."""
    DESTINATION_LOST = "destination_lost"
    HISTORY_AT_RISK = "history_at_risk"
    CLOCK_UNTRUSTED = "clock_untrusted"
    SITE_FILE_REFUSED = "site_file_refused"


class AlarmPhase(StrEnum):
    """Where an alarm stands (ISA-18.2). The last three hide it from the list of what needs someone, and are counted."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    """What raised it is over, and nobody has acknowledged it."""
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    """By design: for instance while its instrument is in maintenance."""
    OUT_OF_SERVICE = "out_of_service"


class AlarmStanding(NamedTuple):
    """How one alarm stands."""

    name: str
    """The kind; of one of the gateway itself `KIND.SUBJECT`."""
    kind: AlarmKind
    phase: AlarmPhase
    priority: Priority
    is_active: bool
    """Whether what raises it holds now, be it shelved or not."""
    since: datetime
    """UTC, when it came into this phase."""
    raised: datetime | None = None
    """UTC, when it was last raised; None where it never was."""
    value: float | None = None
    """SI, of what it judges, when it was raised."""
    reason: Reason | None = None
    """Why it was raised, with the values of that moment; of one that is suppressed why it is."""
    by: str | None = None
    """Who acknowledged or shelved it, or took it out of service."""
    until: datetime | None = None
    """UTC, when a shelf or an absence from service ends by itself."""
    why: str = ""
    """What that person gave as a reason."""
    order: int | None = None
    """Which of its incident's alarms it is, counted from 1 as they were raised, whatever the clock said. An incident
    ends when all alarms of a tank are normal again. None: it is none of one."""


class AlarmNow(NamedTuple):
    """One alarm of a tank or of the gateway itself, normal or not, with what people have to know of it."""

    tank: str
    """Empty: of the gateway itself."""
    standing: AlarmStanding
    consequence: str
    action: str
    response_s: float | None


class LimitTime(NamedTuple):
    """When the level comes to a limit, at the rate of now."""

    limit: str
    """`minimum`, `maximum_working`, `high_high` or `critical_high`."""
    level_m: float
    in_s: float
    at: datetime
    """UTC."""


class Stillness(NamedTuple):
    """What a tank at rest holds against what it is compared with: so a movement is found that nobody announced."""

    change_m3: float
    """Against the mean of the last day, or since it was armed: liquid at tank conditions, by the quantity that warming
    does not change."""
    band_m3: float
    """So far from that mean it may be, either way."""
    is_within: bool
    """Whether nothing was found. What was found holds until it is over, be the change within the band again or not."""
    since: datetime | None
    """UTC, to the minute: from when on that mean is; None where the clock is not trusted."""


class TankState(NamedTuple):
    """How a tank moves and which alarms it has."""

    motion: Motion
    since: datetime | None
    """UTC, since when it moves or rests; None where that is not known."""
    rate: Figure
    """m3/s of observed volume into the tank, net; out of it below zero. Over the window of its plan."""
    level_rate: Figure
    """m/s, upwards."""
    times: tuple[LimitTime, ...] = ()
    """To each limit ahead, the nearest first. Empty: none is ahead, or the rate is not known."""
    activity: str = ""
    """What the movement is known to be, as a code: `thermal`, `water_draw`; empty where nothing more is known."""
    alarms: tuple[AlarmStanding, ...] = ()
    """Those that are not normal, first things first."""
    still: Stillness | None = None
    """None: it is not armed, by having been at rest for long enough, or its contents or its motion are not known."""
