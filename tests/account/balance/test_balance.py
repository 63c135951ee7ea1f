"""Book against physical: documents instead of tickets, cut at boundaries, product changes, months and tolerances."""

from datetime import timedelta

import pytest

from gateway.account.amount import AmountKind
from gateway.account.balance.balance import tolerance_of
from gateway.account.day import DayClose
from gateway.account.days.boundary import day_after, day_named
from gateway.account.plan import BalanceTolerance
from gateway.account.ticket import Ticket
from gateway.account.transfer import TransferKind, TransferPhase
from gateway.records import Quality, Reason, ReasonCode
from tests.support.account_days import amount, at, balance, closed, gauging, plan, said, ticket, transfer

PLAN = plan(boundary=at("2026-11-26 00:00").time())
FIRST = day_named(PLAN, "2026-11-25")
SECOND = day_after(PLAN, FIRST)
THIRD = day_after(PLAN, SECOND)
HOUR = timedelta(hours=1)
BEFORE = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 100.0)])


def over_midnight(kind: TransferKind = TransferKind.RECEIPT) -> Ticket:
    """22:00 to 02:00: 100 to 200 m3, of which 60 before midnight."""
    before, after = gauging("TK-1", SECOND.end - 2 * HOUR, 100.0), gauging("TK-1", SECOND.end + 2 * HOUR, 200.0)
    pair = (before, after) if kind is TransferKind.RECEIPT else (after, before)
    return ticket(1, kind, pair)


def two_days(**books: object) -> tuple[DayClose, DayClose]:
    second = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 160.0)], closes=[BEFORE], **books)
    third = closed(PLAN, THIRD, [gauging("TK-1", THIRD.end, 200.0)], closes=[BEFORE, second], **books)
    return second, third


def test_a_ticket_over_midnight_is_cut_there() -> None:
    second, third = two_days(tickets=[over_midnight()])
    assert (balance(second).receipts.value, balance(third).receipts.value) == (60.0, 40.0)
    assert (balance(second).gain.value, balance(third).gain.value) == (0.0, 0.0)
    assert third.month[0].receipts.value == 100.0
    assert (balance(second).tickets, balance(third).tickets, third.month[0].tickets) == (1, 1, 1)


def test_a_transfer_that_still_runs_at_midnight_is_booked_as_far_as_it_is() -> None:
    opening = over_midnight().sides[0].opening
    running = transfer(1, TransferKind.RECEIPT, TransferPhase.RUNNING, opening)
    second = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 160.0)], transfers=[running], closes=[BEFORE])
    assert (balance(second).receipts.value, balance(second).gain.value) == (60.0, 0.0)
    # With its ticket the day says the same: no revision.
    third = closed(PLAN, THIRD, [gauging("TK-1", THIRD.end, 200.0)], tickets=[over_midnight()], closes=[BEFORE, second])
    assert balance(third).receipts.value == 40.0


def test_a_document_over_midnight_is_cut_in_proportion() -> None:
    document = amount(1, AmountKind.RECEIPT, 101.0, SECOND.end + 3 * HOUR, ticket=1)
    second, third = two_days(tickets=[over_midnight()], amounts=[document])
    assert balance(second).receipts.value == pytest.approx(60.6, rel=1e-15)
    assert balance(third).receipts.value == pytest.approx(40.4, rel=1e-15)
    assert third.month[0].receipts.value == 101.0
    assert (balance(second).documents, balance(second).tickets) == (1, 0)


def test_where_the_boundary_has_no_sheet_the_whole_is_on_the_day_after_it() -> None:
    """A document as well: on one of the two days, and not on both or neither."""
    for amounts, whole in (((), 100.0), ((amount(1, AmountKind.RECEIPT, 101.0, SECOND.end, ticket=1),), 101.0)):
        books = {"tickets": [over_midnight()], "amounts": amounts}
        second = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end - 3 * HOUR, 100.0)], closes=[BEFORE], **books)
        third = closed(PLAN, THIRD, [gauging("TK-1", THIRD.end, 200.0)], closes=[BEFORE, second], **books)
        assert (balance(second).receipts.value, balance(third).receipts.value) == (0.0, whole)
        assert balance(second).gain.value is None
        assert balance(third).gain.value is None
        assert third.month[0].receipts.value == whole
        assert third.month[0].gain.value == 100.0 - whole


