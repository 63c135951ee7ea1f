"""Average temperature of the liquid from the elements that are in it (API MPMS 7.3, ISO 4266-4 practice).

Only healthy elements submerged by the immersion margin, above free water, are averaged; vapour elements never are.
"""

from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TOUCH_M, ElementPlan, TemperaturePlan, Weighting
from gateway.records import ElementUse, Figure, Input, LastGood, Quality, Reason, ReasonCode

__all__ = [
    "LiquidTemperature",
    "average_temperature",
    "chosen_by",
    "substituted_temperature",
    "unknown_temperature",
    "vapour_temperature",
    "wet_elements",
]

_GOOD = Quality.GOOD
_BAD = Quality.BAD


class LiquidTemperature(NamedTuple):
    """`average` and `spread` in degC; one use per element, in the order of the plan."""

    average: Figure
    spread: Figure
    uses: tuple[ElementUse, ...]


def wet_elements(plan: TemperaturePlan, level_m: float, before: tuple[bool, ...]) -> tuple[bool, ...]:
    """Which elements count as submerged at `level_m`, one flag each.

    An element enters at its height + margin and leaves at its height + two thirds of the margin. Without a flag from
    `before` the entering threshold applies.
    """
    if len(before) != len(plan.elements):
        return tuple([level_m >= enters for enters in plan.enters_m])
    return tuple(
        [
            level_m >= (leaves if was else enters)
            for enters, leaves, was in zip(plan.enters_m, plan.leaves_m, before, strict=True)
        ]
    )


def average_temperature(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    wet: tuple[bool, ...],
    level_m: float,
    water_m: float | None,
    capacity: Capacity,
) -> LiquidTemperature | None:
    """The submerged average, or None when no submerged element can be used.

    Args:
        inputs: (n_elements,), degC, lowest first, as in the plan; or none at all, when the elements are not read.
        wet: (n_elements,), from `wet_elements`.
        water_m: free-water level in m; elements at or below it are left out. None: no water.
        capacity: for the slice volumes, which run from the free water to the surface.
    """
    used: list[int] = []
    values: list[float] = []
    notes: list[Reason | None] = [None] * len(inputs)
    quality = _GOOD
    reasons: list[Reason] = []
    age_s = 0.0
    manual = False
    for index, given in enumerate(inputs):
        if not wet[index]:
            continue
        value, its_quality, reason, its_age_s, _, by_hand = given
        if water_m is not None and plan.elements[index].height_m <= water_m + TOUCH_M:
            notes[index] = Reason(ReasonCode.ELEMENT_IN_WATER, f"{plan.elements[index].name} is in free water")
            continue
        if its_quality is _BAD or value is None:
            cause = "no value" if reason is None else reason.text
            failure = Reason(ReasonCode.ELEMENT_FAILED, f"{plan.elements[index].name} left out: {cause}")
            notes[index] = failure
            reasons.append(failure)
            quality = Quality.UNCERTAIN
            continue
        if its_quality is not _GOOD:
            quality = Quality.UNCERTAIN
            if reason is not None:
                reasons.append(reason)
        if its_age_s > age_s:
            age_s = its_age_s
        manual = manual or by_hand
        used.append(index)
        values.append(value)
    if not used:
        return None

    spread_c = max(values) - min(values)
    if spread_c > plan.outlier_c:
        for position in _outliers([plan.elements[i].height_m for i in used], values, plan.outlier_c):
            element = plan.elements[used[position]]
            text = f"{element.name} at {values[position]:.1f} degC is over {plan.outlier_c:g} degC from its neighbours"
            outlier = Reason(ReasonCode.ELEMENT_OUTLIER, text)
            notes[used[position]] = outlier
            reasons.append(outlier)
            quality = Quality.UNCERTAIN
    remarks: tuple[Reason, ...] = ()
    if spread_c > plan.stratification_c:
        remarks = (Reason(ReasonCode.STRATIFIED, f"elements used differ by {spread_c:.1f} degC"),)

    if plan.weighting is Weighting.EQUAL or len(used) == 1:
        weights = [1.0 / len(used)] * len(used)
        average_c = sum(values) / len(values)
    else:
        weights = _slice_weights(plan, used, level_m, water_m, capacity)
        average_c = sum([weight * value for weight, value in zip(weights, values, strict=True)])
    average = Figure(average_c, quality, (*reasons, *remarks), age_s, manual)
    spread = Figure(spread_c, quality, (*reasons, *remarks), age_s, manual)
    weight_of: list[float | None] = [None] * len(inputs)
    for index, weight in zip(used, weights, strict=True):
        weight_of[index] = weight
    return LiquidTemperature(average, spread, _uses(plan, inputs, weight_of, notes))


