"""Pure: for how many days what is there lasts, at what has gone off on the days before.

The mean is that of the seven days that ended last, each by its newest close; a day that is not closed, or whose sums
are not known, leaves no mean: days that were left out would make it another one. Common practice.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import fsum

from gateway.account.balance.stocked import applies
from gateway.account.day import DayClose
from gateway.account.days.boundary import Day, day_before, ended_last
from gateway.account.gauging import Gauging
from gateway.account.plan import AccountPlan
from gateway.records import Figure, Quality, Reason, ReasonCode, because

__all__ = ["DAYS", "above_minimum", "cover_days", "last_days", "offtake", "receipts"]

DAYS = 7
_NOTHING_OFF = Reason(
    ReasonCode.NOT_APPLICABLE, "nothing has gone off in these days, so that it lasts for no number of days"
)


def last_days(plan: AccountPlan, now: datetime) -> tuple[Day, ...]:
    """The seven that ended last, oldest first."""
    days = [ended_last(plan, now)]
    while len(days) < DAYS:
        days.insert(0, day_before(plan, days[0]))
    return tuple(days)


def offtake(product: str, measure: str, closes: Mapping[str, DayClose], days: Sequence[Day]) -> Figure:
    """What goes off in a day: dispatches and own use, the mean of all `days`. SI of `measure`.

    `closes`: by the name of its day, the newest revision of each that is closed.
    """
    return _mean(product, measure, closes, days, "throughput", len(days))


def receipts(product: str, measure: str, closes: Mapping[str, DayClose], days: Sequence[Day]) -> Figure:
    """What came in on all these days together. SI of `measure`."""
    return _mean(product, measure, closes, days, "receipts", 1)


def above_minimum(product: str, measure: str, gaugings: Sequence[Gauging], holding: Sequence[str]) -> Figure:
    """What can be pumped off above the minimum of each tank, by `measure`: of each tank that share of what it holds.

    A tank of which it is not known is left out and named. `holding`: every tank that has the product.
    """
    shares: list[Figure] = []
    left_out: list[Reason] = []
    known = {each.tank: each for each in gaugings}
    for tank in holding:
        share = None if tank not in known else _share(known[tank], measure)
        if share is None or share.value is None:
            left_out.append(
                because(ReasonCode.NOT_INCLUDED, "{tank} is not in it: what can be pumped is not known", tank=tank)
            )
        else:
            shares.append(share)
    doubts = [reason for each in shares if each.quality for reason in each.reasons[:1]]
    if not shares:
        return Figure(None, Quality.BAD, tuple(left_out), 0.0)
    reasons = (*left_out, *doubts)
    value = fsum(each.value for each in shares if each.value is not None)
    quality = Quality.UNCERTAIN if left_out else max(each.quality for each in shares)
    return Figure(value, quality, reasons, max(each.age_s for each in shares), any(each.manual for each in shares))


def cover_days(available: Figure, off: Figure) -> Figure:
    """How many days it lasts; Bad where that cannot be told, nothing goes off among it."""
    quality = max(available.quality, off.quality)
    reasons = (*available.reasons, *off.reasons)
    if available.value is None or off.value is None:
        return Figure(None, Quality.BAD, reasons, 0.0)
    if off.value <= 0.0:
        return Figure(None, Quality.BAD, (_NOTHING_OFF,), 0.0)
    return Figure(available.value / off.value, quality, reasons, available.age_s)


def _mean(
    product: str, measure: str, closes: Mapping[str, DayClose], days: Sequence[Day], name: str, parts: int
) -> Figure:
    missing = [day.name for day in days if day.name not in closes]
    if missing:
        closed, count = len(days) - len(missing), len(days)
        found = because(
            ReasonCode.NOT_YET_READ,
            "{closed} of {count} days are closed; not {days}",
            closed=closed,
            count=count,
            days=", ".join(missing),
        )
        return Figure(None, Quality.BAD, (found,), 0.0)
    figures: list[tuple[str, Figure]] = []
    for day in days:
        own = [each for each in closes[day.name].balances if (each.product, each.measure) == (product, measure)]
        if not own:
            none = because(
                ReasonCode.NOT_YET_READ, "the close of {day} has no book of it by this measure", day=day.name
            )
            return Figure(None, Quality.BAD, (none,), 0.0)
        figures.append((day.name, getattr(own[0], name)))
    for day_name, figure in figures:
        if figure.value is None:
            unknown = because(ReasonCode.INPUT_BAD, "the close of {day} does not know it", day=day_name)
            return Figure(None, Quality.BAD, (unknown,), 0.0)
    quality = max(figure.quality for _, figure in figures)
    doubts = tuple(
        because(ReasonCode.INPUT_UNCERTAIN, "the close of {day} is estimated", day=day_name)
        for day_name, figure in figures
        if figure.quality
    )
    return Figure(fsum(figure.value or 0.0 for _, figure in figures) / parts, quality, doubts, 0.0)


def _share(gauging: Gauging, measure: str) -> Figure | None:
    """None: it is not told of this tank."""
    figures = gauging.figures
    whole, net, pumpable = figures[measure], figures["gov"], figures["pumpable"]
    if not applies(figures, measure) or whole.value is None or pumpable.value is None:
        return None
    if pumpable.value > 0.0 and not net.value:
        return None
    parts = (whole, net, pumpable)
    quality = max(each.quality for each in parts)
    doubts = tuple(
        because(ReasonCode.INPUT_UNCERTAIN, "{tank}: {reason}", tank=gauging.tank, reason=each.reasons[0])
        for each in parts
        if each.quality and each.reasons
    )
    # Of a tank that is empty, or at its minimum, nothing can be pumped: that is known.
    share = 0.0
    if net.value:
        share = min(1.0, pumpable.value / net.value)
    return Figure(
        whole.value * share, quality, doubts[:1], max(each.age_s for each in parts), any(each.manual for each in parts)
    )
