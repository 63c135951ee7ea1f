"""Readings against time and against each other, before the sheet: what each is doubted for, and until when.

A doubt makes a figure Uncertain and never changes its value: filters must not delay a true high. It names what it
compares, ends when the readings bear each other out, and is not forgotten for one reading that is missing. The machines
of the doubts stand in modules of their own: rates, two_gauges, stillness, flow_direction, recurrence.
"""

from collections.abc import Mapping
from operator import attrgetter
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.doubts.flow_direction import course_fault, next_course
from gateway.calculation.doubts.movement import Movement, MovementState, next_movement
from gateway.calculation.doubts.rates import (
    NO_TRACK,
    LevelLimits,
    Sample,
    TemperatureLimits,
    Track,
    TrackState,
    follow,
    speed_m_s,
    volume_near,
)
from gateway.calculation.doubts.stillness import frozen_fault, next_stillness
from gateway.calculation.doubts.sure_flow import first_reading, second_agrees
from gateway.calculation.doubts.two_gauges import gauges_fault, next_apart
from gateway.calculation.doubts.words import NO_JUDGEMENTS, Doubt, Judgements, recurring
from gateway.calculation.level.source import LevelAndTemperature
from gateway.calculation.memory import Doubts
from gateway.calculation.plan import HeadPlan, TankPlan
from gateway.calculation.temperature.average import chosen_by
from gateway.records import Figure, Input, Reason, ReasonCode, TankInput, because

__all__ = ["Judged", "as_judged", "judged"]

_DENSITY_AGES = Doubt.DENSITY_AGES
_MOVING = MovementState.MOVING

_NEW_S = 1e-3
"""Ages differ by rounding: a reading later by less is the same one."""
_TEMPERATURES = TemperatureLimits()
_used = attrgetter("used")


class Judged(NamedTuple):
    """The figures with their doubts."""

    level: Figure
    second_level: Figure
    tov: Figure
    temperature: Figure
    density_doubt: Reason | None
    """What a density measured by pressure is doubted for."""
    doubts: Doubts
    told: Judgements
    """What was found."""


class _Seen(NamedTuple):
    """A level gauge at this sheet."""

    track: Track
    sample: Sample | None = None
    """None: it gives no level."""
    fault: Reason | None = None
    """Why its own past puts it in doubt."""
    movement: Movement | None = None


_NOT_FITTED = _Seen(NO_TRACK)


def as_judged(found: LevelAndTemperature, tov: Figure, before: Doubts, judgements: Judgements, now_s: float) -> Judged:
    """`judged` by what was found when the readings before were still there."""
    measured, _, _ = _temperature(found, NO_TRACK, now_s)
    return _told(found, tov, measured is not None, judgements, before)


