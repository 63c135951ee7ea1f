"""Conservation: over months of simulated operation physical = opening + receipts - dispatches within what is stated.

The truth and every instrument are those of `simulated_month`, which knows nothing of the gateway; nothing is lost in it
but where a test says so.
"""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from functools import cache
from random import Random

import pytest

from gateway.account.amount import Amount, AmountKind, AmountSource
from gateway.account.balance.shown import shown_balance, shown_total
from gateway.account.day import DAY, DayClose
from gateway.account.days.boundary import Day, day_named, days_between
from gateway.account.days.close import DayBooks, close_day
from gateway.account.gauging import Gauging
from gateway.account.ticket import Ticket
from gateway.account.transfer import Transfer, TransferKind, TransferPhase
from gateway.account.uncertainty import of_sides
from gateway.tank_state import Motion
from tests.support.account_days import amount, balance, gauging, plan, ticket, transfer
from tests.support.simulated_month import Depot, Movement, Reading, simulated_month

PLAN = plan()
DAYS = tuple(days_between(PLAN, day_named(PLAN, "2026-02-28"), day_named(PLAN, "2026-03-31")))
"""The last of February, from which the month opens; March has a day of 23 hours."""
ENDS = tuple(day.end for day in DAYS)
PRODUCTS = {"TK-1": "diesel", "TK-2": "diesel", "J-1": "jet", "J-2": "jet"}
LATER = timedelta(minutes=10)


def sheet(reading: Reading) -> Gauging:
    tank = reading.tank
    return gauging(
        tank.name,
        reading.instant,
        reading.volume_m3,
        product=tank.product,
        density=tank.density,
        motion=Motion.FILLING if reading.is_moving else Motion.AT_REST,
        level=reading.level_m,
        liquid_temperature=reading.temperature_c,
        ctl=reading.ctl,
        gsv=reading.standard_m3,
        nsv=reading.standard_m3,
    )


def tickets_of(depot: Depot) -> list[Ticket]:
    return [
        ticket(number, _kind(moved), (sheet(moved.opening), sheet(moved.closing)))
        for number, moved in enumerate(depot.movements, start=1)
    ]


def _kind(moved: Movement) -> TransferKind:
    return TransferKind.RECEIPT if moved.true_m3 > 0.0 else TransferKind.DISPATCH


def amounts_of(depot: Depot) -> list[Amount]:
    return [
        amount(
            number,
            AmountKind.RECEIPT if document.is_receipt else AmountKind.DISPATCH,
            document.value_m3,
            document.instant,
            product=document.product,
            source=_source(document.is_receipt, document.movement),
            ticket=None if document.movement is None else document.movement + 1,
        )
        for number, document in enumerate(depot.documents, start=1)
    ]


def _source(is_receipt: bool, movement: int | None) -> AmountSource:
    if movement is None:
        return AmountSource.RACK
    return AmountSource.SHIP if is_receipt else AmountSource.PIPELINE


def running_at(depot: Depot, day: Day) -> Iterator[Transfer]:
    """What had begun by the time of the close and has no ticket yet."""
    for number, moved in enumerate(depot.movements, start=1):
        if moved.opening.instant <= day.end + LATER < moved.closing.instant:
            yield transfer(number, _kind(moved), TransferPhase.RUNNING, sheet(moved.opening))


def month_of(depot: Depot, *, shuffled: int | None = None, kept: bool = False) -> list[DayClose]:
    """Every day closed at its time by what was known then. `shuffled`: all lists in another order. `kept`: each close
    written as it is kept and read again before the next."""
    sheets: dict[str, list[Gauging]] = {}
    for reading in depot.readings:
        sheets.setdefault(reading.tank.name, []).append(sheet(reading))
    tickets, amounts = tickets_of(depot), amounts_of(depot)
    if shuffled is not None:
        random = Random(shuffled)
        random.shuffle(tickets)
        random.shuffle(amounts)
        for each in sheets.values():
            random.shuffle(each)
    closes: list[DayClose] = []
    for day in DAYS:
        now = day.end + LATER
        books = DayBooks(
            sheets,
            PRODUCTS,
            [each for each in tickets if each.made <= now],
            [each for each in amounts if each.instant <= day.end and _has_ticket(each, tickets, day)],
            list(running_at(depot, day)),
            closes,
        )
        close = close_day(PLAN, day, books, now)
        assert close is not None
        closes.append(DAY.from_plain(DAY.to_plain(close)) if kept else close)
    return closes


def _has_ticket(each: Amount, tickets: Sequence[Ticket], day: Day) -> bool:
    """A document comes with its ticket, or after it."""
    return each.ticket is None or any(one.number == each.ticket and one.made <= day.end + LATER for one in tickets)


@cache
def depot(seed: int) -> Depot:
    return simulated_month(seed, ENDS)