def substituted_temperature(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    manual: Input | None,
    last: LastGood | None,
    now_s: float,
    level_m: float,
    water_m: float | None,
) -> LiquidTemperature:
    """What stands in when no submerged element can be used: a manual value in force, the last Good average up to its
    limit of age, the lowest element if the level is at or above its height, else Bad (common practice).
    """
    uses = _uses(plan, inputs, [None] * len(inputs), [None] * len(inputs)) if inputs else ()
    why = "no submerged element can be used" if plan.elements else "no temperature element is fitted"
    spread = figure.not_applicable(why)
    if manual is not None and manual.quality != _BAD and manual.value is not None:
        return LiquidTemperature(figure.from_input(manual), spread, uses)
    stood = figure.from_last_good(last, now_s, plan.last_good_limit_s, why, "average")
    if stood is not None:
        return LiquidTemperature(stood, spread, uses)
    if inputs and level_m >= plan.elements[0].height_m - TOUCH_M:
        lowest = inputs[0]
        in_water = water_m is not None and plan.elements[0].height_m <= water_m + TOUCH_M
        if lowest.quality != _BAD and lowest.value is not None and not in_water:
            text = f"{why}: lowest element {plan.elements[0].name} taken"
            average = figure.lower(figure.from_input(lowest), ReasonCode.LOWEST_ELEMENT_USED, text)
            taken = uses[0]._replace(used=True, weight=1.0, reason=Reason(ReasonCode.LOWEST_ELEMENT_USED, text))
            return LiquidTemperature(average, spread, (taken, *uses[1:]))
    failed = tuple(
        Reason(ReasonCode.ELEMENT_FAILED, f"{element.name} left out: {given.reason.text}")
        for element, given in _pairs(plan, inputs)
        if given.quality == _BAD and given.reason is not None
    )
    reasons = (Reason(ReasonCode.INPUT_BAD, f"{why}, and there is nothing to stand in"), *failed)
    return LiquidTemperature(Figure(None, _BAD, reasons, 0.0), spread, uses)


def unknown_temperature(plan: TemperaturePlan, inputs: tuple[Input, ...], level: Figure) -> LiquidTemperature:
    """Where the level is Bad which elements are in the liquid cannot be told: none is used, and what each reads stays
    visible.
    """
    lost = figure.derive(None, (level,))
    unplaced = Reason(ReasonCode.INPUT_BAD, "the level is unknown, so whether it is submerged is too")
    notes = [given.reason if given.quality == _BAD else unplaced for given in inputs]
    return LiquidTemperature(lost, lost, _uses(plan, inputs, [None] * len(inputs), notes) if inputs else ())


def chosen_by(level: Figure, average: Figure) -> Figure:
    """An average is no better than the level that chose its elements."""
    if level.quality is _GOOD or average.value is None or level.quality <= average.quality:
        return average
    return figure.lower(average, ReasonCode.INPUT_UNCERTAIN, "the level that tells which elements count is uncertain")


def vapour_temperature(plan: TemperaturePlan, inputs: tuple[Input, ...], level_m: float) -> Figure:
    """Mean of the healthy elements well above the surface, in degC; never part of the liquid average."""
    clear_m = level_m + plan.vapour_clearance_m - TOUCH_M
    healthy: list[Figure] = []
    for index in range(len(inputs) - 1, -1, -1):
        if plan.elements[index].height_m < clear_m:
            break
        given = inputs[index]
        if given.quality is not _BAD and given.value is not None:
            healthy.append(figure.from_input(given))
    if not healthy:
        return figure.not_applicable("no element in the vapour space")
    values = [each.value for each in healthy if each.value is not None]
    return figure.derive(sum(values) / len(values), healthy)


