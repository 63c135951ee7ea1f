"""The close of a day: which sheet is that of the boundary, what the book says, and when there is another revision."""

from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest

from gateway.account.amount import AmountKind
from gateway.account.day import DAY
from gateway.account.days.boundary import day_after, day_before, day_named
from gateway.account.days.close import close_day, day_paper
from gateway.account.plan import BalanceTolerance
from gateway.account.transfer import TransferKind, TransferPhase
from gateway.records import Quality
from gateway.tank_state import Motion
from tests.support.account_days import (
    amount,
    bad_gauging,
    balance,
    books_of,
    closed,
    gauging,
    plan,
    said,
    ticket,
    transfer,
)

PLAN = plan()
FIRST = day_named(PLAN, "2026-11-26")
SECOND = day_after(PLAN, FIRST)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


def test_a_day_with_a_receipt_and_a_dispatch() -> None:
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0)])
    filled = ticket(
        1,
        TransferKind.RECEIPT,
        (gauging("TK-1", SECOND.begin + HOUR, 500.0), gauging("TK-1", SECOND.begin + 5 * HOUR, 800.0)),
    )
    sent = ticket(
        2,
        TransferKind.DISPATCH,
        (gauging("TK-1", SECOND.begin + 7 * HOUR, 800.0), gauging("TK-1", SECOND.begin + 9 * HOUR, 700.0)),
    )
    own = amount(1, AmountKind.OWN_USE, 2.0, SECOND.begin + 10 * HOUR)
    close = closed(
        PLAN,
        SECOND,
        [gauging("TK-1", SECOND.end - MINUTE, 697.5)],
        tickets=[filled, sent],
        amounts=[own],
        closes=[before],
    )
    found = balance(close)
    # 500 + 300 - 100 - 2 = 698; 697.5 is there: 0.5 is missing.
    assert (found.opening.value, found.receipts.value, found.dispatches.value) == (500.0, 300.0, 100.0)
    assert (found.own_use.value, found.adjustments.value, found.book.value) == (2.0, 0.0, 698.0)
    assert (found.physical.value, found.gain.value, found.throughput.value) == (697.5, -0.5, 102.0)
    assert found.gain.quality is Quality.GOOD
    assert (found.tanks, found.tickets, found.documents) == ((1, 1), 2, 1)
    assert close.opening == before.key == "day 2026-11-26 1"
    assert (close.revision, close.quality, close.time_zone) == (1, Quality.GOOD, "Europe/London")


def test_a_site_that_has_become_a_real_one_opens_from_nothing_simulated() -> None:
    """It was tried out with simulated values until the last day, of which its second tank still has its last sheet."""
    tried = plan(simulated=True)
    before = closed(tried, FIRST, [gauging("TK-1", FIRST.end, 500.0, simulated=True)])
    assert before.simulated
    moved = ticket(
        1,
        TransferKind.RECEIPT,
        (gauging("TK-1", SECOND.begin + HOUR, 500.0), gauging("TK-1", SECOND.begin + 5 * HOUR, 800.0)),
    )._replace(simulated=True)
    opening = gauging("TK-1", SECOND.begin + HOUR, 500.0, simulated=True)
    runs = transfer(2, TransferKind.RECEIPT, TransferPhase.RUNNING, opening)
    sheets = [gauging("TK-1", SECOND.end, 40.0), gauging("TK-2", SECOND.end, 900.0, simulated=True)]
    close = closed(PLAN, SECOND, sheets, tickets=[moved], transfers=[runs], closes=[before])
    found = balance(close)
    assert (found.opening.value, found.receipts.value, found.gain.value) == (None, 0.0, None)
    assert (found.physical.value, found.physical.quality, found.tanks) == (40.0, Quality.UNCERTAIN, (1, 2))
    assert "TK-2 is not in it: its sheet rests on simulated values, and the site is real" in said(found.physical)
    assert (close.simulated, close.opening) == (False, "")
    assert balance(close, "diesel") == close.balances[0]
    month = close.month[0]
    assert (month.opening.value, month.receipts.value) == (None, 0.0)


def test_the_first_day_has_no_opening_and_no_gain() -> None:
    found = balance(closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0)]))
    assert found.physical.value == 500.0
    for figure in (found.opening, found.book, found.gain):
        assert (figure.value, figure.quality) == (None, Quality.BAD)
        assert "no close to open from" in said(figure)


def test_the_sheet_of_the_boundary_is_the_last_at_or_before_it() -> None:
    sheets = [gauging("TK-1", FIRST.end - 2 * MINUTE, 1.0), gauging("TK-1", FIRST.end, 2.0)]
    sheets.append(gauging("TK-1", FIRST.end + timedelta(seconds=1), 3.0))
    assert balance(closed(PLAN, FIRST, sheets)).physical.value == 2.0
    assert balance(closed(PLAN, FIRST, sheets[::-1])).physical.value == 2.0


