"""Alarms of what is measured beside the level: temperature, pressure, free water, and how fast the tank moves."""

import math

from gateway.reasons import Reason, ReasonCode, because
from gateway.records import Input, Quality
from gateway.sources import TemperatureSource, WaterSource
from gateway.tank_state import AlarmKind
from gateway.watch.alarms.condition import Condition
from gateway.watch.levels import in_maintenance
from gateway.watch.plan import AlarmPlan
from gateway.watch.sight import INSIDE, Sight, active, known, not_judged

__all__ = [
    "FAST",
    "emptying_too_fast",
    "filling_too_fast",
    "pressure_high",
    "pressure_low",
    "temperature_high",
    "temperature_low",
    "water_high",
]

FAST = 1.1
"""Times the greatest flow of the tank: a rate within a tenth of it is that flow, and what its meter makes of it (common
practice). A jump that no pump can do is doubted by the sheet at 1.5 times."""

_BAD = Quality.BAD
_DIP = WaterSource.DIP
_ELEMENTS = TemperatureSource.ELEMENTS
_ABOVE = ReasonCode.ABOVE_LIMIT
_BELOW = ReasonCode.BELOW_LIMIT
_TOUCH = 1e-6
"""Of the limit: a float32 of a decimal is off by 6e-8 of it."""


def temperature_high(sight: Sight, alarm: AlarmPlan) -> Condition:
    phrase = "liquid temperature {value:degC .1f} has reached its high limit, {limit:degC .1f}"
    value = sight.inventory.figures.liquid_temperature.value
    return _high(value, alarm, phrase, _maintenance_of_temperature(sight))


def temperature_low(sight: Sight, alarm: AlarmPlan) -> Condition:
    phrase = "liquid temperature {value:degC .1f} has reached its low limit, {limit:degC .1f}"
    value = sight.inventory.figures.liquid_temperature.value
    return _low(value, alarm, phrase, _maintenance_of_temperature(sight))


def pressure_high(sight: Sight, alarm: AlarmPlan) -> Condition:
    given = sight.given.vapour_pressure
    phrase = "pressure above the liquid {value:kPa .1f} has reached its high limit, {limit:kPa .1f}"
    value = _raw(given, sight.inventory.figures.vapour_pressure.value)
    return _high(value, alarm, phrase, in_maintenance(given))


def pressure_low(sight: Sight, alarm: AlarmPlan) -> Condition:
    given = sight.given.vapour_pressure
    phrase = "pressure above the liquid {value:kPa .1f} has reached its low limit, {limit:kPa .1f}"
    value = _raw(given, sight.inventory.figures.vapour_pressure.value)
    return _low(value, alarm, phrase, in_maintenance(given))


def water_high(sight: Sight, alarm: AlarmPlan) -> Condition:
    """Also of water that a probe finds above the surface, which is no free-water level for the sheet."""
    water = sight.inventory.figures.water_level
    given = sight.given.water
    by_probe = sight.inventory.sources.water is not _DIP
    value = water.value
    if value is None and water.quality is not _BAD:
        return INSIDE  # none detected
    if value is None and by_probe:
        value = _raw(given, None)
    phrase = "free water at {value:mm .0f} has reached its limit, {limit:mm .0f}"
    return _high(value, alarm, phrase, in_maintenance(given) if by_probe else None)


def filling_too_fast(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _too_fast(sight, alarm, sight.tank.maximum_flow_in_m3_s, 1.0)


def emptying_too_fast(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _too_fast(sight, alarm, sight.tank.maximum_flow_out_m3_s, -1.0)


_TOO_FAST = {
    AlarmKind.FILLING_TOO_FAST: "the tank fills at {rate:m3/h .1f}, its greatest flow in is {greatest:m3/h .1f}",
    AlarmKind.EMPTYING_TOO_FAST: "the tank empties at {rate:m3/h .1f}, its greatest flow out is {greatest:m3/h .1f}",
}


def _too_fast(sight: Sight, alarm: AlarmPlan, greatest: float | None, way: float) -> Condition:
    rate = sight.course.rate.value
    if greatest is None:
        return INSIDE
    if rate is None:
        return not_judged(sight.level_maintenance)
    limit = FAST * greatest
    if way * rate > limit:
        reason = because(ReasonCode.RATE_HIGH, _TOO_FAST[alarm.kind], rate=way * rate, greatest=greatest)
        return active(rate, reason, sight.level_maintenance)
    return known(rate, way * rate <= limit - alarm.deadband, sight.level_maintenance)


def _high(value: float | None, alarm: AlarmPlan, phrase: str, suppressed: Reason | None) -> Condition:
    """Passed at the limit, left below it less the deadband."""
    limit = alarm.limit
    if limit is None:
        return INSIDE
    if value is None:
        return not_judged(suppressed)
    if value >= limit - _TOUCH * abs(limit):
        return active(value, because(_ABOVE, phrase, value=value, limit=limit), suppressed)
    return known(value, value < limit - alarm.deadband, suppressed)


def _low(value: float | None, alarm: AlarmPlan, phrase: str, suppressed: Reason | None) -> Condition:
    limit = alarm.limit
    if limit is None:
        return INSIDE
    if value is None:
        return not_judged(suppressed)
    if value <= limit + _TOUCH * abs(limit):
        return active(value, because(_BELOW, phrase, value=value, limit=limit), suppressed)
    return known(value, value > limit + alarm.deadband, suppressed)


def _raw(given: Input | None, judged: float | None) -> float | None:
    """As the instrument gives it where the sheet made nothing of it."""
    if judged is not None or given is None or given.quality is _BAD or given.value is None:
        return judged
    return given.value if math.isfinite(given.value) else None


def _maintenance_of_temperature(sight: Sight) -> Reason | None:
    """Of an element used, where every one that is used is in maintenance."""
    if sight.inventory.sources.temperature is not _ELEMENTS:
        return None
    found: Reason | None = None
    for use, given in zip(sight.inventory.elements, sight.given.elements, strict=False):
        if use.used:
            found = in_maintenance(given)
            if found is None:
                return None
    return found
