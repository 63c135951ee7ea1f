"""Alarms of what is so or is not: instruments, gauges against each other, movement, loss, density and roof."""

from gateway.reasons import Reason, ReasonCode, because
from gateway.records import Figure, Quality
from gateway.sources import DensitySource
from gateway.states import RoofZone
from gateway.tank_state import AlarmKind, Motion
from gateway.watch.alarms.condition import Condition
from gateway.watch.levels import in_maintenance
from gateway.watch.plan import AlarmPlan
from gateway.watch.sight import INSIDE, UNJUDGED, Sight, not_judged, so_or_not

__all__ = [
    "data_stale",
    "density_doubtful",
    "gauges_disagree",
    "instrument_failed",
    "level_frozen",
    "roof_critical",
    "roof_landed",
    "slow_loss",
    "unscheduled_movement",
    "wrong_way",
]

# A member asked of its enum costs more than a small call: those that every sheet asks for are named once.
_GOOD = Quality.GOOD
_UNKNOWN = Motion.UNKNOWN
_GAUGES_DISAGREE = AlarmKind.GAUGES_DISAGREE
_LEVEL_FROZEN = AlarmKind.LEVEL_FROZEN
_WRONG_WAY = AlarmKind.WRONG_WAY
_UNSCHEDULED = AlarmKind.UNSCHEDULED_MOVEMENT
_LANDED = RoofZone.LANDED
_CRITICAL = RoofZone.CRITICAL
_SHEET_GAUGES = ReasonCode.GAUGES_DISAGREE
_SHEET_FROZEN = ReasonCode.LEVEL_FROZEN
_SHEET_AGAINST = ReasonCode.LEVEL_AGAINST_FLOW
_SILENT = frozenset(
    {ReasonCode.NOT_YET_READ, ReasonCode.STALE, ReasonCode.DEVICE_STALE}
    | {ReasonCode.NO_CONNECTION, ReasonCode.NO_ANSWER, ReasonCode.BAD_FRAME}
    | {ReasonCode.DEVICE_STILL_WORKING, ReasonCode.DEVICE_BUSY}
    | {ReasonCode.PATH_UNAVAILABLE, ReasonCode.TARGET_SILENT}
)
"""Nothing new is heard of it. Whatever else makes a reading Bad is something wrong with the instrument or its line."""
_BY_PRESSURE = (DensitySource.MEASURED, DensitySource.LAST_MEASURED)
_DENSITY_CODES = frozenset({ReasonCode.DENSITY_OUTSIDE_WINDOW, ReasonCode.DENSITIES_DISAGREE})
_NO_VALUE = Reason(ReasonCode.INPUT_BAD, "it gives no value")
_NO_DENSITY = Reason(ReasonCode.NOT_FITTED, "no density is given")


def instrument_failed(sight: Sight, alarm: AlarmPlan) -> Condition:
    """Whatever is fitted, wet or dry: an element that failed while dry is found before the liquid gets to it."""
    return _bad_inputs(sight, is_silent=False)