def test_a_document_replaces_its_ticket_and_one_without_a_ticket_counts_beside_it() -> None:
    filled = ticket(
        1, TransferKind.RECEIPT, (gauging("TK-1", SECOND.begin, 100.0), gauging("TK-1", SECOND.begin + HOUR, 300.0))
    )
    document = amount(1, AmountKind.RECEIPT, 199.0, SECOND.end + 30 * HOUR, ticket=1)
    beside = amount(2, AmountKind.DISPATCH, 50.0, SECOND.begin)
    next_day = amount(3, AmountKind.DISPATCH, 7.0, SECOND.end)
    close = closed(
        PLAN,
        SECOND,
        [gauging("TK-1", SECOND.end, 250.0)],
        tickets=[filled],
        amounts=[document, beside, next_day],
        closes=[BEFORE],
    )
    found = balance(close)
    # Of the day on which it was moved, whenever its document is of: 100 + 199 - 50 = 249.
    assert (found.receipts.value, found.dispatches.value, found.book.value, found.gain.value) == (
        199.0,
        50.0,
        249.0,
        1.0,
    )
    assert (found.documents, found.tickets) == (2, 0)


def test_what_was_taken_back_counts_as_nothing() -> None:
    opening, closing = gauging("TK-1", SECOND.begin, 100.0), gauging("TK-1", SECOND.begin + HOUR, 300.0)
    wrong = ticket(1, TransferKind.RECEIPT, (opening, closing))
    back = ticket(2, TransferKind.RECEIPT, (opening, closing), reverses=1, transfer=1)
    right = ticket(3, TransferKind.RECEIPT, (opening, closing), replaces=1, transfer=1)
    document = amount(1, AmountKind.RECEIPT, 199.0, SECOND.begin, ticket=1)
    undone = amount(2, AmountKind.RECEIPT, 199.0, SECOND.begin, ticket=1, reverses=1)
    sheets = [gauging("TK-1", SECOND.end, 300.0)]

    def receipts(*tickets: Ticket, amounts: tuple[object, ...] = ()) -> float | None:
        return balance(closed(PLAN, SECOND, sheets, tickets=tickets, amounts=amounts, closes=[BEFORE])).receipts.value

    assert receipts(wrong) == 200.0
    assert receipts(wrong, back) == 0.0
    assert receipts(wrong, back, right) == 200.0
    # The document goes with the ticket that stands in the place of its own.
    assert receipts(wrong, back, right, amounts=(document,)) == 199.0
    assert receipts(wrong, back, right, amounts=(document, undone)) == 200.0
    # Of a ticket that counts no more it counts by itself, and that is said.
    alone = balance(closed(PLAN, SECOND, sheets, tickets=[wrong, back], amounts=[document], closes=[BEFORE]))
    assert (alone.receipts.value, alone.receipts.quality) == (199.0, Quality.UNCERTAIN)
    assert "amount 1 is of ticket 1, which counts no more" in said(alone.receipts)


@pytest.mark.parametrize("kind", [TransferKind.TANK_TO_TANK, TransferKind.CIRCULATION, TransferKind.WATER_DRAW])
def test_what_stays_on_the_site_changes_no_book(kind: TransferKind) -> None:
    moved = ticket(
        1,
        kind,
        (gauging("TK-1", SECOND.begin, 100.0), gauging("TK-1", SECOND.begin + HOUR, 20.0)),
        (gauging("TK-2", SECOND.begin, 0.0), gauging("TK-2", SECOND.begin + HOUR, 80.0)),
    )
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 100.0), gauging("TK-2", FIRST.end, 0.0)])
    sheets = [gauging("TK-1", SECOND.end, 20.0), gauging("TK-2", SECOND.end, 80.0)]
    found = balance(closed(PLAN, SECOND, sheets, tickets=[moved], closes=[before]))
    assert (found.receipts.value, found.dispatches.value, found.gain.value, found.tickets) == (0.0, 0.0, 0.0, 0)


