"""What is remembered of a tank's course from sheet to sheet: plain values, some two kilobytes written out."""

from typing import NamedTuple

from gateway.watch.course.holding import NO_HOLDING, Holding
from gateway.watch.course.motion import NO_MOVING, Moving
from gateway.watch.course.window import NO_WINDOW, Window

__all__ = ["NO_COURSE", "CourseMemory", "after_pause"]


class CourseMemory(NamedTuple):
    """NO_COURSE is valid: the tank is looked at for the first time."""

    window: Window = NO_WINDOW
    moving: Moving = NO_MOVING
    holding: Holding = NO_HOLDING


NO_COURSE = CourseMemory()


def after_pause(memory: CourseMemory, passed_s: float | None) -> CourseMemory:
    """What holds after a restart, its times already moved. `passed_s`: for how long nobody watched, of
    `gateway.kept_memory.pause_s`; None where nobody can tell: then no line goes across the pause, and what
    is found later says so.
    """
    if passed_s is not None:
        return memory
    holding = memory.holding
    if holding.armed is not None:
        holding = holding._replace(armed=holding.armed._replace(is_pause_unknown=True))
    return CourseMemory(NO_WINDOW, NO_MOVING, holding)
