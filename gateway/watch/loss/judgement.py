"""One hour of a tank at rest, judged: what was shown against what its baseline led to expect, and whether it adds up.

The noise that the filter takes for chance was fixed before: a gauge that wanders by 1 mm over hours to days, elements
that wander by 0.1 degC, a layer at the wall that no element sees. Where a tank shows more of it, that is learned within
some weeks from what looks like gains, and the test becomes slower.
"""

import math
from functools import lru_cache

from gateway.calculation.plan import TankPlan
from gateway.records import Inventory
from gateway.watch.loss.air import next_air
from gateway.watch.loss.baseline import (
    LAYER_M_C,
    Expected,
    Noise,
    Row,
    afresh,
    expected,
    with_daily_doubt,
    with_value,
    without_loss,
)
from gateway.watch.loss.cusum import next_score, run_length, threshold
from gateway.watch.loss.hours import HOUR_S, Hour
from gateway.watch.loss.memory import Found, Learned, Rest, Score
from gateway.watch.plan import LossPlan

__all__ = ["with_hour"]

_REFERENCE = 0.6
"""Half of the shift that is found soonest, in deviations of an hour: some 0.4 mm/h, which stands out of the wander
after twelve."""
_NOISE = Noise(white_m=0.00013, wander_m=0.00095, wander_h=6.0, creep_m2_h=1.4e-9)
"""What makes hours of the fixed noise as far from what is expected as independent values of deviation 1 would be."""
_SWING_C = 3.0
"""Of the layer within a day, from its mean."""
_WEATHER_C = 2.5
"""By which a day's air differs from others', behind the lag of the layer."""
_YEAR_S = 365.25 * 86_400.0
_LONGEST_S = 100.0 * _YEAR_S
_JUMP_M, _JUMP = 0.002, 5.0
"""In one hour, in metres and in deviations: somebody did something, and the baseline begins anew."""
_MOST = 3.0
"""An hour counts for no more deviations, so that one alone proves nothing."""
_HIGHEST = 50.0
"""Of a score: more has no meaning."""
_DECIDES_M = 0.006
"""Once so much ought to be missing more, half of it tells whether the loss goes on: two deviations of the wander."""
_GAIN_H, _FORGETS_H = 672.0, 168.0
"""A gain, of which the test ought to see one in four weeks by chance, raises what the noise is taken for; a week lowers
it by as much, down to what was fixed."""
_RAISES = math.log(1.5)
_HIGHEST_EXCESS = math.log(100.0)
_GAIN_LIMIT = threshold(_REFERENCE, _GAIN_H)
_CHORD_M = 0.05


def with_hour(plan: LossPlan, tank: TankPlan, inventory: Inventory, hour: Hour, learned: Learned) -> Learned:
    """With what was seen in an hour that is over; `inventory` is the newest, just behind it."""
    ended_s = hour.begun_s + HOUR_S
    air, origin_s = next_air(learned.air, hour.air_c, ended_s), learned.origin_s
    if origin_s is None:
        origin_s = ended_s
    learned = learned._replace(air=air, origin_s=origin_s)
    quantity, figures = hour.quantity, inventory.figures
    level_m, liquid_c = figures.level.value, figures.liquid_temperature.value
    if quantity is None or level_m is None or liquid_c is None or (air is not None and not air.is_known(ended_s)):
        return learned
    fit, rest, used = learned.fit, learned.rest, _used(inventory)
    if rest is not None and rest.used != used:
        # That hour was by both. The next is the first of another baseline.
        return learned._replace(rest=rest._replace(last=quantity, last_s=math.inf, used=used))
    if learned.with_air is not (air is not None):
        fit = with_daily_doubt(fit)
    is_begun = rest is not None and hour.middle_s > rest.last_s
    if rest is None:
        rest = _rest(tank, inventory, level_m, quantity)
        if rest.per_m <= 0.0:
            return learned
    # A layer along the wall is the less of the contents, the wider the tank.
    aspect = level_m / math.sqrt(4.0 / math.pi * rest.area_m2)
    noise = _noise(aspect, air is not None)
    if not is_begun:
        fit = afresh(fit, noise)
    turn = math.tau * ((hour.middle_s - origin_s) / 86_400.0 % 1.0)
    day = (_SWING_C * math.cos(turn), _SWING_C * math.sin(turn))
    layers = (0.0, 0.0) if air is None else (air.quick_c - liquid_c, air.slow_c - liquid_c)
    regressors = tuple([aspect * each_c for each_c in (*day, *layers)])
    hours = (hour.middle_s - rest.last_s) / HOUR_S if is_begun else 1.0
    if learned.score.score == 0.0:
        since_s = rest.last_s if is_begun else hour.middle_s
        fit, learned = without_loss(fit), learned._replace(score=Score(since_s=since_s))
    rest = rest._replace(last=quantity, last_s=hour.middle_s, used=used)
    ahead = expected(fit, hours, regressors, noise)
    return _judged(plan, learned._replace(with_air=air is not None, rest=rest), rest, ahead, noise, regressors)