def test_from_tank_to_tank_of_another_product_is_out_of_one_book_and_into_the_other() -> None:
    moved = ticket(
        1,
        TransferKind.TANK_TO_TANK,
        (gauging("TK-1", SECOND.begin, 100.0), gauging("TK-1", SECOND.begin + HOUR, 20.0)),
        (
            gauging("TK-2", SECOND.begin, 10.0, product="slops"),
            gauging("TK-2", SECOND.begin + HOUR, 90.0, product="slops"),
        ),
    )
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 100.0), gauging("TK-2", FIRST.end, 10.0, product="slops")])
    sheets = [gauging("TK-1", SECOND.end, 20.0), gauging("TK-2", SECOND.end, 90.0, product="slops")]
    close = closed(PLAN, SECOND, sheets, tickets=[moved], closes=[before])
    assert (balance(close).dispatches.value, balance(close).gain.value) == (80.0, 0.0)
    assert (balance(close, "slops").receipts.value, balance(close, "slops").gain.value) == (80.0, 0.0)


def test_a_ticket_over_a_product_change() -> None:
    """The change ends the transfer; where a ticket reaches over it all the same, both books say so."""
    moved = ticket(
        1,
        TransferKind.RECEIPT,
        (gauging("TK-1", SECOND.begin, 100.0), gauging("TK-1", SECOND.begin + HOUR, 300.0, product="gasoline")),
    )
    close = closed(
        PLAN, SECOND, [gauging("TK-1", SECOND.end, 300.0, product="gasoline")], tickets=[moved], closes=[BEFORE]
    )
    diesel, gasoline = balance(close), balance(close, "gasoline")
    assert (diesel.receipts.value, diesel.receipts.quality) == (200.0, Quality.UNCERTAIN)
    assert "the product of TK-1 was changed during ticket 1" in said(diesel.receipts)
    # Nothing of it is lost or found by itself: what was in it stands in the difference, as an estimate.
    assert (diesel.physical.value, diesel.gain.value, diesel.gain.quality) == (0.0, -300.0, Quality.UNCERTAIN)
    assert (gasoline.opening.value, gasoline.gain.value, gasoline.gain.quality) == (0.0, 300.0, Quality.UNCERTAIN)
    for each in (diesel, gasoline):
        assert any(reason.code is ReasonCode.PRODUCT_CHANGED for reason in each.gain.reasons)


def test_a_product_change_that_was_booked_leaves_no_difference() -> None:
    adjusted = [
        amount(1, AmountKind.ADJUSTMENT, -100.0, SECOND.begin + HOUR, why="put to gasoline"),
        amount(2, AmountKind.ADJUSTMENT, 100.0, SECOND.begin + HOUR, product="gasoline", why="from diesel"),
    ]
    sheets = [gauging("TK-1", SECOND.end, 100.0, product="gasoline")]
    close = closed(PLAN, SECOND, sheets, amounts=adjusted, closes=[BEFORE])
    assert (balance(close).gain.value, balance(close, "gasoline").gain.value) == (0.0, 0.0)


def test_a_movement_that_nobody_confirmed_stands_apart() -> None:
    opening = gauging("TK-1", SECOND.begin + HOUR, 100.0)
    closing = gauging("TK-1", SECOND.begin + 3 * HOUR, 40.0)
    ended = SECOND.begin + 2 * HOUR
    for proposed in (
        transfer(1, TransferKind.DISPATCH, TransferPhase.PROPOSED, opening, closing, ended=ended),
        transfer(1, TransferKind.DISPATCH, TransferPhase.PROPOSED, opening, ended=ended),
    ):
        second = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 40.0)], transfers=[proposed], closes=[BEFORE])
        found = balance(second)
        assert found.unaccounted is not None
        assert (found.unaccounted.value, found.dispatches.value, found.gain.value) == (-60.0, 0.0, -60.0)
        assert (found.tickets, found.throughput.value) == (0, 0.0)
        # What the tank does later is not of it.
        third = closed(PLAN, THIRD, [gauging("TK-1", THIRD.end, 500.0)], transfers=[proposed], closes=[BEFORE, second])
        assert balance(third).unaccounted is None
        assert third.month[0].unaccounted is not None
        assert third.month[0].unaccounted.value == -60.0


