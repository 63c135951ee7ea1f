"""The watch of each tank: from the site file, its defaults and what the tank has, to its frozen WatchPlan."""

from typing import Any

from gateway.binding import TankBinding
from gateway.calculation.plan import FreeWaterSource, TankPlan
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import validate
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.watch.checks import LEAST_RESPONSE_S, check_alarms, check_course
from gateway.settings.watch.defaults import DEFAULTS, GATEWAY_KINDS, TANK_KINDS
from gateway.settings.watch.models import AlarmModel, SiteWatchModel, TankAlarmsModel, TankWatchModel
from gateway.tank_state import AlarmKind
from gateway.watch.plan import AlarmPlan, CoursePlan, LossPlan, UnscheduledPlan, WatchPlan

__all__ = ["WatchBuilder"]

_SITE: KeyPath = ("watch",)
_LEVEL_DEADBAND_M = 0.005
"""Or two steps of the gauge: as the level state of the sheet has it."""
_FLOW_DEADBAND = 0.05
"""Of the greatest flow."""
_PRESSURE_DEADBAND = 0.02
"""Of the limit: EEMUA 191's for pressure, as quoted publicly, from memory; 100 Pa at least."""
_DEADBANDS = {
    AlarmKind.FILL_HIGH: 0.002,
    AlarmKind.HIGH_HIGH_SOON: 60.0,
    AlarmKind.TEMPERATURE_HIGH: 1.0,
    AlarmKind.TEMPERATURE_LOW: 1.0,
    AlarmKind.WATER_HIGH: 0.005,
}
_BY_LEVEL = (AlarmKind.CRITICAL_HIGH, AlarmKind.HIGH_HIGH, AlarmKind.MAXIMUM_WORKING, AlarmKind.MINIMUM)
_BY_PRESSURE = (AlarmKind.PRESSURE_HIGH, AlarmKind.PRESSURE_LOW)
_WITH_LIMIT = frozenset(
    {AlarmKind.FILL_HIGH, AlarmKind.TEMPERATURE_HIGH, AlarmKind.TEMPERATURE_LOW, AlarmKind.WATER_HIGH, *_BY_PRESSURE}
)
"""Raised only where the site file gives a limit for them: there is none that fits every tank."""
_LIMIT_EXAMPLES = {
    AlarmKind.FILL_HIGH: "85 %",
    AlarmKind.TEMPERATURE_HIGH: "60 degC",
    AlarmKind.TEMPERATURE_LOW: "18 degC",
    AlarmKind.PRESSURE_HIGH: "1200 kPa",
    AlarmKind.PRESSURE_LOW: "20 kPa",
    AlarmKind.WATER_HIGH: "100 mm",
}


