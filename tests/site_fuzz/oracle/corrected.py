"""What every method of correction gives, and the error for a state that it does not hold for."""

import math
from typing import NamedTuple, Protocol

__all__ = ["KELVIN", "PSI", "Corrected", "Fixed", "OutsideError", "nearest", "within"]

KELVIN = 273.15
PSI = 6894.757293168361
"""Pa (formulas.md, units)."""


class OutsideError(Exception):
    """The method does not hold here: a Good figure that rests on it is a mistake."""


class Corrected(NamedTuple):
    ctl: float | None
    """None: the product has no reference volume."""
    cpl: float | None
    observed: float
    """kg/m3 at the state."""
    slack: float = 0.0
    """By how much CTL may differ, as a part of it, where the standard leaves two answers open."""


class Fixed(Protocol):
    """A method with its density fixed."""

    @property
    def reference_density(self) -> float | None: ...

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        """Raises OutsideError."""
        ...


def within(value: float, lowest: float, highest: float, what: str) -> None:
    hair = 1e-9 * max(1.0, abs(value))  # at an end itself the oracle's own rounding must not decide
    if not lowest - hair <= value <= highest + hair:
        raise OutsideError(f"{what} {value!r} is outside {lowest:g} to {highest:g}")


def nearest(value: float, step: float) -> float:
    """The nearest multiple of `step`; a half goes away from zero, also one that is a hair short of it in binary."""
    whole, rest = divmod(abs(value), step)
    return math.copysign((whole + (1.0 if rest / step > 0.5 - 1e-9 else 0.0)) * step, value)