def judged(
    plan: TankPlan, tank_input: TankInput, found: LevelAndTemperature, tov: Figure, before: Doubts, now_s: float
) -> Judged:
    """Level, TOV and temperature with what they are doubted for; `now_s` steady."""
    gauge, reading = first_reading(plan, tank_input)
    resolution_m = 0.001 if gauge is None else gauge.resolution_m
    limits = LevelLimits(plan.maximum_flow_in_m3_s, plan.maximum_flow_out_m3_s, resolution_m)
    second, apart, differ = _NOT_FITTED, None, False
    if plan.second_gauge is not None and found.difference.value is not None:
        differ = abs(found.difference.value) > plan.gauge_difference_limit_m
    first = _look(
        plan,
        found.first_level,
        reading,
        before.first,
        before.first_movement,
        limits,
        now_s,
        tov.value,
        differ and not before.second.rival,
    )
    if plan.second_gauge is not None:
        others = limits._replace(resolution_m=plan.second_gauge.resolution_m)
        given = tank_input.second_level
        contradicted = differ and first.fault is None
        second = _look(
            plan, found.second_level, given, before.second, before.second_movement, others, now_s, None, contradicted
        )
        if (first.fault is None) is not (second.fault is None) and second_agrees(plan, found.difference):
            first, second = _witnessed(first, second, before, limits)
        meanwhile_m = _meanwhile_m(before.first, first, second)
        apart = next_apart(before.apart, found.difference.value, plan.gauge_difference_limit_m, now_s, meanwhile_m)
    still = course = None
    if plan.flows:
        still = next_stillness(plan, tank_input, found.level, found.difference, before.still, now_s)
        course_m = None if first.sample is None or first.fault is not None else first.sample.value
        course = next_course(plan, tank_input, course_m, found.difference, before.course, now_s)
    measured, warmth, jump = _temperature(found, before.temperature, now_s)

    by_first = first.sample is not None
    used = first if by_first else second
    causes: dict[Doubt, Reason | None] = {}
    if apart is not None:
        causes[Doubt.GAUGES] = gauges_fault(plan, apart, now_s)
    if by_first and plan.flows:
        causes[Doubt.FROZEN] = frozen_fault(plan, still)
        causes[Doubt.AGAINST_FLOW] = course_fault(plan, course)
    if used.fault is not None or second.fault is not None or jump is not None:
        causes[Doubt.LEVEL_RATE] = used.fault
        causes[Doubt.SECOND_RATE] = second.fault
        causes[Doubt.TEMPERATURE_RATE] = jump
    read_s = before.read_s
    if used.sample is not None:
        read_s = used.sample.time_s
        if used.movement is not None and used.movement.state is _MOVING:
            causes.update(_ages(plan, tank_input, now_s - read_s, measured))
    told = NO_JUDGEMENTS
    remembered = before.recurring
    if causes or remembered:
        is_new = before.read_s is None or read_s is None or abs(read_s - before.read_s) > _NEW_S
        present = {doubt: cause for doubt, cause in causes.items() if cause is not None}
        told, remembered = recurring(remembered, present, is_new)
    doubts = Doubts(
        first.track,
        second.track,
        warmth,
        first.movement,
        second.movement,
        apart,
        still,
        course,
        before.densities,
        remembered,
        read_s,
    )
    return _told(found, tov, measured is not None, told, doubts)


def _look(
    plan: TankPlan,
    level: Figure,
    reading: Input | None,
    before: Track,
    moved: Movement | None,
    limits: LevelLimits,
    now_s: float,
    volume_m3: float | None,
    is_contradicted: bool,
) -> _Seen:
    """A gauge against its own past. `volume_m3` at its level, where that is known already; `is_contradicted` by the
    other gauge, which has not jumped."""
    level_m = level.value
    if level_m is None or reading is None:
        return _Seen(before, movement=moved)
    time_s = now_s - reading.age_s
    sample = Sample(time_s, level_m, volume_near(plan, level_m) if volume_m3 is None else volume_m3)
    track, fault = follow(before, sample, limits, is_contradicted=is_contradicted)
    return _Seen(track, sample, fault, next_movement(moved, level_m, time_s, limits.resolution_m))


def _witnessed(first: _Seen, second: _Seen, before: Doubts, limits: LevelLimits) -> tuple[_Seen, _Seen]:
    """Of two gauges that agree the one that has jumped, borne out by the other where that has a past of its own."""
    if first.fault is not None and first.sample is not None and second.track.state is TrackState.SETTLED:
        track, fault = follow(before.first, first.sample, limits, is_borne_out=True)
        return first._replace(track=track, fault=fault), second
    if second.fault is not None and second.sample is not None and first.track.state is TrackState.SETTLED:
        track, fault = follow(before.second, second.sample, limits, is_borne_out=True)
        return first, second._replace(track=track, fault=fault)
    return first, second


def _meanwhile_m(before: Track, first: _Seen, second: _Seen) -> float:
    """By how much the level has moved between the readings of two gauges; a jump is no movement. `before`: the track of
    the first."""
    if first.sample is None or second.sample is None or first.fault is not None:
        return 0.0
    return abs(speed_m_s(before, first.sample) * (first.sample.time_s - second.sample.time_s))


