"""Which days are closed by themselves, again after late data, and by a person."""

from datetime import timedelta

import pytest

from gateway.account.amount import AmountKind
from gateway.account.commands import AccountRefusedError, CloseDay
from gateway.account.days.boundary import day_named
from gateway.account.days.due import (
    AT_ONCE,
    ask_for_close,
    day_asked,
    days_due,
    days_touched,
    spans_of_amount,
    spans_of_ticket,
)
from gateway.account.ticket import Ticket
from gateway.account.transfer import TransferKind
from tests.support.account_days import amount, at, books_of, closed, gauging, plan, ticket

PLAN = plan()
MINUTE = timedelta(minutes=1)


def names(*given: str) -> list[str]:
    return list(given)


@pytest.mark.parametrize(
    ("now", "last", "expected"),
    [
        ("2026-11-27 06:09", "2026-11-25", []),
        ("2026-11-27 06:10", "2026-11-25", ["2026-11-26"]),
        ("2026-11-27 06:10", "2026-11-26", []),
        ("2026-11-30 12:00", "2026-11-26", ["2026-11-27", "2026-11-28", "2026-11-29"]),
        ("2026-11-30 12:00", None, ["2026-11-29"]),
        ("2026-11-30 12:00", "2026-12-05", []),
    ],
)
def test_days_that_are_due(now: str, last: str | None, expected: list[str]) -> None:
    found = days_due(PLAN, at(now), last, at("2026-11-01 00:00"))
    assert [day.name for day in found] == expected


def test_a_site_without_a_sheet_by_then_has_nothing_to_close() -> None:
    assert days_due(PLAN, at("2026-11-27 07:00"), None, None) == []
    assert days_due(PLAN, at("2026-11-27 07:00"), None, at("2026-11-27 06:30")) == []
    assert [day.name for day in days_due(PLAN, at("2026-11-27 07:00"), None, at("2026-11-27 06:00"))] == ["2026-11-26"]


def test_a_year_without_the_gateway_is_closed_in_parts() -> None:
    found = days_due(PLAN, at("2026-11-27 12:00"), "2025-11-26", at("2025-01-01 00:00"))
    assert (len(found), found[0].name) == (AT_ONCE, "2025-11-27")


CLOSED = ["2026-10-30", "2026-10-31", *(f"2026-11-{day:02}" for day in range(1, 11))]


@pytest.mark.parametrize(
    ("begin", "end", "expected"),
    [
        # Its own day, the ones beside it, and the latest of the month.
        ("2026-11-05 09:00", "2026-11-05 09:00", ["2026-11-04", "2026-11-05", "2026-11-06", "2026-11-10"]),
        # The last of a month: the latest of both months.
        ("2026-10-31 09:00", "2026-10-31 09:00", ["2026-10-30", "2026-10-31", "2026-11-01", "2026-11-10"]),
        ("2026-10-30 09:00", "2026-10-30 09:00", ["2026-10-30", "2026-10-31"]),
        # A ticket over a boundary.
        (
            "2026-11-05 22:00",
            "2026-11-06 08:00",
            ["2026-11-04", "2026-11-05", "2026-11-06", "2026-11-07", "2026-11-10"],
        ),
        # A sheet at the very end of a day is that of its close.
        ("2026-11-05 06:00", "2026-11-05 06:00", ["2026-11-04", "2026-11-05", "2026-11-06", "2026-11-10"]),
        # Of today, and of long ago: nothing is closed there.
        ("2026-11-12 09:00", "2026-11-12 09:00", []),
        ("2025-11-12 09:00", "2025-11-12 09:00", []),
    ],
)
def test_closed_days_that_late_data_touches(begin: str, end: str, expected: list[str]) -> None:
    assert [day.name for day in days_touched(PLAN, at(begin), at(end), CLOSED)] == expected


def test_what_an_amount_or_a_ticket_that_is_late_may_change() -> None:
    def filled(number: int, hour: int, **changed: int) -> Ticket:
        pair = gauging("TK-1", at(f"2026-11-05 {hour:02}:00"), 1.0), gauging("TK-1", at("2026-11-06 09:00"), 9.0)
        return ticket(number, TransferKind.RECEIPT, pair, **changed)

    tickets = [filled(1, 20), filled(2, 20, reverses=1), filled(3, 21, replaces=1)]
    late = amount(1, AmountKind.RECEIPT, 8.0, at("2026-11-09 12:00"), ticket=1)
    own = late.instant, late.instant
    first = at("2026-11-05 20:00"), at("2026-11-06 09:00")
    third = at("2026-11-05 21:00"), at("2026-11-06 09:00")
    assert spans_of_amount(late, tickets) == [own, first, third]
    assert spans_of_amount(late._replace(ticket=None), tickets) == [own]
    assert spans_of_ticket(tickets[1], [late]) == [first, own]
    assert spans_of_ticket(tickets[2], []) == [third]


def test_a_person_closes_the_last_day_or_one_that_is_named() -> None:
    now = at("2026-11-27 06:01")
    assert day_asked(PLAN, CloseDay(None, "accountant"), now).name == "2026-11-26"
    assert day_asked(PLAN, CloseDay("2026-11-20", "accountant"), now).name == "2026-11-20"
    with pytest.raises(AccountRefusedError, match="2026-11-27 has not ended; it ends at 2026-11-28 06:00 UTC"):
        day_asked(PLAN, CloseDay("2026-11-27", "accountant"), now)


def test_closing_again_is_refused_where_nothing_differs() -> None:
    day = day_named(PLAN, "2026-11-26")
    sheets = [gauging("TK-1", day.end, 500.0), gauging("TK-2", day.end - 20 * MINUTE, 1.0)]
    command = CloseDay("2026-11-26", "accountant", "the ship's figures are in")
    outcome = ask_for_close(PLAN, command, books_of(sheets), day.end)
    assert outcome.lines == ("2026-11-26 closed as revision 1: 1 of 2 tanks, estimated",)
    assert outcome.papers[0].document["by"] == "accountant"
    first = closed(PLAN, day, sheets)
    with pytest.raises(AccountRefusedError, match="2026-11-26 is closed as revision 1, and nothing differs from it"):
        ask_for_close(PLAN, command, books_of(sheets, closes=[first]), day.end)
    late = amount(1, AmountKind.RECEIPT, 1.0, day.begin)
    again = ask_for_close(PLAN, command, books_of(sheets, closes=[first], amounts=[late]), day.end)
    assert again.papers[0].key == "day 2026-11-26 2"
    assert again.papers[0].document["why"].startswith("the ship's figures are in; diesel by GSV: receipts")
