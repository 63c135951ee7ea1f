"""Pure: the close of a day: which sheet is that of the boundary, the balances of its products, and its revisions.

A close is made of what is kept and of nothing else, so that the same papers give the same digits. Nothing that differs,
no revision: two closes at once are one.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from gateway.account.amount import Amount
from gateway.account.balance.balance import balance_of, tolerance_of
from gateway.account.balance.movements import Span, moved_within
from gateway.account.balance.stocked import measure_of
from gateway.account.day import DAY, DAY_SCHEMA, Balance, DayClose, TankAtClose
from gateway.account.days.boundary import Day, day_before
from gateway.account.days.differences import differences
from gateway.account.days.sheets import tank_at
from gateway.account.gauging import Gauging
from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.plan import AccountPlan
from gateway.account.ticket import Ticket
from gateway.account.transfer import Transfer
from gateway.records import Quality, Reason, ReasonCode, because

__all__ = ["DayBooks", "close_day", "day_paper", "newest_closes"]


class DayBooks(NamedTuple):
    """What is kept, as far as the close of a day rests on it. More of it does no harm, and order does not matter."""

    sheets: Mapping[str, Sequence[Gauging]]
    """By tank, of every tank: the last sheet at or before the end of the day, and where that is old the first after."""
    products: Mapping[str, str]
    """By tank, of every tank: what it held at the end of the day; for a tank without a sheet."""
    tickets: Sequence[Ticket] = ()
    """Those whose span, from opening to closing, reaches into the month of the day, and those that one of the amounts
    names; with all that reverse or replace them. An amount that names a ticket which is not here counts as nothing:
    it is counted where its ticket is."""
    amounts: Sequence[Amount] = ()
    """Of the month, and those that name one of the tickets that reach into it; with all that reverse them."""
    transfers: Sequence[Transfer] = ()
    """Those that are not over."""
    closes: Sequence[DayClose] = ()
    """Every revision of this day; of the days of its month before it, and of the last before the month, the newest."""


def close_day(
    plan: AccountPlan, day: Day, books: DayBooks, now: datetime, *, by: str = "", why: str = ""
) -> DayClose | None:
    """The close of a day as it stands by the books: revision 1, or the next one; None where nothing differs from the
    newest revision there is. `by`: who asked for it. `why` stands in a later revision before what differs.

    Where the boundary was another the day before, the day begins where that one ended. A later revision is of the same
    hours, tanks and owners, and on the same measures, as the first: what the site file says by now is not of that day.
    """
    newest = newest_closes(books.closes)
    if not plan.simulated:
        books = _without_simulated(books)
    real = newest_closes(books.closes)
    before = newest.get(day_before(plan, day).name)
    last = newest.get(day.name)
    if last is not None:
        day = Day(day.name, last.begin, last.end)
    elif before is not None:
        day = Day(day.name, before.end, day.end)
    tanks = tuple(tank_at(plan, day, tank, books) for tank in sorted({*books.sheets, *books.products}))
    if last is not None:
        tanks = _of_that_day(plan, last, tanks)
    measures = _measures(plan, tanks, before, last, books)
    boundaries = _boundaries(real, day, tanks)
    opening = None if before is None else real.get(before.day)
    balances = _balances(opening, day.begin, day, tanks, measures, boundaries, books)
    first, begin, remarks = _month_opening(plan, day, real)
    month = tuple(
        balance._replace(tolerance=tolerance_of(plan.tolerance, balance, _density(tanks, balance)))
        for balance in _balances(first, begin, day, tanks, measures, boundaries, books, remarks)
    )
    close = DayClose(
        day=day.name,
        revision=1 if last is None else last.revision + 1,
        begin=day.begin,
        end=day.end,
        made=now,
        by=by,
        tanks=tanks,
        balances=balances,
        month=month,
        quality=_quality(balances),
        why=why,
        simulated=any(tank.gauging is not None and tank.gauging.simulated for tank in tanks),
        time_zone=plan.time_zone if last is None else last.time_zone,
        opening="" if opening is None else opening.key,
    )
    if last is None:
        return close
    different = differences(last, close)
    if not different:
        return None
    return close._replace(why="; ".join([*([why] if why else []), *different]))


def _of_that_day(plan: AccountPlan, last: DayClose, tanks: Sequence[TankAtClose]) -> tuple[TankAtClose, ...]:
    """The tanks of a later revision: those of the one before, and those that turn out to have a sheet of its end.

    A tank that the site has by now and had not then would make it worse; one that it has no more would be lost from it.
    """
    found = {tank.tank: tank for tank in last.tanks}
    for tank in tanks:
        before = found.get(tank.tank)
        if tank.gauging is not None:
            found[tank.tank] = tank if before is None else tank._replace(owner=before.owner)
        elif before is not None and before.gauging is not None and before.gauging.simulated and not plan.simulated:
            # Of a site that has become a real one.
            found[tank.tank] = tank
    return tuple(found[name] for name in sorted(found))


def _without_simulated(books: DayBooks) -> DayBooks:
    """Of a site that has become a real one: what it was before is neither stock to open from, nor moved."""
    return books._replace(
        tickets=[ticket for ticket in books.tickets if not ticket.simulated],
        transfers=[
            transfer
            for transfer in books.transfers
            if not any(side.opening is not None and side.opening.simulated for side in transfer.sides)
        ],
        closes=[close for close in books.closes if not close.simulated],
    )


def newest_closes(closes: Iterable[DayClose]) -> dict[str, DayClose]:
    """By day: its newest revision."""
    found: dict[str, DayClose] = {}
    for close in closes:
        if close.day not in found or found[close.day].revision < close.revision:
            found[close.day] = close
    return found


def day_paper(close: DayClose) -> AccountPaper:
    """As it is kept."""
    document = {"schema": DAY_SCHEMA, "key": close.key, **DAY.to_plain(close)}
    return AccountPaper(PaperKind.DAY, close.key, "", close.end, document)


def _balances(
    opening: DayClose | None,
    begin: datetime,
    day: Day,
    tanks: Sequence[TankAtClose],
    measures: Mapping[str, str],
    boundaries: tuple[tuple[datetime, Mapping[str, Gauging]], ...],
    books: DayBooks,
    remarks: tuple[Reason, ...] = (),
) -> tuple[Balance, ...]:
    span = Span(begin, day.end, boundaries)
    moved = moved_within(span, measures, books.tickets, books.amounts, books.transfers)
    held = () if opening is None else opening.tanks
    products = {tank.product for tank in (*held, *tanks)} | {each.product for each in moved}
    at_begin = None if opening is None else opening.tanks
    return tuple(
        balance_of(product, measures.get(product, "gsv"), at_begin, tanks, moved, remarks=remarks)
        for product in sorted(products)
    )


def _measures(
    plan: AccountPlan, tanks: Sequence[TankAtClose], before: DayClose | None, last: DayClose | None, books: DayBooks
) -> dict[str, str]:
    """By product. One whose tanks have all lost their sheets keeps the measure that it had, and so does one of which
    the revision before has a stock."""
    gaugings = [tank.gauging for tank in tanks if tank.gauging is not None]
    earlier = {} if before is None else {balance.product: balance.measure for balance in before.balances}
    held = () if before is None else before.tanks
    products = {tank.product for tank in (*held, *tanks)} | {amount.product for amount in books.amounts}
    products |= {side.opening.product for ticket in books.tickets for side in ticket.sides}
    found = {product: measure_of(plan, product, gaugings, earlier.get(product)) for product in sorted(products)}
    if last is not None:
        found |= {balance.product: balance.measure for balance in last.balances if balance.tanks[0]}
    return found


def _boundaries(
    newest: Mapping[str, DayClose], day: Day, tanks: Sequence[TankAtClose]
) -> tuple[tuple[datetime, Mapping[str, Gauging]], ...]:
    ends = {close.end: close.tanks for close in newest.values() if close.end <= day.begin}
    ends[day.end] = tuple(tanks)
    return tuple(
        (end, {tank.tank: tank.gauging for tank in ends[end] if tank.gauging is not None}) for end in sorted(ends)
    )


def _month_opening(
    plan: AccountPlan, day: Day, newest: Mapping[str, DayClose]
) -> tuple[DayClose | None, datetime, tuple[Reason, ...]]:
    """The close that the month opens from, from when on it counts, and what is to be said of that: the last close
    before the month, or where there is none the first one in it."""
    earlier = sorted((close for close in newest.values() if close.end <= day.begin), key=lambda close: close.end)
    of_month = [close for close in earlier if close.day[:7] == day.month]
    first = of_month[0].begin if of_month else day.begin
    before = [close for close in earlier if close.end == first and close.day[:7] != day.month]
    if before:
        return before[-1], first, ()
    if of_month:
        begin = of_month[0].end
        since = because(
            ReasonCode.NO_OPENING,
            "there is no close before the month: it counts from {begin:utc}",
            begin=begin.timestamp(),
        )
        return of_month[0], begin, (since,)
    return None, day.begin, ()


def _density(tanks: Sequence[TankAtClose], balance: Balance) -> float | None:
    """What a cubic metre of the product weighs, by the tanks that hold it."""
    masses, volumes = [], []
    for tank in tanks:
        if tank.product == balance.product and tank.gauging is not None:
            mass, volume = tank.gauging.value(balance.measure), tank.gauging.value("gov")
            if mass is not None and volume is not None:
                masses.append(mass)
                volumes.append(volume)
    return sum(masses) / sum(volumes) if sum(volumes) > 0.0 else None


def _quality(balances: Sequence[Balance]) -> Quality:
    """Of the closing stock as a whole: Bad where there is none, Uncertain where it is less than all, or an estimate."""
    stocks = [balance.physical.quality for balance in balances if balance.tanks[1]]
    if all(quality is Quality.BAD for quality in stocks):
        return Quality.BAD
    return min(max(stocks), Quality.UNCERTAIN)
