"""A doubt that comes and goes: it comes at once, and goes at once the first time, but not when it keeps coming back.

Nothing is shown Good that is in doubt, so coming is never delayed. What a value on a border would make flap is the
going: where a doubt has come more than once within the last forty readings, it stays until that is no longer so. Of any
three comings that are shown the first and the last are then over forty readings apart, and two comings and their goings
are four changes: one in ten readings.
"""

from typing import NamedTuple

__all__ = ["QUIET", "REMEMBERED", "Recurrence", "next_recurrence"]

REMEMBERED = 40
"""How many readings a doubt that has come is remembered for."""
_ALL = (1 << REMEMBERED) - 1


class Recurrence(NamedTuple):
    """What is remembered of one doubt."""

    comings: int = 0
    """Bit i is set where it came i readings ago."""
    present: bool = False
    """Whether there is cause for it now."""
    shown: bool = False

    @property
    def times(self) -> int:
        """How often it came within the readings remembered."""
        return self.comings.bit_count()

    @property
    def held(self) -> bool:
        """Whether it is shown for its coming and going alone."""
        return self.shown and not self.present


QUIET = Recurrence()


def next_recurrence(before: Recurrence, present: bool, is_new: bool) -> Recurrence:
    """`before` at the next sheet. `is_new`: whether there is another reading than at the last one."""
    comings = before.comings
    if comings and is_new:
        comings = (comings << 1) & _ALL
    if present and not before.present:
        comings |= 1
    return Recurrence(comings, present, present or (before.shown and comings.bit_count() > 1))