@pytest.mark.parametrize(("old_s", "is_in"), [(900, True), (901, False)])
def test_a_sheet_that_is_too_old_is_none(old_s: int, is_in: bool) -> None:
    sheet = gauging("TK-1", FIRST.end - timedelta(seconds=old_s), 500.0)
    found = balance(closed(PLAN, FIRST, [sheet, gauging("TK-2", FIRST.end, 100.0)]))
    assert found.physical.value == (600.0 if is_in else 100.0)
    assert found.tanks == ((2, 2) if is_in else (1, 2))


def test_a_boundary_inside_an_outage() -> None:
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0), gauging("TK-2", FIRST.end, 200.0)])
    sheets = [
        gauging("TK-1", SECOND.end - HOUR, 500.0),
        gauging("TK-1", SECOND.end + 3 * HOUR, 480.0),
        gauging("TK-2", SECOND.end, 200.0),
    ]
    close = closed(PLAN, SECOND, sheets, closes=[before])
    found = balance(close)
    assert (found.physical.value, found.physical.quality, found.tanks) == (200.0, Quality.UNCERTAIN, (1, 2))
    assert "TK-1 is not in it" in said(found.physical)
    assert "the first after it is of 2026-11-28 09:00 UTC" in said(found.physical)
    # Of 700 m3 500 are not known: that is no loss of 500.
    assert (found.gain.value, found.gain.quality) == (None, Quality.BAD)
    assert "TK-1" in said(found.gain)
    assert close.quality is Quality.UNCERTAIN
    third = closed(
        PLAN,
        day_after(PLAN, SECOND),
        [gauging("TK-1", SECOND.end + 23 * HOUR + 59 * MINUTE, 480.0), gauging("TK-2", SECOND.end + 24 * HOUR, 200.0)],
        closes=[before, close],
    )
    assert balance(third).gain.value is None, "its opening lacks TK-1"
    # The month opens before the outage and closes after it: 680 - 700.
    assert third.month[0].gain.value == -20.0


def test_no_tank_at_all_is_no_stock_and_not_nothing() -> None:
    found = closed(PLAN, FIRST, [], products={"TK-1": "diesel"})
    assert found.quality is Quality.BAD
    assert (balance(found).physical.value, balance(found).physical.quality) == (None, Quality.BAD)
    assert balance(found).tanks == (0, 1)


def test_a_lost_level_at_the_boundary_is_left_out() -> None:
    sheets = [gauging("TK-1", FIRST.end - 5 * MINUTE, 500.0), bad_gauging("TK-1", FIRST.end)]
    found = closed(PLAN, FIRST, sheets)
    assert balance(found).physical.value is None
    assert "the gauge did not answer" in said(balance(found).physical)


def test_a_close_while_a_tank_moves() -> None:
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0)])
    opening = gauging("TK-1", SECOND.end - 2 * HOUR, 500.0)
    filling = transfer(1, TransferKind.RECEIPT, TransferPhase.RUNNING, opening)
    moving = gauging("TK-1", SECOND.end, 640.0, motion=Motion.FILLING)
    close = closed(PLAN, SECOND, [moving], transfers=[filling], closes=[before])
    assert [tank.is_moving for tank in close.tanks] == [True]
    found = balance(close)
    # What has come in until now is booked: no gain of 140 m3, and an estimate.
    assert (found.receipts.value, found.book.value, found.gain.value) == (140.0, 640.0, 0.0)
    assert found.physical.quality is Quality.UNCERTAIN
    assert "moved" in said(found.physical)


def test_nothing_that_differs_is_no_revision() -> None:
    sheets = [gauging("TK-1", FIRST.end, 500.0)]
    first = closed(PLAN, FIRST, sheets)
    later = FIRST.end + timedelta(days=3)
    assert close_day(PLAN, FIRST, books_of(sheets, closes=[first]), later) is None
    # Two that are made of the same books at once have one key: the ledger takes one of them.
    again = close_day(PLAN, FIRST, books_of(sheets), FIRST.end + timedelta(minutes=11))
    assert again is not None
    assert day_paper(again).key == day_paper(first).key
    assert again._replace(made=first.made) == first


