"""Whether a level moves, and how fast (common practice).

A level is at REST while it stays within 2 mm, or two steps of its gauge, of where it stood; once it has left that, it
is MOVING until it has stayed within as much of some level for five minutes. So slow a movement as a millimetre a minute
is seen, and ripple is none.
"""

from enum import StrEnum
from typing import NamedTuple

from gateway.calculation.plan import TOUCH_M
from gateway.plain_form import SteadyTime

__all__ = ["Movement", "MovementState", "next_movement"]

_RIPPLE_M = 0.002
_STEPS = 2.0
_RESTS_AFTER_S = 300.0
_BACK_S = 60.0
"""A reading further back than this is by another clock."""


class MovementState(StrEnum):
    REST = "rest"
    MOVING = "moving"


_MOVING = MovementState.MOVING


class Movement(NamedTuple):
    """A level and where it stood last."""

    level_m: float
    read_s: SteadyTime
    """When it was last read; of a level that has never moved, when it was first."""
    left_s: SteadyTime | None = None
    """When it last left where it had stood; None: never yet."""

    @property
    def state(self) -> MovementState:
        is_moving = self.left_s is not None and self.read_s - self.left_s < _RESTS_AFTER_S
        return _MOVING if is_moving else MovementState.REST


def next_movement(before: Movement | None, level_m: float, read_s: float, resolution_m: float) -> Movement:
    """`before` with the newest reading."""
    if before is None or read_s < before.read_s - _BACK_S:
        return Movement(level_m, read_s)
    if abs(level_m - before.level_m) > max(_RIPPLE_M, _STEPS * resolution_m) + TOUCH_M:
        return Movement(level_m, read_s, read_s)
    return before if before.left_s is None else Movement(before.level_m, read_s, before.left_s)