def test_one_that_is_planned_or_cancelled_moves_nothing() -> None:
    opening = gauging("TK-1", SECOND.begin + HOUR, 100.0)
    for phase in (TransferPhase.PLANNED, TransferPhase.CANCELLED, TransferPhase.CLOSED):
        given = transfer(1, TransferKind.RECEIPT, phase, opening)
        found = balance(closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 150.0)], transfers=[given], closes=[BEFORE]))
        assert (found.receipts.value, found.unaccounted, found.gain.value) == (0.0, None, 50.0)


def test_a_lost_figure_leaves_no_book_rather_than_a_wrong_one() -> None:
    without = gauging("TK-1", SECOND.begin + HOUR, 300.0, without=("gsv",))
    filled = ticket(1, TransferKind.RECEIPT, (gauging("TK-1", SECOND.begin, 100.0), without))
    found = balance(closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 300.0)], tickets=[filled], closes=[BEFORE]))
    for figure in (found.receipts, found.book, found.gain):
        assert (figure.value, figure.quality) == (None, Quality.BAD)
    by_mass = amount(1, AmountKind.DISPATCH, 8000.0, SECOND.begin, measure="mass")
    found = balance(closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 90.0)], amounts=[by_mass], closes=[BEFORE]))
    assert found.book.value is None
    assert "amount 1 is by mass, the book of diesel by gsv" in said(found.book)


def test_an_estimate_stays_one_in_everything_that_rests_on_it() -> None:
    sheets = [gauging("TK-1", SECOND.end, 100.0, quality=Quality.UNCERTAIN)]
    found = balance(closed(PLAN, SECOND, sheets, closes=[BEFORE]))
    assert (found.physical.quality, found.gain.quality, found.tanks) == (Quality.UNCERTAIN, Quality.UNCERTAIN, (1, 1))
    assert "TK-1: one element has failed" in said(found.physical)


def test_what_rests_on_an_uncertain_ticket_is_an_estimate_though_its_sheets_are_good() -> None:
    """A ticket that somebody closed in spite of a doubt, or over a gap that nothing bears out."""
    made = over_midnight()
    gap = Reason(ReasonCode.UNWATCHED, "nobody saw TK-1 for a while")
    moved = {
        name: figure if figure.value is None else figure._replace(quality=Quality.UNCERTAIN, reasons=(gap,))
        for name, figure in made.sides[0].moved.items()
    }
    doubted = made._replace(sides=(made.sides[0]._replace(moved=moved),), moved=moved, quality=Quality.UNCERTAIN)
    second, third = two_days(tickets=[doubted])
    for close, value in ((second, 60.0), (third, 40.0)):
        found = balance(close)
        for figure in (found.receipts, found.book, found.gain, close.month[0].receipts):
            assert figure.quality is Quality.UNCERTAIN
        assert found.receipts.value == value
        assert "ticket 1: nobody saw TK-1 for a while" in said(found.receipts)


def test_a_gain_over_a_change_of_the_table_is_an_estimate() -> None:
    """The level stays, another table says 110 m3 of it: 10 m3 that nobody gained."""
    another = gauging("TK-1", SECOND.end, 110.0, level=1.0)._replace(basis="another table")
    found = balance(closed(PLAN, SECOND, [another], closes=[BEFORE]))
    assert (found.gain.value, found.gain.quality, found.physical.quality) == (10.0, Quality.UNCERTAIN, Quality.GOOD)
    assert {reason.code for reason in found.gain.reasons} == {ReasonCode.BASIS_CHANGED}
    assert "TK-1 is reckoned in another way" in said(found.gain)
    same = balance(closed(PLAN, SECOND, [another._replace(basis="")], closes=[BEFORE]))
    assert same.gain.quality is Quality.GOOD


def test_what_moves_while_the_tank_comes_to_be_reckoned_in_another_way_is_an_estimate() -> None:
    """A reload that changes its table in the middle of a transfer."""
    opening = over_midnight().sides[0].opening
    running = transfer(1, TransferKind.RECEIPT, TransferPhase.RUNNING, opening)
    another = gauging("TK-1", SECOND.end, 160.0)._replace(plan="p2")
    found = balance(closed(PLAN, SECOND, [another], transfers=[running], closes=[BEFORE]))
    assert (found.receipts.value, found.receipts.quality) == (60.0, Quality.UNCERTAIN)
    assert "table, product or instruments of the tank changed in the site file" in said(found.receipts)


