"""Pure: the scale of a tank as a report draws it, from its datum to its top."""

from typing import NamedTuple

from gateway.account.gauging import Gauging
from gateway.records import Quality
from gateway.reports.numbers import quantity_words
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Ruler
from gateway.reports.words import NO_VALUE
from gateway.tank_state import Motion

__all__ = ["Scale", "length_words", "ruler_of", "ruler_of_movement"]

_MOVES = {Motion.FILLING: 1, Motion.EMPTYING: -1}


class Scale(NamedTuple):
    """In m above the datum; None: there is no such limit. Of the plan that the sheet was made by."""

    top_m: float
    """The reference height."""
    minimum_m: float | None = None
    maximum_working_m: float | None = None
    high_high_m: float | None = None
    critical_high_m: float | None = None


def ruler_of(gauging: Gauging, scale: Scale | None, plan: ReportPlan) -> Ruler | None:
    """None: how high the tank is is not known."""
    top_m = _top(gauging, scale)
    if top_m is None:
        return None
    level = gauging.figures["level"]
    return Ruler(
        top_m,
        level.value,
        level.quality is Quality.UNCERTAIN,
        _MOVES.get(gauging.motion, 0),
        _ticks(scale, plan),
        gauging.value("water_level"),
        words=NO_VALUE if level.value is None else length_words(level.value, plan),
    )


def ruler_of_movement(opening: Gauging, closing: Gauging, scale: Scale | None, plan: ReportPlan) -> Ruler | None:
    """The closing level, and from where it came."""
    ruler = ruler_of(closing, scale, plan)
    return None if ruler is None else ruler._replace(from_m=opening.value("level"), moves=0)


def length_words(value_m: float, plan: ReportPlan) -> str:
    """A level with its unit, as people of the site read it."""
    return quantity_words("level", value_m, plan)


def _top(gauging: Gauging, scale: Scale | None) -> float | None:
    if scale is not None:
        return scale.top_m
    level, ullage = gauging.value("level"), gauging.value("ullage")
    return None if level is None or ullage is None or level + ullage <= 0.0 else level + ullage


def _ticks(scale: Scale | None, plan: ReportPlan) -> tuple[tuple[float, str], ...]:
    if scale is None:
        return ()
    named = (
        ("minimum", scale.minimum_m),
        ("maximum working", scale.maximum_working_m),
        ("high-high", scale.high_high_m),
        ("critical high", scale.critical_high_m),
    )
    return tuple((at, f"{name} {length_words(at, plan)}") for name, at in named if at is not None)