def test_late_data_is_a_revision_that_says_what_differs() -> None:
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0)])
    sheets = [gauging("TK-1", SECOND.end, 468.0)]
    first = closed(PLAN, SECOND, sheets, closes=[before])
    late = amount(1, AmountKind.DISPATCH, 32.0, SECOND.begin + HOUR, entered=SECOND.end + 48 * HOUR)
    second = closed(PLAN, SECOND, sheets, amounts=[late], closes=[before, first])
    assert (first.revision, balance(first).gain.value) == (1, -32.0)
    assert (second.revision, balance(second).gain.value) == (2, 0.0)
    assert "diesel by GSV: dispatches 32.000 m3, before 0.000 m3; book " in second.why
    back = amount(2, AmountKind.DISPATCH, 32.0, SECOND.begin + HOUR, reverses=1)
    third = closed(PLAN, SECOND, sheets, amounts=[late, back], closes=[before, first, second])
    assert (third.revision, balance(third).gain.value) == (3, -32.0)


def test_a_sheet_that_comes_late_out_of_the_ledger() -> None:
    old = [gauging("TK-1", FIRST.end - HOUR, 500.0)]
    first = closed(PLAN, FIRST, old)
    assert balance(first).tanks == (0, 1)
    second = closed(PLAN, FIRST, [*old, gauging("TK-1", FIRST.end - MINUTE, 480.0)], closes=[first])
    assert (second.revision, balance(second).physical.value) == (2, 480.0)
    assert "TK-1 has a sheet of the end of the day now" in second.why


def test_a_paper_is_read_as_it_was_kept() -> None:
    close = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0)])
    paper = day_paper(close)
    plain = {name: value for name, value in paper.document.items() if name not in ("schema", "key")}
    assert DAY.from_plain(plain) == close
    assert (paper.key, paper.instant, paper.tank) == ("day 2026-11-26 1", FIRST.end, "")


@pytest.mark.parametrize(("name", "hours"), [("2026-03-28", 23), ("2026-10-24", 25)])
def test_a_day_that_is_shorter_or_longer_has_each_hour_once(name: str, hours: int) -> None:
    """One amount in every hour, also in that which clocks show twice: each is of one day."""
    day = day_named(PLAN, name)
    before = day_before(PLAN, day)
    amounts = [
        amount(number, AmountKind.DISPATCH, 1.0, before.begin + (number - 0.5) * HOUR)
        for number in range(1, 24 + hours + 24 + 1)
    ]
    opening = closed(PLAN, before, [gauging("TK-1", before.end, 500.0)], amounts=amounts)
    close = closed(PLAN, day, [gauging("TK-1", day.end, 500.0 - hours)], amounts=amounts, closes=[opening])
    assert (close.end - close.begin, balance(close).dispatches.value) == (hours * HOUR, float(hours))
    assert (balance(opening).dispatches.value, balance(close).gain.value) == (24.0, 0.0)
    # Half past one came twice that night in London; both are of this day.
    twice = [datetime(2026, 10, 25, 1, 30, fold=fold, tzinfo=PLAN.zone).astimezone(UTC) for fold in (0, 1)]
    assert hours == 23 or [day.holds(instant) for instant in twice] == [True, True]


def test_a_dip_by_hand_is_as_good_as_it_is_and_marked() -> None:
    by_hand = gauging("TK-1", FIRST.end, 500.0)
    level = by_hand.figures["level"]._replace(manual=True)
    close = closed(PLAN, FIRST, [by_hand._replace(figures={**by_hand.figures, "level": level})])
    assert (close.quality, balance(close).physical.quality) == (Quality.GOOD, Quality.GOOD)
    assert [reason.text for reason in close.tanks[0].reasons] == ["level by hand"]


@pytest.mark.parametrize(("hour", "hours"), [(0, 18), (12, 30)])
def test_another_boundary_neither_counts_an_hour_twice_nor_leaves_one_out(hour: int, hours: int) -> None:
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 500.0)])
    other = plan(boundary=time(hour))
    day = day_named(other, SECOND.name)
    # One an hour before the first day ended, one an hour after: the second day has the second alone.
    amounts = [
        amount(1, AmountKind.DISPATCH, 1.0, FIRST.end - HOUR),
        amount(2, AmountKind.DISPATCH, 2.0, FIRST.end + HOUR),
    ]
    close = closed(other, day, [gauging("TK-1", day.end, 498.0)], amounts=amounts, closes=[before])
    assert (close.begin, close.end - close.begin) == (before.end, hours * HOUR)
    assert (balance(close).dispatches.value, balance(close).gain.value) == (2.0, 0.0)
    # A late revision of the first day keeps the hours that it had.
    late = amount(3, AmountKind.DISPATCH, 4.0, FIRST.end - HOUR)
    sheets = [gauging("TK-1", FIRST.end, 500.0), gauging("TK-1", day_named(other, FIRST.name).end, 1.0)]
    again = closed(other, day_named(other, FIRST.name), sheets, amounts=[late], closes=[before, close])
    assert (again.revision, again.begin, again.end) == (2, before.begin, before.end)
    assert (balance(again).physical.value, balance(again).dispatches.value) == (500.0, 4.0)


