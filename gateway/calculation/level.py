"""The level chain: what the gauge says becomes a level above the datum of the capacity table."""

from gateway.calculation import figure
from gateway.calculation.plan import GaugeKind, GaugePlan
from gateway.records import Figure, Input, Quality, Reason, ReasonCode

__all__ = ["LOWEST_LEVEL_M", "checked_level", "gauge_level", "water_level"]

LOWEST_LEVEL_M = -0.020
"""Below this a level cannot be real (common practice); down to it the level stands and only the volume is missing."""


def gauge_level(given: Input | None, plan: GaugePlan, reference_height_m: float) -> Figure:
    """Level in m above the datum from innage or ullage (API MPMS 3.1B; ISO 4266-1).

    innage + offset, or reference height - ullage + offset. Bad below -20 mm and above the reference height.
    """
    if given is None:
        return figure.bad(ReasonCode.NOT_FITTED, f"{plan.name} has no reading")
    if given.quality == Quality.BAD or given.value is None:
        reasons = (given.reason or Reason(ReasonCode.INPUT_BAD, f"{plan.name} gives no value"),)
        return Figure(None, Quality.BAD, reasons, given.age_s, given.manual)
    if plan.kind is GaugeKind.INNAGE:
        level = given.value + plan.offset_m
    else:
        level = reference_height_m - given.value + plan.offset_m
    return checked_level(level, figure.from_input(given), plan.name, reference_height_m)


def checked_level(level_m: float, source: Figure, name: str, reference_height_m: float) -> Figure:
    """`source` with the value `level_m`, or Bad where no liquid can stand."""
    if level_m < LOWEST_LEVEL_M:
        text = f"{name}: level {level_m:.4g} m is below {LOWEST_LEVEL_M:.3f} m"
        return figure.lower(source, ReasonCode.BELOW_DATUM, text, Quality.BAD)
    if level_m > reference_height_m:
        text = f"{name}: level {level_m:.3f} m is above the reference height {reference_height_m:.3f} m"
        return figure.lower(source, ReasonCode.ABOVE_REFERENCE_HEIGHT, text, Quality.BAD)
    return source._replace(value=level_m)


def water_level(given: Figure, level: Figure, reference_height_m: float) -> Figure:
    """The free-water level, judged against the level: more water than liquid is Bad, and so is what cannot be at all.

    At or a little below the datum there is no water that a probe could see: none detected. Without a level the
    reference height is the limit.
    """
    if given.value is None:
        return given
    if given.value < LOWEST_LEVEL_M:
        text = f"free-water level {given.value:.4g} m is below {LOWEST_LEVEL_M:.3f} m"
        return figure.lower(given, ReasonCode.BELOW_DATUM, text, Quality.BAD)
    if given.value <= 0.0:
        return given._replace(value=None, reasons=(Reason(ReasonCode.NONE_DETECTED, "no free water detected"),))
    if level.value is not None and given.value > level.value:
        text = f"free water at {given.value:.3f} m is above the level {level.value:.3f} m"
        return figure.lower(given, ReasonCode.WATER_ABOVE_LEVEL, text, Quality.BAD)
    if given.value > reference_height_m:
        text = f"free water at {given.value:.4g} m is above the reference height {reference_height_m:.3f} m"
        return figure.lower(given, ReasonCode.ABOVE_REFERENCE_HEIGHT, text, Quality.BAD)
    return given
