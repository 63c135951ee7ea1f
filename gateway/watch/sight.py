"""What the alarms of one tank are judged by at one instant: gathered once, as many of them need the same."""

from typing import NamedTuple

from gateway.calculation.plan import TankPlan
from gateway.reasons import Reason
from gateway.records import Input, Inventory, Quality, TankInput
from gateway.watch.alarms.condition import Condition
from gateway.watch.course.course import Course
from gateway.watch.levels import Levels

__all__ = ["INSIDE", "UNJUDGED", "Sight", "active", "bad_signals", "known", "not_judged", "so_or_not"]

UNJUDGED = Condition(None)
"""Nobody knows: the alarm stays what it is."""
INSIDE = Condition(False)

_BAD = Quality.BAD
_new = tuple.__new__


class Sight(NamedTuple):
    tank: TankPlan
    given: TankInput
    inventory: Inventory
    course: Course
    loss: Reason | None
    levels: Levels
    level_maintenance: Reason | None
    """Of the gauge that the level of the sheet comes from."""
    bad: list[Input]
    """The signals that are Bad, gauges first."""


def bad_signals(given: TankInput) -> list[Input]:
    """Whatever is fitted and gives no value."""
    bad = [
        each
        for each in (given.level, given.second_level, given.bottom_pressure, given.vapour_pressure, given.water)
        if each is not None and each.quality is _BAD
    ]
    bad += [each for each in given.elements if each.quality is _BAD]
    if given.ambient is not None and given.ambient.quality is _BAD:
        bad.append(given.ambient)
    if given.flows:
        bad += [each for each in given.flows if each.quality is _BAD]
    return bad


def active(value: float | None, reason: Reason, suppressed: Reason | None = None) -> Condition:
    return _new(Condition, (True, False, value, reason, suppressed))


def known(value: float, is_inside: bool, suppressed: Reason | None = None) -> Condition:
    """Of a value that has not passed its limit."""
    return _new(Condition, (False, is_inside, value, None, suppressed))


def not_judged(suppressed: Reason | None) -> Condition:
    return UNJUDGED if suppressed is None else Condition(None, suppressed=suppressed)


def so_or_not(is_active: bool, reason: Reason | None, suppressed: Reason | None = None) -> Condition:
    """Of something that is so or is not, without a value."""
    if is_active and reason is not None:
        return Condition(True, False, None, reason, suppressed)
    return INSIDE if suppressed is None else Condition(False, suppressed=suppressed)