def test_a_later_revision_is_on_the_measure_of_the_first() -> None:
    sheets = [gauging("TK-1", FIRST.end, 500.0)]
    first = closed(PLAN, FIRST, sheets)
    by_mass = plan(measures={"diesel": "mass"})
    late = amount(1, AmountKind.DISPATCH, 4.0, FIRST.begin)
    assert balance(closed(by_mass, FIRST, sheets, amounts=[late], closes=[first])).measure == "gsv"
    assert balance(closed(by_mass, SECOND, [gauging("TK-1", SECOND.end, 500.0)], closes=[first])).gain.value == 0.0


def test_a_tank_that_is_new_or_gone() -> None:
    one, two = gauging("TK-1", FIRST.end, 500.0), gauging("TK-2", FIRST.end, 200.0)
    later = [gauging("TK-1", SECOND.end, 500.0), gauging("TK-2", SECOND.end, 200.0)]
    new = balance(closed(PLAN, SECOND, later, closes=[closed(PLAN, FIRST, [one])]))
    assert (new.gain.value, new.gain.quality) == (200.0, Quality.UNCERTAIN)
    assert "TK-2 is new" in said(new.gain)
    gone = balance(closed(PLAN, SECOND, later[:1], closes=[closed(PLAN, FIRST, [one, two])]))
    assert (gone.gain.value, gone.gain.quality) == (-200.0, Quality.UNCERTAIN)
    assert "TK-2 is no tank of the site any more" in said(gone.gain)


NOT_OF_THE_DAY: list[dict[str, Any]] = [
    # Two tanks that came into the site file since: they had no sheet of the end of that day.
    {"products": {"TK-1": "diesel", "TK-2": "diesel", "TK-8": "diesel", "TK-9": "petrol"}},
    # A tank that has left it, and one that holds something else by now.
    {"products": {"TK-1": "diesel"}},
    {"products": {"TK-1": "petrol", "TK-2": "petrol"}},
    {"products": {}},
]


@pytest.mark.parametrize("site", NOT_OF_THE_DAY)
@pytest.mark.parametrize(
    "other",
    [
        {},
        {"owners": {"TK-1": "somebody", "TK-9": "somebody"}},
        {"closing_age_s": 1.0},
        {"tolerance": BalanceTolerance(0.5, 3.0)},
        {"measures": {"diesel": "mass"}},
        {"zone": "UTC"},
    ],
    ids=lambda other: next(iter(other), "as it was"),
)
def test_what_the_site_file_says_by_now_is_not_of_a_day_that_is_closed(
    site: dict[str, Any], other: dict[str, Any]
) -> None:
    """A gateway that is started on its ledger with other tanks looks again at days that were closed."""
    sheets = [gauging("TK-1", FIRST.end - MINUTE, 500.0), gauging("TK-2", FIRST.end - MINUTE, 200.0)]
    first = closed(PLAN, FIRST, sheets)
    assert (first.quality, balance(first).tanks) == (Quality.GOOD, (2, 2))
    now = plan(**other)
    later = FIRST.end + timedelta(days=3)
    assert close_day(now, FIRST, books_of(sheets, closes=[first], **site), later) is None
    # What does belong to it makes a revision, of the same tanks and as good as before.
    late = amount(1, AmountKind.DISPATCH, 32.0, FIRST.begin + HOUR, entered=later)
    second = closed(now, FIRST, sheets, closes=[first], amounts=[late], **site)
    assert (second.revision, second.quality, balance(second).tanks) == (2, Quality.GOOD, (2, 2))
    assert second.tanks == first.tanks
    assert (second.time_zone, balance(second).measure) == (first.time_zone, "gsv")
    assert second.why.startswith("diesel by GSV: dispatches 32.000 m3, before 0.000 m3")


def test_a_tank_without_a_sheet_stays_without_and_one_with_a_late_sheet_comes_in() -> None:
    one, other = gauging("TK-1", FIRST.end, 500.0), gauging("TK-2", FIRST.end, 200.0)
    first = closed(PLAN, FIRST, [one], products={"TK-1": "diesel", "TK-2": "diesel"})
    assert balance(first).tanks == (1, 2)
    # Gone from the site file, it is left out of that day as before: 1 of 2, not 1 of 1.
    assert close_day(PLAN, FIRST, books_of([one], closes=[first], products={"TK-1": "diesel"}), FIRST.end) is None
    second = closed(PLAN, FIRST, [one, other], closes=[first])
    assert (balance(second).tanks, balance(second).physical.value) == ((2, 2), 700.0)
