"""Average temperature of the liquid from the elements that are in it (API MPMS 7.3, ISO 4266-4 practice).

Only healthy elements submerged by the immersion margin, above free water, are averaged; vapour elements never are.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import chain, repeat
from operator import mul
from typing import NamedTuple

from gateway.calculation import figure
from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TOUCH_M, TemperaturePlan, Weighting
from gateway.calculation.temperature.element_reasons import doubts, failure, in_water
from gateway.calculation.temperature.slices import farthest_m, height_weights, volume_weights
from gateway.records import ElementUse, Figure, Input, LastGood, Quality, Reason, ReasonCode, because
from gateway.sources import TemperatureSource

__all__ = [
    "NOWHERE",
    "LiquidTemperature",
    "Placement",
    "average_temperature",
    "chosen_by",
    "place_elements",
    "stand_alike",
    "substituted_temperature",
    "unknown_temperature",
    "vapour_temperature",
]

_BY_ELEMENTS = TemperatureSource.ELEMENTS
_EQUAL = Weighting.EQUAL

_new = tuple.__new__
"""As `ElementUse(...)`, at half its price: sixteen are made for a tank of sixteen elements."""
_GOOD = Quality.GOOD
_BAD = Quality.BAD
_WATER_LEAVES_M = 0.030
"""An element that was in free water counts as clear of it when it stands this much above it: a probe's ripple is less
(common practice)."""


class LiquidTemperature(NamedTuple):
    """`average` and `spread` in degC; one use per element, in the order of the plan."""

    average: Figure
    spread: Figure
    uses: tuple[ElementUse, ...]
    source: TemperatureSource = TemperatureSource.NONE


class Placement(NamedTuple):
    """Where the elements stand, one flag each, lowest first; no flags: nothing is known from before."""

    wet: tuple[bool, ...]
    """Submerged by the margin."""
    in_water: tuple[bool, ...]


NOWHERE = Placement((), ())


def place_elements(plan: TemperaturePlan, level_m: float, water_m: float | None, before: Placement) -> Placement:
    """Where the elements stand at `level_m`, with free water up to `water_m` (None: no water). Heights in m.

    An element enters the liquid at its height + margin and leaves it at its height + two thirds of the margin; it
    enters the water at its height and leaves it 30 mm lower. Without flags from `before` the entering thresholds apply.
    """
    wet = _flags(before.wet, bisect_right(plan.enters_m, level_m), bisect_right(plan.leaves_m, level_m), plan)
    if water_m is None:
        return Placement(wet, _lowest(0, len(wet)))
    covered_m = water_m + TOUCH_M
    entered, left = bisect_right(plan.heights_m, covered_m), bisect_right(plan.heights_m, covered_m + _WATER_LEAVES_M)
    return Placement(wet, _flags(before.in_water, entered, left, plan))


def _flags(before: tuple[bool, ...], entered: int, kept: int, plan: TemperaturePlan) -> tuple[bool, ...]:
    """Elements rise: the lowest `entered` are in, those above the lowest `kept` are out, those between as they were."""
    count = len(plan.elements)
    if len(before) != count:
        kept = entered
    if kept == entered:
        return _lowest(entered, count)
    return (True,) * entered + before[entered:kept] + (False,) * (count - kept)


@lru_cache(maxsize=1024)
def _lowest(number: int, count: int) -> tuple[bool, ...]:
    """Flags of the lowest `number` of `count`: made once, so that those of one sheet are those of the next."""
    return (True,) * number + (False,) * (count - number)


def stand_alike(plan: TemperaturePlan, one_m: float, other_m: float) -> bool:
    """Whether no border of an element, and none of what it speaks for, lies between two levels."""
    speaks_m = plan.reach_m - plan.immersion_margin_m
    return (
        bisect_right(plan.enters_m, one_m) == bisect_right(plan.enters_m, other_m)
        and bisect_right(plan.leaves_m, one_m) == bisect_right(plan.leaves_m, other_m)
        and bisect_right(plan.enters_m, one_m - speaks_m) == bisect_right(plan.enters_m, other_m - speaks_m)
    )


def average_temperature(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    placed: Placement,
    level_m: float,
    water_m: float | None,
    capacity: Capacity,
) -> LiquidTemperature | None:
    """The submerged average, or None when no submerged element can be used.

    Args:
        inputs: (n_elements,), degC, lowest first, as in the plan; or none at all, when the elements are not read.
        placed: from `place_elements`.
        water_m: free-water level in m. None: no water.
        capacity: for the slice volumes, which run from the free water to the surface.
    """
    quiet = _quiet_average(plan, inputs, placed, level_m, water_m, capacity)
    if quiet is not None:
        return quiet
    used: list[int] = []
    values: list[float] = []
    notes: list[Reason | None] = [None] * len(inputs)
    quality = _GOOD
    reasons: list[Reason] = []
    age_s = 0.0
    manual = False
    for index, (given, is_wet, is_in_water) in enumerate(zip(inputs, placed.wet, placed.in_water, strict=False)):
        if is_in_water:
            notes[index] = in_water(plan, index)
            continue
        if not is_wet:
            continue
        value, its_quality, reason, its_age_s, _, by_hand = given
        if its_quality is _BAD or value is None:
            reasons.append(failure(plan, index, given))
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
    remarks: tuple[Reason, ...] = ()
    if plan.stratification_c < spread_c <= plan.spread_c:
        # Beyond that it is no remark, but a doubt of the average.
        remarks = (because(ReasonCode.STRATIFIED, "elements used differ by {spread:apart degC .1f}", spread=spread_c),)
    if spread_c > min(plan.outlier_c, plan.spread_c):
        odd = doubts(plan, used, values, spread_c, notes)
        if odd:
            reasons += odd
            quality = Quality.UNCERTAIN
    spread = Figure(spread_c, quality, (*reasons, *remarks), age_s, manual)
    away_m = _away_m(plan, used, _lowest_m(capacity, water_m), level_m)
    if away_m > plan.reach_m + TOUCH_M:
        away = because(
            ReasonCode.TEMPERATURE_UNREPRESENTATIVE,
            "part of the liquid is {away:m .2f} from every element used, more than {reach:m g}",
            away=away_m,
            reach=plan.reach_m,
        )
        reasons.append(away)
        quality = Quality.UNCERTAIN

    weights = _weights(plan, used, level_m, water_m, capacity)
    average_c = sum(map(mul, weights, values))
    average = Figure(average_c, quality, (*reasons, *remarks), age_s, manual)
    weight_of: list[float | None] = [None] * len(inputs)
    for index, weight in zip(used, weights, strict=True):
        weight_of[index] = weight
    uses = _uses(plan, inputs, placed, weight_of, notes)
    return LiquidTemperature(average, spread, uses, TemperatureSource.ELEMENTS)


def _quiet_average(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    placed: Placement,
    level_m: float,
    water_m: float | None,
    capacity: Capacity,
) -> LiquidTemperature | None:
    """`average_temperature` where there is nothing to be said of any element, as in nearly every sheet; else None."""
    wet = placed.wet
    count = wet.count(True)
    if not count or len(inputs) != len(wet) or True in placed.in_water or True in wet[count:]:
        return None
    values, qualities, reasons, ages_s, _, manual = zip(*inputs, strict=True)
    # GOOD is 0.
    if any(qualities) or any(manual) or any(reasons) or None in values:
        return None
    used = range(count)
    taken = values[:count]
    spread_c = max(taken) - min(taken)
    if spread_c > min(plan.stratification_c, plan.outlier_c, plan.spread_c):
        return None
    if _away_m(plan, used, _lowest_m(capacity, water_m), level_m) > plan.reach_m + TOUCH_M:
        return None
    age_s = max(0.0, *ages_s[:count])
    weights = _weights(plan, used, level_m, water_m, capacity)
    heights_m = plan.heights_m
    # In the order of the fields, without a step of the interpreter for each of the elements.
    wet_fields = zip(heights_m, taken, _YES, weights, _ALL_GOOD, _NOTHING, _YES, strict=False)
    dry_fields = zip(heights_m[count:], values[count:], _NO, _NO_WEIGHT, _ALL_GOOD, _ALL_DRY, _NO, strict=False)
    uses: Iterable[ElementUse] = map(_new, _USES, chain(wet_fields, dry_fields))
    return LiquidTemperature(
        _new(Figure, (sum(map(mul, weights, taken)), _GOOD, (), age_s, False)),
        _new(Figure, (spread_c, _GOOD, (), age_s, False)),
        tuple(uses),
        _BY_ELEMENTS,
    )


def substituted_temperature(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    placed: Placement,
    manual: Input | None,
    last: LastGood | None,
    now_s: float,
    level_m: float,
) -> LiquidTemperature:
    """What stands in when no submerged element can be used: a manual value in force, the last Good average up to its
    limit of age, the lowest element if the level is at or above its height, else Bad (common practice).
    """
    notes: list[Reason | None] = [in_water(plan, i) if covered else None for i, covered in enumerate(placed.in_water)]
    uses = _uses(plan, inputs, placed, [None] * len(inputs), notes) if inputs else ()
    why, spread = (_NONE_USABLE, _NO_SPREAD) if plan.elements else (_NOT_FITTED, _NO_SPREAD_UNFITTED)
    if manual is not None and manual.quality != _BAD and manual.value is not None:
        return LiquidTemperature(figure.from_input(manual), spread, uses, TemperatureSource.MANUAL)
    causes = [why]
    if manual is not None and manual.reason is not None:
        causes.append(manual.reason)
    causes += [
        failure(plan, index, given)
        for index, given in enumerate(inputs)
        if placed.wet[index] and not placed.in_water[index] and given.quality == _BAD
    ]
    stood = figure.from_last_good(
        last, now_s, plan.last_good_limit_s, causes, "the last Good average stands in, {age:duration} old"
    )
    if stood is not None:
        return LiquidTemperature(stood, spread, uses, TemperatureSource.LAST_GOOD)
    if inputs and level_m >= plan.elements[0].height_m - TOUCH_M and not placed.in_water[0]:
        lowest = inputs[0]
        if lowest.quality != _BAD and lowest.value is not None:
            taken = because(
                ReasonCode.LOWEST_ELEMENT_USED,
                "the lowest element, {element}, is taken: {cause}",
                element=plan.elements[0].name,
                cause=why,
            )
            given = figure.from_input(lowest)
            average = figure.lower(given, taken)._replace(reasons=(taken, *given.reasons, *causes[1:]))
            use = uses[0]._replace(used=True, weight=1.0, reason=taken)
            return LiquidTemperature(average, spread, (use, *uses[1:]), TemperatureSource.LOWEST_ELEMENT)
    return LiquidTemperature(Figure(None, _BAD, tuple(causes), 0.0), spread, uses)


def unknown_temperature(plan: TemperaturePlan, inputs: tuple[Input, ...], level: Figure) -> LiquidTemperature:
    """Where the level is Bad which elements are in the liquid cannot be told: none is used, and what each reads stays
    visible.
    """
    lost = figure.derive(None, (level,))
    notes = [given.reason if given.quality == _BAD else _UNPLACED for given in inputs]
    return LiquidTemperature(lost, lost, _uses(plan, inputs, None, [None] * len(inputs), notes) if inputs else ())


def chosen_by(level: Figure, average: Figure) -> Figure:
    """An average is no better than the level that chose its elements."""
    if level.quality is _GOOD or average.value is None or level.quality <= average.quality:
        return average
    return figure.lower(average, _CHOSEN_BY_UNCERTAIN)


def vapour_temperature(plan: TemperaturePlan, inputs: tuple[Input, ...], level_m: float) -> Figure:
    """Mean of the healthy elements well above the surface, in degC; never part of the liquid average."""
    clear_m = level_m + plan.vapour_clearance_m - TOUCH_M
    if not inputs or plan.heights_m[-1] < clear_m:
        return _NONE_IN_VAPOUR
    # Downwards, as they have always been added up.
    clear = inputs[: bisect_left(plan.heights_m, clear_m) - len(inputs) - 1 : -1]
    values, qualities, _, ages_s, _, manual = zip(*clear, strict=True)
    # GOOD is 0.
    if not (any(qualities) or any(manual) or None in values):
        return _new(Figure, (sum(values) / len(values), _GOOD, (), max(0.0, *ages_s), False))
    healthy = [given for given in clear if given.value is not None and given.quality is not _BAD]
    if not healthy:
        return _NONE_IN_VAPOUR
    mean_c = sum([given.value or 0.0 for given in healthy]) / len(healthy)
    return figure.derive(mean_c, [figure.from_input(given) for given in healthy])


def _lowest_m(capacity: Capacity, water_m: float | None) -> float:
    """Where the liquid begins that the elements speak for."""
    return capacity.bottom_m if water_m is None else max(capacity.bottom_m, water_m)


def _away_m(plan: TemperaturePlan, used: Sequence[int], lowest_m: float, level_m: float) -> float:
    """How far the liquid is from the nearest element used at most, in m; exactly where it is beyond the reach."""
    heights_m = plan.heights_m
    if plan.widest_gap_m <= 2.0 * plan.reach_m and used[-1] - used[0] == len(used) - 1:
        # None is left out between them, and no gap between neighbours is beyond the reach.
        return max(heights_m[used[0]] - lowest_m, level_m - heights_m[used[-1]])
    return farthest_m([heights_m[index] for index in used], lowest_m, level_m)


def _weights(
    plan: TemperaturePlan, used: Sequence[int], level_m: float, water_m: float | None, capacity: Capacity
) -> list[float]:
    """Share of each used element in the average; they sum to 1."""
    if plan.weighting is _EQUAL or len(used) == 1:
        return [1.0 / len(used)] * len(used)
    heights = [plan.elements[index].height_m for index in used]
    if plan.weighting is Weighting.SLICE_HEIGHT:
        return height_weights(heights, _lowest_m(capacity, water_m), level_m)
    return volume_weights(heights, water_m, level_m, capacity)


def _uses(
    plan: TemperaturePlan,
    inputs: tuple[Input, ...],
    placed: Placement | None,
    weight_of: list[float | None],
    notes: list[Reason | None],
) -> tuple[ElementUse, ...]:
    """One use per element read: those with a weight are used; `notes` say what is odd, or why one is left out."""
    wet: tuple[bool | None, ...] = (None,) * len(inputs) if placed is None else placed.wet
    return tuple(
        [
            _new(ElementUse, (height_m, value, True, weight, quality, note or reason, submerged))
            if weight is not None
            else _new(
                ElementUse,
                (
                    height_m,
                    None if quality is _BAD else value,
                    False,
                    0.0,
                    quality,
                    note or (reason if quality is _BAD else None) or (_FAILED if submerged else _DRY),
                    submerged,
                ),
            )
            for height_m, (value, quality, reason, _, _, _), weight, note, submerged in zip(
                plan.heights_m, inputs, weight_of, notes, wet, strict=True
            )
        ]
    )


_NONE_IN_VAPOUR = figure.not_applicable("no element in the vapour space")
_DRY = Reason(ReasonCode.ELEMENT_DRY, "not submerged by the immersion margin")
_USES, _YES, _NO, _NO_WEIGHT = repeat(ElementUse), repeat(True), repeat(False), repeat(0.0)
_ALL_GOOD, _ALL_DRY, _NOTHING = repeat(_GOOD), repeat(_DRY), repeat(None)
_FAILED = Reason(ReasonCode.ELEMENT_FAILED, "it gives no value")
_NONE_USABLE = Reason(ReasonCode.INPUT_BAD, "no submerged element can be used")
_NO_SPREAD = figure.not_applicable("no submerged element can be used")
_NOT_FITTED = Reason(ReasonCode.INPUT_BAD, "no temperature element is fitted")
_NO_SPREAD_UNFITTED = figure.not_applicable("no temperature element is fitted")
_UNPLACED = Reason(ReasonCode.INPUT_BAD, "the level is unknown, so whether it is submerged is too")
_CHOSEN_BY_UNCERTAIN = Reason(ReasonCode.INPUT_UNCERTAIN, "the level that tells which elements count is uncertain")
