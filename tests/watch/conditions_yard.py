"""A straight tank, one alarm, and what it is judged to be."""

from collections.abc import Mapping
from datetime import UTC, datetime
from types import MappingProxyType

from gateway.calculation.plan import GaugeKind, GaugePlan, TankPlan
from gateway.records import Figure, Input, Inventory, Quality, Reason, ReasonCode, TankInput
from gateway.tank_state import AlarmKind, LimitTime, Motion, Priority
from gateway.watch.alarms.condition import Condition
from gateway.watch.conditions import conditions
from gateway.watch.course.course import Course
from gateway.watch.plan import AlarmPlan, WatchPlan
from tests.support.plans import sheet, straight_input, straight_plan

__all__ = ["FIRST", "MAINTENANCE", "SECOND", "alarm", "course", "in_maintenance", "inputs", "judged", "two_gauges"]

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
MAINTENANCE = Reason(ReasonCode.IN_MAINTENANCE, "in maintenance")
FIRST = GaugePlan(GaugeKind.INNAGE, name="first")
SECOND = GaugePlan(GaugeKind.INNAGE, name="second")


def alarm(kind: AlarmKind, **changes: object) -> AlarmPlan:
    return AlarmPlan(kind, Priority.SOON, "consequence", "action", **changes)  # type: ignore[arg-type]


def in_maintenance(value: float | None, source: str = "X.s") -> Input:
    quality = Quality.BAD if value is None else Quality.UNCERTAIN
    return Input(value, quality, MAINTENANCE, 1.0, source)


def inputs(**changes: Input | None) -> TankInput:
    """Of a straight tank at 6 m, with other inputs by their names."""
    return straight_input()._replace(**changes)  # type: ignore[arg-type]


def two_gauges(**changes: object) -> TankPlan:
    return straight_plan(gauge=FIRST, second_gauge=SECOND, **changes)


def course(
    rate_m3_s: float | None = 0.0,
    *times: LimitTime,
    findings: Mapping[AlarmKind, Reason] = MappingProxyType({}),
    motion: Motion = Motion.AT_REST,
) -> Course:
    quality = Quality.BAD if rate_m3_s is None else Quality.GOOD
    rate = Figure(rate_m3_s, quality, () if rate_m3_s is not None else (Reason(ReasonCode.TOO_SOON, "too soon"),), 0.0)
    return Course(motion, None, rate, rate, times, findings=findings)


def judged(
    kind: AlarmKind,
    given: TankInput | None = None,
    plan: TankPlan | None = None,
    *,
    inventory: Inventory | None = None,
    moves: Course | None = None,
    loss: Reason | None = None,
    **changes: object,
) -> Condition:
    """Of one alarm, by the sheet of `given` unless one is handed in."""
    plan = plan or straight_plan()
    given = given or straight_input()
    watch = WatchPlan(plan.tank, alarms=(alarm(kind, **changes),))
    found = conditions(watch, plan, given, inventory or sheet(plan, given), moves or course(), loss)
    assert set(found) == {kind}
    return found[kind]
