"""What each alarm of a tank judges, from one sheet, how the tank moves and what it loses: a condition for each kind.

Pure, and without memory: deadbands and delays are the alarm's (`gateway.watch.alarms`). Levels are raw: an implausible
rate and any other doubt leave a high level high. An instrument in maintenance suppresses what rests on it alone, and no
level that another gauge sees. Monitoring only: no overfill prevention system (API 2350), no leak detection by law.
"""

from collections.abc import Callable, Mapping

from gateway.calculation.plan import TankPlan
from gateway.reasons import Reason, ReasonCode
from gateway.records import Inventory, TankInput
from gateway.tank_state import AlarmKind
from gateway.watch import level_alarms, state_alarms, value_alarms
from gateway.watch.alarms.condition import Condition
from gateway.watch.course.course import Course
from gateway.watch.levels import levels_of, maintenance_of_level
from gateway.watch.plan import AlarmPlan, WatchPlan
from gateway.watch.sight import UNJUDGED, Sight, bad_signals

__all__ = ["conditions"]

_NOT_WATCHED = ReasonCode.NOT_WATCHED

_JUDGES: Mapping[AlarmKind, Callable[[Sight, AlarmPlan], Condition]] = {
    AlarmKind.CRITICAL_HIGH: level_alarms.critical_high,
    AlarmKind.HIGH_HIGH: level_alarms.high_high,
    AlarmKind.MAXIMUM_WORKING: level_alarms.maximum_working,
    AlarmKind.MINIMUM: level_alarms.minimum,
    AlarmKind.FILL_HIGH: level_alarms.fill_high,
    AlarmKind.HIGH_HIGH_SOON: level_alarms.high_high_soon,
    AlarmKind.LEVEL_LOST: level_alarms.level_lost,
    AlarmKind.FILLING_TOO_FAST: value_alarms.filling_too_fast,
    AlarmKind.EMPTYING_TOO_FAST: value_alarms.emptying_too_fast,
    AlarmKind.TEMPERATURE_HIGH: value_alarms.temperature_high,
    AlarmKind.TEMPERATURE_LOW: value_alarms.temperature_low,
    AlarmKind.PRESSURE_HIGH: value_alarms.pressure_high,
    AlarmKind.PRESSURE_LOW: value_alarms.pressure_low,
    AlarmKind.WATER_HIGH: value_alarms.water_high,
    AlarmKind.DENSITY_DOUBTFUL: state_alarms.density_doubtful,
    AlarmKind.INSTRUMENT_FAILED: state_alarms.instrument_failed,
    AlarmKind.DATA_STALE: state_alarms.data_stale,
    AlarmKind.GAUGES_DISAGREE: state_alarms.gauges_disagree,
    AlarmKind.LEVEL_FROZEN: state_alarms.level_frozen,
    AlarmKind.ROOF_LANDED: state_alarms.roof_landed,
    AlarmKind.ROOF_CRITICAL: state_alarms.roof_critical,
    AlarmKind.UNSCHEDULED_MOVEMENT: state_alarms.unscheduled_movement,
    AlarmKind.WRONG_WAY: state_alarms.wrong_way,
    AlarmKind.SLOW_LOSS: state_alarms.slow_loss,
}
"""Those of a tank; what is wrong with the gateway itself is known elsewhere."""

_new = tuple.__new__


def conditions(
    plan: WatchPlan, tank: TankPlan, tank_input: TankInput, inventory: Inventory, course: Course, loss: Reason | None
) -> Mapping[AlarmKind, Condition]:
    """The condition of each alarm of `plan`. `loss`: what a slow loss was found by; None where there is none.

    A sheet that says that nobody watches the tank judges nothing. KeyError for a kind that no tank has.
    """
    reasons = inventory.figures.level.reasons
    if reasons and reasons[0].code is _NOT_WATCHED:
        return {alarm.kind: UNJUDGED for alarm in plan.alarms}
    levels = levels_of(tank, tank_input, inventory)
    of_level = None
    if levels.maintenance is not None:
        of_level = maintenance_of_level(tank, tank_input, inventory.sources.level)
    sight = _new(Sight, (tank, tank_input, inventory, course, loss, levels, of_level, bad_signals(tank_input)))
    return {alarm.kind: _JUDGES[alarm.kind](sight, alarm) for alarm in plan.alarms}
