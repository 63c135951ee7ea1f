"""Refusing a value outside the range for which a method is defined: one wording for every method."""

import math

from gateway.errors import LimitError

__all__ = ["outside", "require_finite", "require_within"]


def outside(quantity: str, value: float, unit: str, lowest: float, highest: float, clause: str) -> LimitError:
    """The error for a `value` that is not within `lowest..highest`, both in `unit`. NaN and infinity are named so."""
    unit_text = "" if unit == "1" else f" {unit}"
    if not math.isfinite(value):
        limit = "not a finite number"
    elif value < lowest:
        limit = f"below {lowest:.7g}{unit_text}"
    else:
        limit = f"above {highest:.7g}{unit_text}"
    return LimitError(quantity, value, unit, limit, clause)


def require_within(quantity: str, value: float, unit: str, lowest: float, highest: float, clause: str) -> float:
    """`value` itself. Raises LimitError unless lowest <= value <= highest; NaN never passes."""
    if not lowest <= value <= highest:
        raise outside(quantity, value, unit, lowest, highest, clause)
    return value


def require_finite(quantity: str, value: float, unit: str, clause: str) -> float:
    """`value` itself. Raises LimitError for NaN and infinity."""
    if not math.isfinite(value):
        raise LimitError(quantity, value, unit, "not a finite number", clause)
    return value