@pytest.mark.parametrize(
    ("given", "without", "expected"),
    [({}, (), "gsv"), ({"diesel": "nsv"}, (), "nsv"), ({}, ("gsv", "nsv"), "mass")],
)
def test_on_which_measure_the_book_is_kept(given: dict[str, str], without: tuple[str, ...], expected: str) -> None:
    site = plan(boundary=PLAN.boundary, measures=given)
    found = balance(closed(site, FIRST, [gauging("TK-1", FIRST.end, 100.0, without=without)]))
    assert (found.measure, found.physical.value) == (expected, 80_000.0 if expected == "mass" else 100.0)
    with_vapour = gauging("B-2", FIRST.end, 100.0, without=("gsv", "nsv"), total_mass=80_100.0)
    assert balance(closed(site, FIRST, [with_vapour])).measure == ("nsv" if given else "total_mass")


def test_a_month_counts_from_the_close_before_it() -> None:
    last = day_named(PLAN, "2026-10-31")
    opening = closed(PLAN, last, [gauging("TK-1", last.end, 1000.0)])
    closes, volume = [opening], 1000.0
    for number in range(1, 31):
        day = day_named(PLAN, f"2026-11-{number:02}")
        volume -= 10.0 if number != 7 else 12.0
        sold = amount(number, AmountKind.DISPATCH, 10.0, day.begin + HOUR)
        amounts = [
            sold,
            *(
                amount(one, AmountKind.DISPATCH, 10.0, day_named(PLAN, f"2026-11-{one:02}").begin + HOUR)
                for one in range(1, number)
            ),
        ]
        closes.append(closed(PLAN, day, [gauging("TK-1", day.end, volume)], amounts=amounts, closes=closes))
    month = closes[-1].month[0]
    assert (month.opening.value, month.dispatches.value, month.book.value) == (1000.0, 300.0, 700.0)
    assert (month.gain.value, month.throughput.value, month.documents) == (-2.0, 300.0, 30)
    assert month.gain.value == sum(balance(close).gain.value or 0.0 for close in closes[1:])
    # 1 % of 300 m3 and 130 US gallons of 3.785411784 L.
    assert month.tolerance == pytest.approx(3.0 + 0.49210353192, rel=1e-12)
    assert all(each.tolerance is None for close in closes for each in close.balances), "never of a day"


def test_the_first_month_counts_from_its_first_close() -> None:
    second = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 90.0)], closes=[BEFORE])
    assert BEFORE.month[0].gain.value is None
    assert (second.month[0].opening.value, second.month[0].gain.value) == (100.0, -10.0)
    assert "it counts from 2026-11-26 00:00 UTC" in said(second.month[0].opening)


GALLON_M3 = 0.003785411784
"""US gallon: 231 cubic inches (NIST SP 811, appendix B.8)."""


@pytest.mark.outside("40 CFR 280.43(a)")
@pytest.mark.parametrize(("throughput_gal", "expected_gal"), [(10_000.0, 230.0), (0.0, 130.0), (8_200.0, 212.0)])
def test_the_tolerance_of_40_cfr_280_43(throughput_gal: float, expected_gal: float) -> None:
    """1.0 % of the flow-through of the month plus 130 gallons, as 40 CFR 280.43(a) has it and WAC 173-360A-0620(1)(a)
    repeats it; by hand."""
    sold = amount(1, AmountKind.DISPATCH, max(throughput_gal * GALLON_M3, 1e-300), SECOND.begin)
    month = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 90.0)], amounts=[sold], closes=[BEFORE]).month[0]
    assert month.tolerance is not None
    assert month.tolerance / GALLON_M3 == pytest.approx(expected_gal, rel=1e-12)


def test_the_tolerance_of_a_mass() -> None:
    before = closed(PLAN, FIRST, [gauging("TK-1", FIRST.end, 100.0, without=("gsv",))])
    found = closed(PLAN, SECOND, [gauging("TK-1", SECOND.end, 100.0, without=("gsv",))], closes=[before]).month[0]
    # 130 US gallons of 800 kg/m3.
    assert found.tolerance == pytest.approx(0.49210353192 * 800.0, rel=1e-12)
    assert tolerance_of(BalanceTolerance(), found, None) is None