def _temperature(found: LevelAndTemperature, before: Track, now_s: float) -> tuple[Figure | None, Track, Reason | None]:
    """The average where elements made it, else None; its track; and why its own past puts it in doubt."""
    average = found.liquid.average
    if average.value is None or found.level.value is None:
        return None, before, None
    used = tuple(map(_used, found.liquid.uses))
    if True not in used:
        return None, before, None
    if before.samples and before.samples[-1].used != used:
        # Averages of different elements are not compared.
        before = NO_TRACK
    track, fault = follow(before, Sample(now_s - average.age_s, average.value, used=used), _TEMPERATURES)
    return average, track, fault


def _ages(
    plan: TankPlan, tank_input: TankInput, level_age_s: float, measured: Figure | None
) -> Mapping[Doubt, Reason | None]:
    """What is put together from readings of different moments while the level moves."""
    limit_s = plan.age_difference_limit_s
    by_column = plan.measured_density is not None or isinstance(plan.gauge, HeadPlan)
    if not by_column and (measured is None or abs(level_age_s - measured.age_s) <= limit_s):
        return _NO_CAUSES
    ages: dict[Doubt, list[float]] = {}
    if measured is not None:
        ages[Doubt.TEMPERATURE_AGES] = [level_age_s, measured.age_s]
    if by_column:
        pressures_s = [
            given.age_s
            for given in (tank_input.bottom_pressure, tank_input.vapour_pressure)
            if given is not None and given.value is not None
        ]
        if plan.measured_density is not None:
            ages[Doubt.DENSITY_AGES] = [level_age_s, *pressures_s]
        if isinstance(plan.gauge, HeadPlan):
            ages[Doubt.LEVEL_AGES] = pressures_s
    causes: dict[Doubt, Reason | None] = {}
    for doubt, seconds in ages.items():
        if len(seconds) > 1 and max(seconds) - min(seconds) > limit_s:
            by_s = max(seconds) - min(seconds)
            causes[doubt] = because(ReasonCode.AGES_DIFFER, _APART_IN_AGE[doubt], difference=by_s, limit=limit_s)
    return causes


_NO_CAUSES: Mapping[Doubt, Reason | None] = {}
_APART_IN_AGE = {
    Doubt.TEMPERATURE_AGES: (
        "temperature and level differ in age by {difference:duration}, more than {limit:duration}, while the level "
        "moves"
    ),
    Doubt.DENSITY_AGES: (
        "the pressure behind the density and the level differ in age by {difference:duration}, more than "
        "{limit:duration}, while the level moves"
    ),
    Doubt.LEVEL_AGES: (
        "the pressures behind the level differ in age by {difference:duration}, more than {limit:duration}, while the "
        "level moves"
    ),
}


def _told(found: LevelAndTemperature, tov: Figure, is_measured: bool, told: Judgements, doubts: Doubts) -> Judged:
    """The figures, each with the doubts that are its own."""
    level, second, temperature = found.level, found.second_level, found.liquid.average
    if told:
        level = _lowered(level, told, _OF_THE_LEVEL)
        second = _lowered(second, told, (Doubt.SECOND_RATE,))
        if is_measured:
            temperature = _lowered(temperature, told, (Doubt.TEMPERATURE_RATE, Doubt.TEMPERATURE_AGES))
        if level is not found.level and tov.value is not None:
            tov = figure.derive(tov.value, (level,))
    if is_measured:
        temperature = chosen_by(level, temperature)
    return Judged(level, second, tov, temperature, told.get(_DENSITY_AGES), doubts, told)


_OF_THE_LEVEL = (Doubt.GAUGES, Doubt.FROZEN, Doubt.AGAINST_FLOW, Doubt.LEVEL_RATE, Doubt.LEVEL_AGES)


def _lowered(judged: Figure, told: Judgements, of: tuple[Doubt, ...]) -> Figure:
    """A figure that has a value, with the doubts that are its own."""
    if judged.value is None:
        return judged
    for doubt in of:
        reason = told.get(doubt)
        if reason is not None:
            judged = figure.lower(judged, reason)
    return judged
