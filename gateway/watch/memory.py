"""What the watch of one tank hands on from sheet to sheet, also over a restart."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from gateway.tank_state import Motion
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.course.memory import NO_COURSE, CourseMemory, after_pause
from gateway.watch.course.window import NO_WINDOW
from gateway.watch.loss.memory import NO_LOSS, LossMemory

__all__ = ["NO_WATCH", "WatchMemory", "lean", "of_another_plan", "over_a_pause"]


class WatchMemory(NamedTuple):
    """NO_WATCH is valid: the tank is looked at for the first time."""

    course: CourseMemory = NO_COURSE
    loss: LossMemory = NO_LOSS
    alarms: Mapping[str, AlarmMemory] = MappingProxyType({})
    """By name."""
    told: Motion = Motion.UNKNOWN
    """What people were last told of its movement; while that is not known, it stays."""


NO_WATCH = WatchMemory()


def over_a_pause(memory: WatchMemory, passed_s: float | None) -> WatchMemory:
    """What holds after a restart, its times already moved. `passed_s`: for how long nobody watched; None: nobody can
    tell."""
    return memory._replace(course=after_pause(memory.course, passed_s))


def lean(memory: WatchMemory) -> WatchMemory:
    """Without the readings of the last minutes, which are most of it: a rate is worked out anew in as many."""
    return memory._replace(course=memory.course._replace(window=NO_WINDOW))


def of_another_plan(memory: WatchMemory) -> WatchMemory:
    """What holds where another table, gauge or product gives the sheets: what was raised stays until it is judged
    anew."""
    return WatchMemory(alarms=memory.alarms, told=memory.told)
