"""Refusing a value outside the range for which a method is defined: one wording for every method."""

import math

from gateway.errors import LIMIT_PHRASE, LIMIT_PHRASE_WITHOUT_UNIT, LimitError
from gateway.records import Reason, ReasonCode, because

__all__ = ["limit_reason", "outside", "require_finite", "require_within"]


def limit_reason(error: LimitError, code: ReasonCode = ReasonCode.METHOD_LIMIT) -> Reason:
    """Why a figure is Bad, of the refusal that made it so: its text is that of the error."""
    limit = error.limit if isinstance(error.limit, str) else limit_reason(error.limit, code)
    # One NaN for all, so that a reason is equal to itself when it comes back from a record.
    value = math.nan if math.isnan(error.value) else error.value
    if error.unit == "1":
        return because(
            code,
            LIMIT_PHRASE_WITHOUT_UNIT,
            quantity=error.quantity,
            value=value,
            limit=limit,
            clause=error.clause,
        )
    return because(
        code,
        LIMIT_PHRASE,
        quantity=error.quantity,
        value=value,
        unit=error.unit,
        limit=limit,
        clause=error.clause,
    )


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