class WatchBuilder:
    """Builds the watch of the tanks of one site file, gathering mistakes."""

    def __init__(self, document: Document, mistakes: Mistakes, manual: ManualValues) -> None:
        self._document = document
        self._mistakes = mistakes
        self._manual = manual
        self._site = self._read()

    def _read(self) -> SiteWatchModel:
        if self._document.node(_SITE) is None:
            return SiteWatchModel()
        checked = validate(SiteWatchModel, self._document, _SITE, self._mistakes)
        if checked is None or checked.dropped:
            return SiteWatchModel()
        model = checked.model
        check_course(model, self._document, _SITE, self._mistakes)
        check_alarms(model.alarms, self._document, _SITE, self._mistakes)
        self._warn_of_short_response(model.alarms, TankAlarmsModel(), _SITE)
        return model

    def gateway_alarms(self) -> tuple[AlarmPlan, ...]:
        """Those of the gateway itself, by their kinds; each is raised for a subject of its own."""
        found = []
        for kind in GATEWAY_KINDS:
            given = _Given(kind, None, _block(self._site.alarms, kind))
            if given.wanted:
                found.append(_alarm(given, None, 0.0))
        return tuple(found)

    def check(self, model: TankWatchModel | None, path: KeyPath) -> None:
        """What is wrong with the keys `watch` of the tank at `path`, by themselves."""
        if model is None:
            return
        here = (*path, "watch")
        check_course(model, self._document, here, self._mistakes)
        check_alarms(model.alarms, self._document, here, self._mistakes)
        self._warn_of_short_response(model.alarms, self._site.alarms, here)

    def build(self, model: TankWatchModel | None, plan: TankPlan, binding: TankBinding, path: KeyPath) -> WatchPlan:
        """The watch of a tank whose plan is `plan`. Alarms come from what it has."""
        course, loss = self._course(model, plan, binding), self._loss(model, plan)
        lacking = _lacking(plan, binding, course, loss)
        alarms = []
        for kind in TANK_KINDS:
            own = None if model is None else _block(model.alarms, kind)
            given = _Given(kind, own, _block(self._site.alarms, kind))
            if not given.wanted:
                continue
            if kind in lacking:
                if own is not None:
                    self._mistakes.add((*path, "watch", "alarms", kind), f"{lacking[kind]}; leave it out")
                continue
            limit = self._response_s(model) if kind is AlarmKind.HIGH_HIGH_SOON else given.value("limit")
            if limit is None and kind in _WITH_LIMIT:
                if own is not None:
                    text = f"is missing; give for example {_LIMIT_EXAMPLES[kind]}"
                    self._mistakes.add((*path, "watch", "alarms", kind, "limit"), text)
                continue
            alarm = _alarm(given, limit, _deadband(kind, limit, plan))
            self._check_deadband(alarm, plan, path)
            alarms.append(alarm)
        self._check_order(alarms, path)
        return WatchPlan(plan.tank, course, loss, tuple(alarms))

    def _course(self, model: TankWatchModel | None, plan: TankPlan, binding: TankBinding) -> CoursePlan:
        site = self._site
        default = CoursePlan()
        window_s = _first(None if model is None else model.window, site.window, default.window_s)
        own, of_site = None if model is None else model.unscheduled, site.unscheduled
        unscheduled: UnscheduledPlan | None = None
        chosen = own if own is not None else of_site
        if (chosen is None or chosen.wanted) and _has_gauge(plan):
            usual = UnscheduledPlan()
            unscheduled = UnscheduledPlan(
                _first(own and own.after, of_site and of_site.after, usual.arms_after_s),
                _first(own and own.deviation, of_site and of_site.deviation, usual.deviation_m),
            )
        return CoursePlan(window_s, None if model is None else model.moving, unscheduled)

    def _loss(self, model: TankWatchModel | None, plan: TankPlan) -> LossPlan | None:
        own, of_site = None if model is None else model.loss, self._site.loss
        chosen = own if own is not None else of_site
        if (chosen is not None and not chosen.wanted) or not _has_gauge(plan):
            return None
        usual = LossPlan().false_alarms_per_year
        return LossPlan(_first(own and own.false_alarms_per_year, of_site and of_site.false_alarms_per_year, usual))

    def _response_s(self, model: TankWatchModel | None) -> float:
        """How long it takes to act on high-high, also where that alarm is left out."""
        own = None if model is None else model.alarms.high_high
        of_site = self._site.alarms.high_high
        usual_s = DEFAULTS[AlarmKind.HIGH_HIGH].response_s
        response_s: float = _first(own and own.response, of_site and of_site.response, usual_s)
        return response_s

    def _warn_of_short_response(self, alarms: TankAlarmsModel, behind: TankAlarmsModel, path: KeyPath) -> None:
        """`behind`: what holds where `alarms` give nothing."""
        own = alarms.high_high
        if own is None or own.response is None or own.response >= LEAST_RESPONSE_S:
            return
        reason = own.response_reason or (None if behind.high_high is None else behind.high_high.response_reason)
        if reason is None:
            here = (*path, "alarms", "high_high", "response")
            text = f"{self._document.text(here)} is less than 15 min, the shortest in common practice; API 2350's"
            text = f"{text} categories are quoted with 15 to 45 min. Give more, or say why in response_reason"
            self._manual.warn(here, text)

    def _check_order(self, alarms: list[AlarmPlan], path: KeyPath) -> None:
        """A low limit lies below the high one of the same thing."""
        limits = {alarm.kind: alarm.limit for alarm in alarms}
        for low, high in (
            (AlarmKind.TEMPERATURE_LOW, AlarmKind.TEMPERATURE_HIGH),
            (AlarmKind.PRESSURE_LOW, AlarmKind.PRESSURE_HIGH),
        ):
            lower, upper = limits.get(low), limits.get(high)
            if lower is not None and upper is not None and upper <= lower:
                here = self._given_at(path, high)
                text = f"{self._document.text(here)} is not above that of {low}; give more"
                self._mistakes.add(here, text)

    def _check_deadband(self, alarm: AlarmPlan, plan: TankPlan, path: KeyPath) -> None:
        """Behind the deadband there must be something for the alarm to return at."""
        room = _room_to_return(alarm, plan)
        if room is not None and alarm.deadband >= room:
            here = self._given_at(path, alarm.kind, "deadband")
            text = f"{self._document.text(here)} leaves nothing at which the alarm returns; give less"
            self._mistakes.add(here, text.lstrip())

    def _given_at(self, path: KeyPath, kind: AlarmKind, key: str = "limit") -> KeyPath:
        own = (*path, "watch", "alarms", kind, key)
        return own if self._document.node(own) is not None else (*_SITE, "alarms", kind, key)