MONTHS = 16


def test_the_truth_is_conserved_by_itself() -> None:
    """Of the simulation, before anything is made of it: stock after less stock before is what moved."""
    found = depot(1)
    for tank in found.tanks:
        moved = sum(each.true_m3 for each in found.movements if each.opening.tank is tank)
        stock = found.true_m3[tank.name, ENDS[-1]] - found.true_m3[tank.name, ENDS[0]]
        trucks = stock - moved
        assert trucks < 0.0, "trucks take away"
    assert len(found.movements) > 30
    over = [each for each in found.movements if any(each.opening.instant < end < each.closing.instant for end in ENDS)]
    assert len(over) > 3


def test_days_balance_within_what_is_stated() -> None:
    """Nothing is lost, so each gain is an error of measurement: about 95 in 100 within k = 2."""
    within, total, widest = 0, 0, 0.0
    for seed in range(MONTHS):
        for close in month_of(depot(seed))[1:]:
            for each in close.balances:
                assert each.gain.value is not None
                assert each.uncertainty is not None
                total += 1
                within += abs(each.gain.value) <= each.uncertainty
                widest = max(widest, each.uncertainty)
    assert total == MONTHS * 31 * 2
    assert 0.92 <= within / total <= 0.99, within / total
    assert widest < 12.0, "and it is not so wide that it says nothing: a tank holds 5 000 m3"


def test_months_balance_within_what_is_stated() -> None:
    within = total = 0
    for seed in range(MONTHS):
        for each in month_of(depot(seed))[-1].month:
            assert each.gain.value is not None
            assert each.uncertainty is not None
            total += 1
            within += abs(each.gain.value) <= each.uncertainty
    assert within / total >= 0.85, f"{within} of {total}; 95 in 100 are expected of many"


def test_tickets_are_right_within_what_is_stated() -> None:
    within = total = 0
    for seed in range(MONTHS):
        for moved, made in zip(depot(seed).movements, tickets_of(depot(seed)), strict=True):
            into = made.sides[0].moved["gsv"].value
            assert into is not None
            total += 1
            within += abs(into - moved.true_m3) <= of_sides(made.sides)["gsv"]
    assert total > 400
    assert 0.92 <= within / total <= 0.995, within / total


def test_what_is_stolen_is_found() -> None:
    """30 m3 out of TK-1 in the middle of the month: on that day far more than can be an error, and on no other."""
    closes = month_of(simulated_month(3, ENDS, stolen_m3=30.0))[1:]
    off = [
        close.day for close in closes if abs(balance(close).gain.value or 0.0) > 3.0 * (balance(close).uncertainty or 0)
    ]
    assert off == [DAYS[len(ENDS) // 2 + 1].name]
    month = closes[-1].month[0]
    assert month.gain.value == pytest.approx(-30.0, abs=2.0 * (month.uncertainty or 0.0))


def test_the_same_month_again_gives_the_same_digits() -> None:
    """In another order, out of what was kept, and drawn anew from its seed."""
    first = month_of(depot(5))
    hours = {close.day: (close.end - close.begin) / timedelta(hours=1) for close in first}
    assert [day for day, length in hours.items() if length != 24.0] == ["2026-03-28"]
    assert hours["2026-03-28"] == 23.0
    for again in (
        month_of(depot(5), shuffled=1),
        month_of(depot(5), shuffled=2, kept=True),
        month_of(simulated_month(5, ENDS)),
    ):
        assert [DAY.to_plain(close) for close in again] == [DAY.to_plain(close) for close in first]


def test_the_days_of_a_month_add_up_to_it() -> None:
    """Every day's receipts and dispatches make the month's, as long as no document came after its day was closed."""
    found = depot(7)
    final = month_of(found)[:1]
    sheets: dict[str, list[Gauging]] = {}
    for reading in found.readings:
        sheets.setdefault(reading.tank.name, []).append(sheet(reading))
    for day in DAYS[1:]:
        # All that came late has come: each day as its last revision has it.
        books = DayBooks(sheets, PRODUCTS, tickets_of(found), amounts_of(found), (), final)
        close = close_day(PLAN, day, books, DAYS[-1].end + timedelta(days=1))
        assert close is not None
        final.append(close)
    for number, month in enumerate(final[-1].month):
        rows = [close.balances[number] for close in final[1:]]
        for name in ("receipts", "dispatches", "gain", "throughput"):
            total = sum(getattr(row, name).value for row in rows)
            assert getattr(month, name).value == pytest.approx(total, abs=1e-6)
        shown = [shown_balance(row, 1) for row in rows]
        column = shown_total(row.receipts for row in shown)
        assert float(column) == pytest.approx(month.receipts.value, abs=0.05 * len(rows))
        assert all(row.gain == (row.physical or 0) - (row.book or 0) for row in shown)