def data_stale(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _bad_inputs(sight, is_silent=True)


_OF_ONE = {True: "nothing new of {instrument}: {cause}", False: "{instrument} has failed: {cause}"}
_OF_SEVERAL = {
    True: "nothing new of {count} signals, first {instrument}: {cause}",
    False: "{count} signals have failed, first {instrument}: {cause}",
}


def _bad_inputs(sight: Sight, *, is_silent: bool) -> Condition:
    """Of the signals that are Bad, those of which nothing is heard, or the others; suppressed where all of them are in
    maintenance. Gauges come first."""
    bad = sight.bad
    if not bad:
        return INSIDE
    counted = [(each, each.reason or _NO_VALUE) for each in bad if in_maintenance(each) is None]
    meant = [(each, reason) for each, reason in counted if (reason.code in _SILENT) is is_silent]
    if not meant and not is_silent and counted:
        # Whether what is not heard of still fails, nobody knows.
        return UNJUDGED
    if not meant:
        suppressed = next((reason for reason in map(in_maintenance, bad) if reason is not None), None)
        return INSIDE if suppressed is None else Condition(False, suppressed=suppressed)
    first, cause = meant[0]
    if len(meant) == 1:
        return so_or_not(True, because(cause.code, _OF_ONE[is_silent], instrument=first.source, cause=cause))
    reason = because(cause.code, _OF_SEVERAL[is_silent], count=len(meant), instrument=first.source, cause=cause)
    return so_or_not(True, reason)


def gauges_disagree(sight: Sight, alarm: AlarmPlan) -> Condition:
    """As the sheet proves it: by more than the limit for ten minutes. While there is nothing to compare it stays."""
    suppressed = in_maintenance(sight.given.level) or in_maintenance(sight.given.bottom_pressure)
    suppressed = suppressed or in_maintenance(sight.given.second_level)
    figures = sight.inventory.figures
    found = sight.course.findings.get(_GAUGES_DISAGREE) or _told(figures.level, _SHEET_GAUGES)
    if found is None and figures.level_difference.value is None:
        return not_judged(suppressed)
    return so_or_not(found is not None, found, suppressed)


def level_frozen(sight: Sight, alarm: AlarmPlan) -> Condition:
    """By the course, or by the sheet, which knows what flows meanwhile."""
    return _of_course(sight, _LEVEL_FROZEN, _told(sight.inventory.figures.level, _SHEET_FROZEN))


def wrong_way(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _of_course(sight, _WRONG_WAY, _told(sight.inventory.figures.level, _SHEET_AGAINST))


def unscheduled_movement(sight: Sight, alarm: AlarmPlan) -> Condition:
    return _of_course(sight, _UNSCHEDULED, None)


def _of_course(sight: Sight, kind: AlarmKind, by_sheet: Reason | None) -> Condition:
    """What rests on the level of the sheet, and is suppressed with its gauge."""
    found = sight.course.findings.get(kind) or by_sheet
    if found is None and (sight.course.motion is _UNKNOWN or sight.inventory.figures.level.value is None):
        return not_judged(sight.level_maintenance)
    return so_or_not(found is not None, found, sight.level_maintenance)


def slow_loss(sight: Sight, alarm: AlarmPlan) -> Condition:
    """No regulatory leak-detection method."""
    if sight.loss is None and sight.inventory.figures.level.value is None:
        return not_judged(sight.level_maintenance)
    return so_or_not(sight.loss is not None, sight.loss, sight.level_maintenance)


def density_doubtful(sight: Sight, alarm: AlarmPlan) -> Condition:
    """Undated, expired, older than it may be, outside the product's window, or contradicted by a measured one."""
    if not sight.tank.product.method.needs_density:
        return INSIDE
    figures = sight.inventory.figures
    for figure in (figures.observed_density, figures.reference_density):
        for reason in figure.reasons if figure.quality is not _GOOD else ():
            if reason.code in _DENSITY_CODES:
                return so_or_not(True, reason)
    if sight.inventory.sources.density in _BY_PRESSURE:
        return INSIDE
    entered = sight.given.reference_density or sight.given.observed_density
    if entered is None:
        return so_or_not(True, _NO_DENSITY)
    return so_or_not(entered.quality is not _GOOD, entered.reason or _NO_VALUE)


def roof_landed(sight: Sight, alarm: AlarmPlan) -> Condition:
    phrase = "the roof stands on its legs at level {level:m .3f}: vapour hazard, follow the site's procedure"
    return _roof(sight, _LANDED, phrase)


def roof_critical(sight: Sight, alarm: AlarmPlan) -> Condition:
    phrase = "the roof is partly afloat at level {level:m .3f}: quantities are uncertain, gauge no transfer here"
    return _roof(sight, _CRITICAL, phrase)


def _roof(sight: Sight, zone: RoofZone, phrase: str) -> Condition:
    """The zones have their hysteresis from the sheet."""
    level_m, found = sight.inventory.figures.level.value, sight.inventory.level_state.roof
    if found is None or level_m is None:
        return not_judged(sight.level_maintenance)
    if found is not zone:
        return so_or_not(False, None, sight.level_maintenance)
    code = ReasonCode.ROOF_LANDED if zone is _LANDED else ReasonCode.ROOF_CRITICAL_ZONE
    return Condition(True, False, level_m, because(code, phrase, level=level_m), sight.level_maintenance)


def _told(figure: Figure, code: ReasonCode) -> Reason | None:
    if figure.quality is _GOOD:
        return None
    return next((reason for reason in figure.reasons if reason.code is code), None)