class _Given:
    """What is written about one kind: for the tank, and behind it for the site."""

    def __init__(self, kind: AlarmKind, own: AlarmModel | None, of_site: AlarmModel | None) -> None:
        self.kind = kind
        self._blocks = [block for block in (own, of_site) if block is not None]

    @property
    def wanted(self) -> bool:
        """A block of the tank wants the alarm back that the site leaves out."""
        return self._blocks[0].wanted if self._blocks else True

    def value(self, key: str) -> Any:
        return next((found for block in self._blocks if (found := getattr(block, key, None)) is not None), None)


def _alarm(given: _Given, limit: float | None, deadband: float) -> AlarmPlan:
    usual = DEFAULTS[given.kind]
    return AlarmPlan(
        given.kind,
        _first(given.value("priority"), usual.priority),
        _first(given.value("consequence"), usual.consequence),
        _first(given.value("action"), usual.action),
        _first(given.value("response"), usual.response_s),
        limit,
        _first(given.value("deadband"), deadband),
        _first(given.value("on_delay"), usual.on_delay_s),
        _first(given.value("off_delay"), usual.off_delay_s),
    )


def _first(*given: Any) -> Any:
    """The first that is given."""
    return next((each for each in given if each is not None), None)


def _block(alarms: TankAlarmsModel, kind: AlarmKind) -> AlarmModel | None:
    found: AlarmModel | None = getattr(alarms, kind.value)
    return found


def _deadband(kind: AlarmKind, limit: float | None, plan: TankPlan) -> float:
    if kind in _BY_LEVEL:
        steps = [gauge.resolution_m for gauge in (plan.gauge, plan.second_gauge) if gauge is not None]
        return max(_LEVEL_DEADBAND_M, *[2.0 * step for step in steps]) if steps else _LEVEL_DEADBAND_M
    if kind in _BY_PRESSURE:
        return max(100.0, _PRESSURE_DEADBAND * abs(limit or 0.0))
    flow = {
        AlarmKind.FILLING_TOO_FAST: plan.maximum_flow_in_m3_s,
        AlarmKind.EMPTYING_TOO_FAST: plan.maximum_flow_out_m3_s,
    }.get(kind)
    return _DEADBANDS.get(kind, 0.0) if flow is None else _FLOW_DEADBAND * flow


