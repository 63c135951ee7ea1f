"""Losses too slow to be seen as movement, by a statistic over hours and days.

While a tank is at rest, hourly means of its compensated quantity (GSV; the mass where there is no reference volume,
with the vapour's where that is counted) are compared with what its baseline leads to expect (`baseline`), and what is
missing enters a cumulative sum (`cusum`) whose threshold chance passes as often as the plan allows (`judgement`).

A movement begins a new baseline; what was learned of the ambient stays. How small a loss is found: `sensitivity`. It is
no regulatory leak-detection method.
"""

from gateway.calculation.plan import TankPlan
from gateway.records import Figure, Inventory, Quality, Reason, ReasonCode, TankInput, because
from gateway.watch.loss.hours import HOUR_S, Hour, with_sheet, without_quantity
from gateway.watch.loss.judgement import with_hour
from gateway.watch.loss.memory import Found, Learned, LossMemory, Rest, Score
from gateway.watch.plan import LossPlan

__all__ = ["next_loss"]

_SETTLES_S = 6.0 * 3600.0
"""After a movement, until the elements tell of all of the liquid (common practice)."""
_SAME_M = 0.003
"""Within so much of its last hour a tank has not moved, whatever was not known meanwhile."""
_FAR_M = 0.02
"""Further from its last hour it has moved, though nobody was there to see it."""
_BACK_S = 60.0
"""A sheet further back than this is by another clock."""
_DAY_S = 86_400.0
_GOOD = Quality.GOOD

_LOSS = (
    "loses about {rate:m3/h .3f} ({least:m3/h .3f} to {most:m3/h .3f}) since {since:utc}; where nothing is lost, as "
    "much is seen once in {days} days at rest; this is no regulatory leak-detection method"
)
_LOSS_UNDATED = (
    "loses about {rate:m3/h .3f} ({least:m3/h .3f} to {most:m3/h .3f}) for {lasts:duration}; where nothing is lost, as "
    "much is seen once in {days} days at rest; this is no regulatory leak-detection method"
)


def next_loss(
    plan: LossPlan, tank: TankPlan, tank_input: TankInput, inventory: Inventory, at_rest: bool, memory: LossMemory
) -> tuple[Reason | None, LossMemory]:
    """Whether the tank loses something slowly, and what to remember. None: nothing is found, which is no proof.

    The rate is in m3/h at reference conditions; of a product without a reference volume, as observed. What is found is
    told until the tank moves, or until no more has been missing for some hours. Level and temperature must be Good, and
    no temperature by hand: what nobody measures compensates nothing.
    """
    now_s = tank_input.instant.timestamp() if tank_input.steady_s is None else tank_input.steady_s
    hour, rests_s, learned = memory
    quantity = _quantity(tank, inventory, tank_input.clock_doubt)
    if hour is None or now_s < hour.begun_s - _BACK_S:
        hour = Hour(now_s - _phase_s(tank.tank))
    elif now_s - hour.begun_s >= HOUR_S:
        learned = with_hour(plan, tank, inventory, hour, learned)
        hour = Hour(now_s - (now_s - hour.begun_s) % HOUR_S)
    usable = None
    if not at_rest:
        rests_s = None
        hour = without_quantity(hour)
        if quantity is not None and not _is_within(learned.rest, quantity, _SAME_M):
            learned = _moved(learned)
    elif quantity is not None:
        if rests_s is None or now_s < rests_s - _BACK_S or not _is_within(learned.rest, quantity, _FAR_M):
            is_same = learned.rest is not None and _is_within(learned.rest, quantity, _SAME_M)
            if not is_same:
                learned, hour = _moved(learned), without_quantity(hour)
            rests_s = now_s - _SETTLES_S if is_same else now_s
        if now_s - rests_s >= _SETTLES_S:
            usable = quantity
    memory = LossMemory(with_sheet(hour, now_s, usable, inventory.figures.ambient_temperature.value), rests_s, learned)
    return (None if learned.found is None else _told(learned.found, tank_input, now_s)), memory


def _phase_s(name: str) -> float:
    """By which hours of tanks end at different times: to judge one takes a hundred times as long as a sheet."""
    return float(int.from_bytes(name.encode(), "big") * 977 % round(HOUR_S))


def _quantity(tank: TankPlan, inventory: Inventory, clock_doubt: Reason | None) -> float | None:
    """m3 or kg, where it can be relied on."""
    figures = inventory.figures
    level, temperature = figures.level, figures.liquid_temperature
    if level.manual or temperature.manual or not (_is_sure(level, clock_doubt) and _is_sure(temperature, clock_doubt)):
        return None
    if tank.vapour is not None:
        return figures.total_mass.value
    return figures.mass.value if inventory.reference_temperature_c is None else figures.gsv.value


def _is_sure(figure: Figure, clock_doubt: Reason | None) -> bool:
    """Whether it is Good, or would be if one knew the date: the spacing of sheets does not go by it."""
    if figure.quality is _GOOD:
        return True
    if clock_doubt is None or figure.value is None:
        return False
    return all(each == clock_doubt for each in figure.reasons)


def _is_within(rest: Rest | None, quantity: float, reach_m: float) -> bool:
    """Whether it is so near the last hour; also where there is none."""
    return rest is None or abs(quantity - rest.last) <= reach_m * rest.per_m


def _moved(learned: Learned) -> Learned:
    if learned.rest is None and learned.found is None:
        return learned
    return learned._replace(rest=None, score=Score(), found=None)


def _told(found: Found, tank_input: TankInput, now_s: float) -> Reason:
    rate, spread = found.rate_m3_s, found.spread_m3_s
    least, most, days = max(0.0, rate - spread), rate + spread, round(found.chance_s / _DAY_S)
    lasts_s = now_s - found.since_s
    if tank_input.clock_doubt is not None:
        return because(ReasonCode.SLOW_LOSS, _LOSS_UNDATED, rate=rate, least=least, most=most, lasts=lasts_s, days=days)
    since = tank_input.instant.timestamp() - lasts_s
    return because(ReasonCode.SLOW_LOSS, _LOSS, rate=rate, least=least, most=most, since=since, days=days)
