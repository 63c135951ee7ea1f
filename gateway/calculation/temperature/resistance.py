"""Platinum resistance elements: temperature from ohms and back, by the Callendar-Van Dusen equation (IEC 60751:2008).

R = R0 (1 + A t + B t^2 + C (t - 100) t^3), the last term below 0 degC only.
"""

import math
from enum import StrEnum

from gateway.calculation.limits import outside, require_within
from gateway.errors import LimitError

__all__ = [
    "HIGHEST_C",
    "LOWEST_C",
    "PT100",
    "PT1000",
    "ToleranceClass",
    "resistance",
    "tank_service_temperature",
    "temperature",
    "tolerance",
]

_CLAUSE = "IEC 60751:2008, platinum resistance elements"
_SERVICE_CLAUSE = "open and short circuit of an element in tank service, common practice"

_A = 3.9083e-3
_B = -5.775e-7
_C = -4.183e-12
LOWEST_C, HIGHEST_C = -200.0, 850.0

PT100, PT1000 = 100.0, 1000.0
"""Nominal resistances R0 at 0 degC, in ohm."""

_SERVICE_LOW, _SERVICE_HIGH = 0.60, 1.80
"""R/R0 that liquids in tanks do not reach: about -101 and 211 degC."""


class ToleranceClass(StrEnum):
    """Classes of IEC 60751:2008 for wire-wound elements."""

    AA = "AA"
    A = "A"
    B = "B"


_CLASSES: dict[ToleranceClass, tuple[float, float, float, float]] = {
    ToleranceClass.AA: (0.10, 0.0017, -50.0, 250.0),
    ToleranceClass.A: (0.15, 0.0020, -100.0, 450.0),
    ToleranceClass.B: (0.30, 0.0050, -196.0, 600.0),
}
"""Tolerance at 0 degC, its growth per degC, and the range over which the class holds (IEC 60751:2008, table 3)."""


def resistance(temperature_c: float, nominal_ohm: float = PT100) -> float:
    """Ohms at `temperature_c`, -200..850 degC. Raises LimitError outside, and for a nominal resistance of 0 or less."""
    _check_nominal(nominal_ohm)
    require_within("temperature", temperature_c, "degC", LOWEST_C, HIGHEST_C, _CLAUSE)
    return nominal_ohm * _ratio(temperature_c)


def temperature(resistance_ohm: float, nominal_ohm: float = PT100) -> float:
    """degC at `resistance_ohm`: in closed form from 0 degC up, by Newton's method below.

    Raises LimitError outside the equation's range, 18.52..390.48 ohm for R0 = 100 ohm.
    """
    _check_nominal(nominal_ohm)
    ratio = resistance_ohm / nominal_ohm
    if not _SMALLEST <= ratio <= _LARGEST:
        raise outside("resistance", resistance_ohm, "ohm", _SMALLEST * nominal_ohm, _LARGEST * nominal_ohm, _CLAUSE)
    # (sqrt(A^2 - 4 B (1 - r)) - A) / 2 B, turned round so that no two near equals are subtracted.
    t = 2.0 * (ratio - 1.0) / (_A + math.sqrt(_A * _A - 4.0 * _B * (1.0 - ratio)))
    if ratio >= 1.0:
        return min(t, HIGHEST_C)
    for _ in range(6):
        slope = _A + 2.0 * _B * t + _C * (4.0 * t - 300.0) * t * t
        t -= (_ratio(t) - ratio) / slope
    return max(t, LOWEST_C)


def tank_service_temperature(resistance_ohm: float, nominal_ohm: float = PT100) -> float:
    """As `temperature`, for an element in a tank: outside 60..180 ohm per 100 ohm of R0 it is a fault, no temperature.

    Raises LimitError that says whether the circuit looks short or open.
    """
    _check_nominal(nominal_ohm)
    ratio = resistance_ohm / nominal_ohm
    if not _SERVICE_LOW <= ratio <= _SERVICE_HIGH:
        if ratio < _SERVICE_LOW:
            limit = f"below {_SERVICE_LOW * nominal_ohm:.7g} ohm: the element or its leads look short-circuited"
        elif ratio > _SERVICE_HIGH:
            limit = f"above {_SERVICE_HIGH * nominal_ohm:.7g} ohm: the element or its leads look open"
        else:
            limit = "not a number"
        raise LimitError("resistance", resistance_ohm, "ohm", limit, _SERVICE_CLAUSE)
    return temperature(resistance_ohm, nominal_ohm)


def tolerance(temperature_c: float, tolerance_class: ToleranceClass) -> float:
    """Permissible deviation in degC, plus or minus: `0.15 + 0.002 |t|` for class A.

    Raises LimitError outside the class's range for wire-wound elements.
    """
    at_zero, growth, lowest, highest = _CLASSES[tolerance_class]
    clause = f"{_CLAUSE}, class {tolerance_class.value}"
    require_within("temperature", temperature_c, "degC", lowest, highest, clause)
    return at_zero + growth * abs(temperature_c)


def _ratio(t: float) -> float:
    ratio = 1.0 + t * (_A + _B * t)
    return ratio + _C * (t - 100.0) * t**3 if t < 0.0 else ratio


# R/R0 at the two ends of the equation's range, with room for the rounding of a product and a quotient.
_SMALLEST, _LARGEST = _ratio(LOWEST_C) * (1.0 - 1e-14), _ratio(HIGHEST_C) * (1.0 + 1e-14)


def _check_nominal(nominal_ohm: float) -> None:
    if not 0.0 < nominal_ohm < math.inf:
        raise LimitError("nominal resistance", nominal_ohm, "ohm", "not above zero", _CLAUSE)
