"""The level chain: what the gauge says becomes a level above the datum of the capacity table."""

from gateway.calculation import figure
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import GaugeKind, GaugePlan
from gateway.records import Figure, Input, Quality, Reason, ReasonCode, because

__all__ = ["LOWEST_LEVEL_M", "TAPE_RESOLUTION_M", "checked_level", "gauge_level", "water_level", "within_capacity"]

_BAD = Quality.BAD
_INNAGE = GaugeKind.INNAGE

_new = tuple.__new__
"""As `Figure(...)`, at half its price."""
LOWEST_LEVEL_M = -0.020
"""Below this a level cannot be real (common practice); down to it the level stands and only the volume is missing."""


TAPE_RESOLUTION_M = 0.001
"""A tape is read to the millimetre."""
_NONE_DETECTED = (Reason(ReasonCode.NONE_DETECTED, "no free water detected"),)


def gauge_level(given: Input | None, plan: GaugePlan, reference_height_m: float) -> Figure:
    """Level in m above the datum from innage or ullage (API MPMS 3.1B; ISO 4266-1).

    innage + offset, or reference height - ullage + offset. Bad below -20 mm and above the reference height.
    """
    if given is None:
        return figure.bad(because(ReasonCode.NOT_FITTED, "{name} has no reading", name=plan.name))
    if given.quality == _BAD or given.value is None:
        reasons = (given.reason or because(ReasonCode.INPUT_BAD, "{name} gives no value", name=plan.name),)
        return Figure(None, _BAD, reasons, given.age_s, given.manual)
    level = given.value + plan.offset_m if plan.kind is _INNAGE else reference_height_m - given.value + plan.offset_m
    return checked_level(level, figure.from_input(given), plan.name, reference_height_m, plan.resolution_m)


def checked_level(
    level_m: float, source: Figure, name: str, reference_height_m: float, resolution_m: float = TAPE_RESOLUTION_M
) -> Figure:
    """`source` with the value `level_m`, or Bad where no liquid can stand.

    One step of the instrument above the reference height is forgiven: it is the reference height (2.4 m arrives as
    2.4000001 m in a float32).
    """
    if level_m < LOWEST_LEVEL_M:
        reason = because(
            ReasonCode.BELOW_DATUM,
            "{name}: level {level:m .4g} is below {lowest:m .3f}",
            name=name,
            level=level_m,
            lowest=LOWEST_LEVEL_M,
        )
        return figure.lower(source, reason, Quality.BAD)
    if level_m > reference_height_m + resolution_m:
        reason = because(
            ReasonCode.ABOVE_REFERENCE_HEIGHT,
            "{name}: level {level:m .3f} is above the reference height {reference_height:m .3f}",
            name=name,
            level=level_m,
            reference_height=reference_height_m,
        )
        return figure.lower(source, reason, Quality.BAD)
    _, quality, reasons, age_s, manual = source
    standing_m = reference_height_m if reference_height_m < level_m else level_m
    return _new(Figure, (standing_m, quality, reasons, age_s, manual))


def within_capacity(level: Figure, capacity: Capacity, resolution_m: float) -> Figure:
    """`level` where it is no more than one step of its instrument beyond an end of the volumes: then it is that end."""
    level_m = level.value
    if level_m is None or capacity.bottom_m <= level_m <= capacity.top_m:
        return level
    end_m = capacity.top_m if level_m > capacity.top_m else capacity.bottom_m
    return level._replace(value=end_m) if abs(level_m - end_m) <= resolution_m else level


def water_level(given: Figure, level: Figure, capacity: Capacity, reference_height_m: float) -> Figure:
    """The free-water level, judged against the level: more water than liquid is Bad, and so is what cannot be at all.

    At or a little below the datum there is none detected, unless the tank's volumes reach there and hold something.
    Without a level the reference height is the limit.
    """
    if given.value is None:
        return given
    if given.value < LOWEST_LEVEL_M:
        reason = because(
            ReasonCode.BELOW_DATUM,
            "free-water level {level:m .4g} is below {lowest:m .3f}",
            level=given.value,
            lowest=LOWEST_LEVEL_M,
        )
        return figure.lower(given, reason, Quality.BAD)
    if given.value <= 0.0 and not _holds_liquid(capacity, given.value):
        return given._replace(value=None, reasons=_NONE_DETECTED)
    if level.value is not None and given.value > level.value + TAPE_RESOLUTION_M:
        reason = because(
            ReasonCode.WATER_ABOVE_LEVEL,
            "free water at {water:m .3f} is above the level {level:m .3f}",
            water=given.value,
            level=level.value,
        )
        return figure.lower(given, reason, Quality.BAD)
    if given.value > reference_height_m + TAPE_RESOLUTION_M:
        reason = because(
            ReasonCode.ABOVE_REFERENCE_HEIGHT,
            "free water at {water:m .4g} is above the reference height {reference_height:m .3f}",
            water=given.value,
            reference_height=reference_height_m,
        )
        return figure.lower(given, reason, Quality.BAD)
    # A millimetre of two instruments is no contradiction: it is water up to the surface.
    highest_m = reference_height_m if level.value is None else level.value
    return given if given.value <= highest_m else given._replace(value=highest_m)


def _holds_liquid(capacity: Capacity, level_m: float) -> bool:
    return capacity.bottom_m <= level_m <= capacity.top_m and capacity.volume(level_m) > 0.0
