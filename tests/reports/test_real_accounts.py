"""Reports over what the accounts themselves make: days closed, tickets, amounts, without a record made by hand here."""

from datetime import timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.account.amount import AmountKind
from gateway.account.day import DAY, DayClose
from gateway.account.days.boundary import day_after, day_named
from gateway.account.ticket import TICKET
from gateway.account.transfer import TransferKind
from gateway.reports.report import Row
from gateway.reports.tables.reconciliation import day_report, month_report
from gateway.reports.tables.stock import stock_of_day
from gateway.reports.tables.ticket_list import ticket_list
from gateway.reports.tables.ticket_page import ticket_report
from tests.reports.every import as_bytes
from tests.reports.kept import LONDON, PLAN
from tests.support.account_days import amount, closed, gauging, plan, ticket

ACCOUNT = plan()
FIRST = day_named(ACCOUNT, "2026-10-23")
HOUR = timedelta(hours=1)


def number(row: Row, key: str) -> Decimal:
    cell = row.cells[key]
    assert isinstance(cell, Decimal), (key, cell)
    return cell


def month_of(moves: list[tuple[float, float, float]]) -> list[DayClose]:
    """From a tank with 500 m3: (m3 received, of own use, that nobody can explain) for each day after the first."""
    held, day = 500.0, FIRST
    closes = [closed(ACCOUNT, day, [gauging("TK-1", day.end, held)])]
    tickets, amounts = [], []
    for count, (received, used, lost) in enumerate(moves, start=1):
        day = day_after(ACCOUNT, day)
        sheets = [gauging("TK-1", day.begin + HOUR, held), gauging("TK-1", day.begin + 2 * HOUR, held + received)]
        tickets.append(ticket(count, TransferKind.RECEIPT, (sheets[0], sheets[1])))
        amounts.append(amount(count, AmountKind.OWN_USE, used, day.begin + 3 * HOUR, reference=f"M-{count}"))
        held += received - used - lost
        end = gauging("TK-1", day.end, held)
        closes.append(closed(ACCOUNT, day, [*sheets, end], tickets=tickets, amounts=amounts, closes=closes))
    return closes


@settings(max_examples=25)
@given(st.lists(st.tuples(st.floats(0.0, 40.0), st.floats(0.0, 10.0), st.floats(-1.0, 1.0)), min_size=1, max_size=5))
def test_days_add_up_and_each_opens_where_the_last_closed(moves: list[tuple[float, float, float]]) -> None:
    closes = month_of(moves)
    report = month_report("site", "2026-10", closes, LONDON, PLAN)
    (table,) = (each for each in report.tables if each.title == "Days, volumes")
    rows = table.rows[1:]
    assert len(rows) == len(moves)
    for before, row in zip(table.rows, rows, strict=False):
        assert number(row, "opening") == number(before, "physical")
        book = number(row, "opening") + number(row, "receipts") - number(row, "dispatches") - number(row, "own_use")
        assert number(row, "book") == book + number(row, "adjustments")
        assert number(row, "gain") == number(row, "physical") - number(row, "book")
    total = table.groups[0].total
    assert total is not None
    # What is gained over all days is what is there at the end and was not there by the book.
    moved = sum(number(row, "receipts") - number(row, "own_use") for row in rows)
    assert total.cells["gain"].value == number(rows[-1], "physical") - number(table.rows[0], "physical") - moved
    # The first day has no close to open from: it has no gain, and is counted.
    assert total.cells["gain"].words.startswith(f"{len(moves)} of {len(moves) + 1}")


def test_the_day_of_twenty_five_hours_by_hand() -> None:
    # The clocks of London go back on 2026-10-25; the day that begins on the 24th at 06:00 has 25 hours.
    close = month_of([(30.0, 2.0, 0.5)])[-1]
    report = day_report("site", close, LONDON, PLAN)
    assert report.facts[0].text == "2026-10-24, revision 1, 25 h"
    (row,) = report.tables[0].rows
    # 500 + 30 - 2 = 528; 527.5 is there.
    shown = [str(number(row, key)) for key in ("opening", "receipts", "own_use", "book", "physical", "gain", "percent")]
    assert shown == ["500.0", "30.0", "2.0", "528.0", "527.5", "-0.5", "-25.00"]
    assert [str(number(row, key)) for key in ("documents", "tickets")] == ["1", "1"]
    texts = [fact.text for fact in report.facts]
    assert any("06:00:00 +01:00" in text for text in texts)
    assert any("06:00:00 +00:00" in text for text in texts)


def test_what_was_kept_and_read_back_gives_the_same_bytes() -> None:
    close = month_of([(30.0, 2.0, 0.5)])[-1]
    again = DAY.from_plain(DAY.to_plain(close))
    sheets = gauging("TK-1", FIRST.begin, 500.0), gauging("TK-1", FIRST.begin + HOUR, 470.04)
    one = ticket(1, TransferKind.DISPATCH, sheets)
    other = TICKET.from_plain(TICKET.to_plain(one))
    span = (FIRST.begin, FIRST.end)
    for left, right in (
        (stock_of_day("site", close, LONDON, PLAN), stock_of_day("site", again, LONDON, PLAN)),
        (day_report("site", close, LONDON, PLAN), day_report("site", again, LONDON, PLAN)),
        (ticket_report("site", one, LONDON, PLAN), ticket_report("site", other, LONDON, PLAN)),
        (ticket_list("site", [one], span, LONDON, PLAN), ticket_list("site", [other], span, LONDON, PLAN)),
    ):
        assert as_bytes(left) == as_bytes(right)