def _pairs(plan: TemperaturePlan, inputs: tuple[Input, ...]) -> Iterable[tuple[ElementPlan, Input]]:
    """Each element with its reading; none when the elements are not read at all, as for a sheet made by hand."""
    return zip(plan.elements, inputs, strict=True) if inputs else ()


def _outliers(heights: list[float], values: list[float], limit_c: float) -> list[int]:
    """Positions that differ by more than `limit_c` from each neighbour and from the gradient of the neighbours.

    The worst is named first and set aside, so that a faulty element does not make its neighbours look faulty.
    """
    found: list[int] = []
    left = list(range(len(values)))
    while len(left) >= 3:
        worst, worst_by = -1, limit_c
        inner_first = [*range(1, len(left) - 1), 0, len(left) - 1]
        for place in inner_first:
            by = _distance(heights, values, left, place)
            if by > worst_by:
                worst, worst_by = place, by
        if worst < 0:
            break
        found.append(left.pop(worst))
    return sorted(found)


def _distance(heights: list[float], values: list[float], left: list[int], place: int) -> float:
    """How far one value lies from its nearest explanation: a neighbour's value or the neighbours' gradient."""
    me = left[place]
    if place == 0:
        near, far = left[1], left[2]
    elif place == len(left) - 1:
        near, far = left[-2], left[-3]
    else:
        near, far = left[place - 1], left[place + 1]
    slope = (values[far] - values[near]) / (heights[far] - heights[near])
    on_gradient = values[near] + slope * (heights[me] - heights[near])
    candidates = [abs(values[me] - values[near]), abs(values[me] - on_gradient)]
    if 0 < place < len(left) - 1:
        candidates.append(abs(values[me] - values[far]))
    return min(candidates)


def _slice_weights(
    plan: TemperaturePlan, used: list[int], level_m: float, water_m: float | None, capacity: Capacity
) -> list[float]:
    """Share of the liquid around each used element: boundaries midway between used elements, from the free water (or
    the bottom) to the surface. The weights sum to 1."""
    heights = [plan.elements[index].height_m for index in used]
    # Weights are shares: outside the table the volume itself is Bad, and the nearest defined slice will do for a share.
    level_m = min(max(level_m, capacity.bottom_m), capacity.top_m)
    bottom_m3 = 0.0 if water_m is None else capacity.volume(min(max(water_m, capacity.bottom_m), level_m))
    borders = [bottom_m3]
    for lower_m, upper_m in pairwise(heights):
        middle_m = min(max((lower_m + upper_m) / 2.0, capacity.bottom_m), level_m)
        borders.append(max(capacity.volume(middle_m), bottom_m3))
    borders.append(capacity.volume(level_m))
    whole = borders[-1] - borders[0]
    if whole <= 0.0:
        return [1.0 / len(used)] * len(used)
    return [(above - below) / whole for below, above in pairwise(borders)]


def _uses(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    weight_of: list[float | None],
    notes: list[Reason | None],
) -> tuple[ElementUse, ...]:
    """One use per element read: those with a weight are used; `notes` say what is odd, or why one is left out."""
    return tuple(
        [
            ElementUse(element.height_m, value, True, weight, quality, note or reason)
            if weight is not None
            else ElementUse(
                element.height_m,
                None if quality is _BAD else value,
                False,
                0.0,
                quality,
                note or (reason if quality is _BAD and reason is not None else _DRY),
            )
            for element, (value, quality, reason, _, _, _), weight, note in zip(
                plan.elements, inputs, weight_of, notes, strict=True
            )
        ]
    )


_DRY = Reason(ReasonCode.ELEMENT_DRY, "not submerged by the immersion margin")
