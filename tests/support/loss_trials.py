"""Days of a simulated tank at rest (`quiet_tanks`), played sheet by sheet through the search for slow losses."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from gateway.calculation.plan import GaugeKind, GaugePlan, ProductPlan, TankPlan
from gateway.calculation.shapes import UprightCylinder
from gateway.reasons import Reason
from gateway.records import Figure, Figures, Inventory, Quality, TankInput
from gateway.watch.loss.loss import next_loss
from gateway.watch.loss.memory import NO_LOSS, LossMemory
from gateway.watch.plan import LossPlan
from tests.support.plans import StraightLineMethod
from tests.support.quiet_tanks import QuietDays, Vessel
from tests.support.records import na

__all__ = ["BEGIN", "YEARLY", "Played", "figure", "first_told_s", "played", "sheet", "tank_plan"]

BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
YEARLY = LossPlan()
_NOTHING = Figures(*[na()] * len(Figures._fields))
_AT = Figures._fields.index


class Played(NamedTuple):
    """One sheet."""

    seconds: float
    """Since the first one."""
    reason: Reason | None
    memory: LossMemory


def tank_plan(vessel: Vessel, *, tank: str = "TK-1", **changes: Any) -> TankPlan:
    return TankPlan(
        tank=tank,
        product=ProductPlan("straight oil", StraightLineMethod()),
        capacity=UprightCylinder(diameter_m=vessel.diameter_m, height_m=vessel.level_m + 2.0),
        reference_height_m=vessel.level_m + 2.5,
        gauge=GaugePlan(GaugeKind.INNAGE),
        **changes,
    )


def figure(value: float) -> Figure:
    return Figure(value, Quality.GOOD, (), 1.0)


def sheet(
    vessel: Vessel, level_m: float, temperature_c: float, gsv_m3: float, ambient_c: float | None, **changes: Figure
) -> Inventory:
    """What the sheet says of a reading; figures that the search does not look at are left out."""
    cells = list(_NOTHING)
    cells[_LEVEL], cells[_TEMPERATURE] = figure(level_m), figure(temperature_c)
    cells[_TOV], cells[_GSV] = figure(vessel.area_m2 * level_m), figure(gsv_m3)
    if ambient_c is not None:
        cells[_AMBIENT] = figure(ambient_c)
    figures = Figures._make(cells)
    if changes:
        figures = figures._replace(**changes)
    return Inventory("TK-1", "straight oil", BEGIN, figures, (), Quality.GOOD, False, {}, reference_temperature_c=15.0)


_LEVEL, _TEMPERATURE, _AMBIENT = _AT("level"), _AT("liquid_temperature"), _AT("ambient_temperature")
_TOV, _GSV = _AT("tov"), _AT("gsv")


def played(
    vessel: Vessel,
    days: QuietDays,
    *,
    with_air: bool = True,
    memory: LossMemory = NO_LOSS,
    plan: LossPlan = YEARLY,
) -> Iterator[Played]:
    """Each sheet of those days, the tank at rest throughout."""
    tank = tank_plan(vessel)
    begin_s = days.seconds[0]
    columns = (days.seconds, days.level_m, days.temperature_c, days.gsv_m3, days.ambient_c)
    for now_s, level_m, temperature_c, gsv_m3, ambient_c in zip(*[each.tolist() for each in columns], strict=True):
        inventory = sheet(vessel, level_m, temperature_c, gsv_m3, ambient_c if with_air else None)
        since_s = now_s - begin_s
        given = TankInput("TK-1", BEGIN + timedelta(seconds=since_s), steady_s=now_s)
        reason, memory = next_loss(plan, tank, given, inventory, True, memory)
        yield Played(since_s, reason, memory)


def first_told_s(sheets: Iterator[Played], after_s: float = 0.0) -> float | None:
    """When a loss is first told at or after `after_s`; None: never."""
    return next((each.seconds for each in sheets if each.reason is not None and each.seconds >= after_s), None)
