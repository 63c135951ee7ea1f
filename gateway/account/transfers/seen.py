"""What was seen of one tank of late: its newest sheet, and one at rest from before a movement can have begun."""

from gateway.records import Figure, Quality, ReasonCode
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, Motion

__all__ = ["DOUBTED", "Seen", "is_doubted", "level_doubt", "motion_of", "steady_s"]

DOUBTED = frozenset({ReasonCode.RATE_IMPLAUSIBLE, ReasonCode.LEVEL_FROZEN, ReasonCode.LEVEL_AGAINST_FLOW})
"""Of a level: it may be foam, a hung float, or the wrong end of the tape."""
DOUBTING = frozenset({AlarmKind.LEVEL_FROZEN, AlarmKind.WRONG_WAY})


class Seen:
    """Kept up to date in place, at each sheet: it decides nothing."""

    __slots__ = ("is_calm", "last", "lost", "moved_s", "newer", "newer_s", "rest")

    def __init__(self) -> None:
        self.last: TankRecord | None = None
        """The newest sheet."""
        self.lost: TankRecord | None = None
        """The last sheet with a level, while there is none, and until the gap is told."""
        self.rest: TankRecord | None = None
        """Sheets at rest: the newest of them that is kept, and the one kept before."""
        self.newer: TankRecord | None = None
        self.newer_s = 0.0
        self.moved_s: float | None = None
        """Since when, steady, as far as one has heard; None: it has not."""
        self.is_calm = False
        """Whether it is at rest, and has been seen all the while: nothing else is to be looked at."""

    def rests(self, record: TankRecord, now_s: float, apart_s: float) -> None:
        """A sheet at rest with a level that can be believed."""
        self.is_calm = True
        self.lost = None
        if self.newer is None or self.moved_s is not None:
            self.moved_s = None
            self.rest = self.newer = record
            self.newer_s = now_s
        elif now_s - self.newer_s >= apart_s or now_s < self.newer_s:
            # Before the steady time kept: of another boot.
            self.rest, self.newer, self.newer_s = self.newer, record, now_s

    def moves(self, now_s: float) -> None:
        """A sheet that tells of a movement, or of none: it may have begun before its level was lost."""
        self.is_calm = False
        if self.moved_s is None:
            self.moved_s = now_s

    def before_flow(self, now_s: float, apart_s: float) -> TankRecord | None:
        """The newest sheet kept that is older than a movement of which one hears now can be.

        Where it has not rested for so long, its first sheet at rest.
        """
        heard_s = now_s if self.moved_s is None else self.moved_s
        is_old = self.newer is not None and heard_s - self.newer_s >= apart_s
        return self.newer if is_old else self.rest


def steady_s(record: TankRecord) -> float:
    """Seconds of the clock by which sheets are spaced."""
    given = record.tank_input
    return given.instant.timestamp() if given.steady_s is None else given.steady_s


def level_doubt(level: Figure) -> bool:
    """Whether a level is not one that a movement may be booked by."""
    if level.value is None or level.quality is Quality.BAD:
        return True
    return level.quality is not Quality.GOOD and any(reason.code in DOUBTED for reason in level.reasons)


def is_doubted(record: TankRecord) -> bool:
    """The same of a sheet, with what the watch has found."""
    if level_doubt(record.inventory.figures.level):
        return True
    state = record.state
    return state is not None and any(each.is_active and each.kind in DOUBTING for each in state.alarms)


def motion_of(record: TankRecord | None) -> Motion:
    return Motion.UNKNOWN if record is None or record.state is None else record.state.motion