def _room_to_return(alarm: AlarmPlan, plan: TankPlan) -> float | None:
    """From the limit to the end of what it judges; None where there is none."""
    limits, capacity = plan.limits, plan.capacity
    high_m = {
        AlarmKind.CRITICAL_HIGH: limits.critical_high_m,
        AlarmKind.HIGH_HIGH: limits.high_high_m,
        AlarmKind.MAXIMUM_WORKING: limits.maximum_working_m,
    }.get(alarm.kind)
    if high_m is not None:
        return high_m - capacity.bottom_m
    match alarm.kind:
        case AlarmKind.MINIMUM if limits.minimum_m is not None:
            return capacity.top_m - limits.minimum_m
        case AlarmKind.FILLING_TOO_FAST:
            return plan.maximum_flow_in_m3_s
        case AlarmKind.EMPTYING_TOO_FAST:
            return plan.maximum_flow_out_m3_s
        case AlarmKind.FILL_HIGH | AlarmKind.WATER_HIGH:
            return alarm.limit
        case _:
            return None


def _has_gauge(plan: TankPlan) -> bool:
    return plan.gauge is not None or plan.second_gauge is not None


def _lacking(plan: TankPlan, binding: TankBinding, course: CoursePlan, loss: LossPlan | None) -> dict[AlarmKind, str]:
    """The kinds that are about something that the tank does not have, and what that is."""
    limits = plan.limits
    gauge = _has_gauge(plan)
    level = gauge or binding.manual_level is not None
    needs: dict[AlarmKind, tuple[bool, str]] = {
        AlarmKind.CRITICAL_HIGH: (level and limits.critical_high_m is not None, "there is no limits.critical_high"),
        AlarmKind.HIGH_HIGH: (level and limits.high_high_m is not None, "there is no limits.high_high"),
        AlarmKind.MAXIMUM_WORKING: (
            level and limits.maximum_working_m is not None,
            "there is no limits.maximum_working",
        ),
        AlarmKind.MINIMUM: (level and limits.minimum_m is not None, "there is no limits.minimum"),
        AlarmKind.FILL_HIGH: (level, "there is no level"),
        AlarmKind.HIGH_HIGH_SOON: (gauge and limits.high_high_m is not None, "there is no limits.high_high"),
        AlarmKind.FILLING_TOO_FAST: (gauge and plan.maximum_flow_in_m3_s is not None, "there is no maximum_flow_in"),
        AlarmKind.EMPTYING_TOO_FAST: (
            gauge and plan.maximum_flow_out_m3_s is not None,
            "there is no maximum_flow_out",
        ),
        AlarmKind.TEMPERATURE_HIGH: (bool(plan.temperature.elements), "no thermometer is fitted"),
        AlarmKind.TEMPERATURE_LOW: (bool(plan.temperature.elements), "no thermometer is fitted"),
        AlarmKind.PRESSURE_HIGH: (binding.vapour_pressure is not None, "no vapour_pressure is measured"),
        AlarmKind.PRESSURE_LOW: (binding.vapour_pressure is not None, "no vapour_pressure is measured"),
        AlarmKind.WATER_HIGH: (plan.free_water is not FreeWaterSource.NONE, "the tank is declared without free water"),
        AlarmKind.DENSITY_DOUBTFUL: (plan.product.method.needs_density, "this product needs no density"),
        AlarmKind.LEVEL_LOST: (level, "there is no level"),
        AlarmKind.INSTRUMENT_FAILED: (bool(binding.sources), "no instrument is fitted"),
        AlarmKind.DATA_STALE: (bool(binding.sources), "no instrument is fitted"),
        AlarmKind.GAUGES_DISAGREE: (
            plan.gauge is not None and plan.second_gauge is not None,
            "there are no two gauges to compare",
        ),
        AlarmKind.LEVEL_FROZEN: (gauge, "no level gauge is fitted"),
        AlarmKind.ROOF_LANDED: (plan.roof is not None, "there is no floating roof"),
        AlarmKind.ROOF_CRITICAL: (plan.roof is not None, "there is no floating roof"),
        AlarmKind.UNSCHEDULED_MOVEMENT: (
            course.unscheduled is not None,
            "unscheduled is left out",
        ),
        AlarmKind.WRONG_WAY: (gauge, "no level gauge is fitted"),
        AlarmKind.SLOW_LOSS: (loss is not None, "loss is left out"),
    }
    return {kind: words for kind, (is_there, words) in needs.items() if not is_there}
