"""Whether a gauge can say at all that a level of concern is passed: beyond its range a reading is lost, not high."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from gateway.binding import Source
from gateway.calculation.plan import TOUCH_M, GaugeKind, GaugePlan, TankPlan
from gateway.settings.reading.document import KeyPath
from gateway.settings.tanks.limit_levels import LimitLevels
from gateway.settings.tanks.manual import ManualValues

__all__ = ["check_reach"]

RangeOf = Callable[[Source], tuple[float | None, float | None]]
_HIGHS = ("critical_high", "high_high", "maximum_working")


class _Reach(NamedTuple):
    name: str
    lowest_m: float | None
    highest_m: float | None


def check_reach(
    plan: TankPlan,
    sources: Sequence[Source | None],
    range_of: RangeOf,
    limits: LimitLevels,
    path: KeyPath,
    manual: ManualValues,
) -> None:
    """Warns of each level of concern that no gauge of the tank can show. `sources`: of its two gauges."""
    gauges = [
        _reach(gauge, source, range_of, plan.reference_height_m)
        for gauge, source in zip((plan.gauge, plan.second_gauge), sources, strict=True)
        if isinstance(gauge, GaugePlan) and source is not None
    ]
    if not gauges or len(gauges) < sum(gauge is not None for gauge in (plan.gauge, plan.second_gauge)):
        return
    for name in _HIGHS:
        level_m = limits.levels.get(name)
        ends = [each.highest_m for each in gauges if each.highest_m is not None]
        if level_m is None or len(ends) < len(gauges) or max(ends) >= level_m - TOUCH_M:
            continue
        text = f"{limits.words[name]} is above all that {_named(gauges)} can say, {max(ends):.3f} m: there the level is"
        manual.warn((*path, "limits", name), f"{text} lost and not high; see to the range of the signal")
    level_m = limits.levels.get("minimum")
    ends = [each.lowest_m for each in gauges if each.lowest_m is not None]
    if level_m is not None and len(ends) == len(gauges) and min(ends) >= level_m + TOUCH_M:
        text = f"{limits.words['minimum']} is below all that {_named(gauges)} can say, {min(ends):.3f} m: there the"
        manual.warn((*path, "limits", "minimum"), f"{text} level is lost and not low; see to the range of the signal")


def _reach(gauge: GaugePlan, source: Source, range_of: RangeOf, reference_height_m: float) -> _Reach:
    """In m above the datum."""
    least, most = range_of(source)
    if gauge.kind is GaugeKind.ULLAGE:
        least, most = (
            None if most is None else reference_height_m - most,
            None if least is None else reference_height_m - least,
        )
    return _Reach(
        source.name,
        None if least is None else least + gauge.offset_m,
        None if most is None else most + gauge.offset_m,
    )


def _named(gauges: Sequence[_Reach]) -> str:
    return " and ".join(each.name for each in gauges)