def _judged(plan: LossPlan, learned: Learned, rest: Rest, ahead: Expected, noise: Noise, regressors: Row) -> Learned:
    """With the newest hour of `rest`, of which `ahead` was expected."""
    level_m, before = (rest.last - rest.first) / rest.per_m, learned.score
    lost_m = (before.since_s - rest.last_s) / HOUR_S
    missing_m, of_loss_m = ahead.level_m - level_m, ahead.loss_m - lost_m
    deviations = missing_m / math.sqrt(ahead.variance_m2 * math.exp(learned.excess))
    is_jump = abs(missing_m) > _JUMP_M and abs(deviations) > _JUMP
    told = expected(afresh(ahead.fit, noise), 0.0, regressors, noise) if is_jump else ahead
    limit = _threshold(plan.false_alarms_per_year)
    score = Score(
        min(next_score(before.score, min(deviations, _MOST), _REFERENCE), _HIGHEST),
        before.since_s,
        before.shown + of_loss_m * missing_m / ahead.variance_m2,
        before.weight + of_loss_m * of_loss_m / ahead.variance_m2,
    )
    learned = learned._replace(fit=with_value(told, level_m, lost_m), score=score)
    if not is_jump:
        learned = _with_gain(learned, -deviations)
    if learned.found is None and (score.score < limit or score.weight == 0.0):
        return learned
    return _with_found(learned, rest, level_m - told.ambient_m, noise)


def _with_found(learned: Learned, rest: Rest, level_m: float, noise: Noise) -> Learned:
    """While there is a loss. `level_m`: without what the ambient makes of it."""
    score, before = learned.score, learned.found
    rate_m_h, spread_m_h = score.shown / score.weight, 2.0 * math.sqrt(math.exp(learned.excess) / score.weight)
    mark_m, mark_s = (level_m, rest.last_s) if before is None else (before.mark_m, before.mark_s)
    due_m = rate_m_h * (rest.last_s - mark_s) / HOUR_S
    if rate_m_h <= 0.0 or (due_m >= _DECIDES_M and mark_m - level_m < 0.5 * due_m):
        return learned._replace(fit=afresh(learned.fit, noise), score=Score(), found=None)
    if due_m >= _DECIDES_M:
        mark_m, mark_s = level_m, rest.last_s
    m3_s = rest.m3_per_m / HOUR_S
    chance_s = min(run_length(_REFERENCE, score.score) * HOUR_S, _LONGEST_S)
    found = Found(rate_m_h * m3_s, spread_m_h * m3_s, score.since_s, chance_s, mark_m, mark_s)
    return learned._replace(found=found)


def _with_gain(learned: Learned, deviations: float) -> Learned:
    """What looks like a gain is chance, and chance makes as many losses: no loss can raise what it is compared with."""
    gain = next_score(learned.gain, min(deviations, _MOST), _REFERENCE)
    excess = max(0.0, learned.excess - _RAISES / _FORGETS_H)
    if gain >= _GAIN_LIMIT:
        gain, excess = 0.0, min(excess + _RAISES, _HIGHEST_EXCESS)
    return learned._replace(gain=gain, excess=excess)


@lru_cache(maxsize=64)
def _threshold(false_alarms_per_year: float) -> float:
    return threshold(_REFERENCE, _YEAR_S / HOUR_S / false_alarms_per_year)


def _rest(tank: TankPlan, inventory: Inventory, level_m: float, quantity: float) -> Rest:
    """One that begins: what a metre of the surface holds is the same until it ends."""
    area_m2, tov = _area_m2(tank, level_m), inventory.figures.tov.value
    # Of a full vessel's quantity a metre holds what it holds of its volume.
    per_m = area_m2 * (quantity / tov if tov else 1.0)
    is_volume = tank.vapour is None and inventory.reference_temperature_c is not None
    return Rest(quantity, per_m, area_m2, per_m if is_volume else area_m2, quantity)


def _area_m2(tank: TankPlan, level_m: float) -> float:
    """Of the surface."""
    capacity = tank.capacity
    low_m = max(capacity.bottom_m, min(level_m, capacity.top_m) - _CHORD_M)
    high_m = min(capacity.top_m, max(level_m, capacity.bottom_m) + _CHORD_M)
    return (capacity.volume(high_m) - capacity.volume(low_m)) / (high_m - low_m)


def _noise(aspect: float, with_air: bool) -> Noise:
    """Where the air is not known, the weather's part in the layer at the wall counts as wander."""
    if with_air:
        return _NOISE
    return _NOISE._replace(wander_m=math.hypot(_NOISE.wander_m, LAYER_M_C * aspect * _WEATHER_C))


def _used(inventory: Inventory) -> str:
    """By what the quantity was found: another element or gauge is another baseline."""
    return inventory.sources.level + "".join(["1" if each.used else "0" for each in inventory.elements])
