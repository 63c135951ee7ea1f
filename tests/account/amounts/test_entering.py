"""Amounts of others: what is taken in, what is refused and why, and that a wrong one is taken back by another."""

from datetime import timedelta
from math import inf, nan
from typing import Any

import pytest

from gateway.account.amount import AMOUNT, AmountKind, AmountSource
from gateway.account.amounts.entering import KnownAmounts, enter_amount, reverse_amount
from gateway.account.commands import AccountRefusedError, EnterAmount, ReverseAmount
from gateway.account.paper import PaperKind
from gateway.account.transfer import TransferKind
from tests.support.account_days import amount, at, gauging, ticket

NOW = at("2026-11-27 12:00")
HOUR = timedelta(hours=1)
RECEIPT = ticket(4, TransferKind.RECEIPT, (gauging("TK-1", NOW - 5 * HOUR, 100.0), gauging("TK-1", NOW - HOUR, 300.0)))
DRAW = ticket(5, TransferKind.WATER_DRAW, (gauging("TK-1", NOW - 5 * HOUR, 100.0), gauging("TK-1", NOW - HOUR, 99.0)))
WRONG = RECEIPT._replace(number=6)
BACK = RECEIPT._replace(number=7, reverses=6)
INSTEAD = RECEIPT._replace(number=8, replaces=6)
FIRST = amount(1, AmountKind.RECEIPT, 199.0, NOW - HOUR, reference="BL 77", ticket=4, source=AmountSource.SHIP)
KNOWN = KnownAmounts(
    (FIRST,),
    (RECEIPT, DRAW, WRONG, BACK, INSTEAD),
    {"diesel": "gsv", "propane": "mass"},
    {"TK-1": "diesel", "B-2": "propane"},
)
GOOD = EnterAmount(
    kind=AmountKind.DISPATCH,
    source=AmountSource.RACK,
    product="diesel",
    value=32.4,
    measure="gsv",
    instant=NOW - HOUR,
    by="accountant",
    reference="R-100",
)


def test_an_amount_has_the_next_number_and_one_paper() -> None:
    outcome = enter_amount(KNOWN, GOOD, NOW)
    (paper,) = outcome.papers
    assert (paper.kind, paper.key, paper.instant) == (PaperKind.AMOUNT, "amount 2", NOW - HOUR)
    kept = AMOUNT.from_plain({name: value for name, value in paper.document.items() if name not in ("schema", "key")})
    assert (kept.number, kept.value, kept.entered, kept.by) == (2, 32.4, NOW, "accountant")
    assert outcome.lines == ("amount 2: dispatch of diesel, 32.400 m3 gsv, by rack, R-100",)


@pytest.mark.parametrize(
    ("changed", "column", "text"),
    [
        ({"value": nan}, "amount", "nan is no amount"),
        ({"value": inf}, "amount", "inf is no amount"),
        ({"value": 0.0}, "amount", "0 m3 is not above zero"),
        ({"value": -3.0}, "amount", "-3 m3 is not above zero"),
        ({"kind": AmountKind.ADJUSTMENT, "value": 0.0, "why": "count"}, "amount", "an adjustment of nothing"),
        ({"kind": AmountKind.ADJUSTMENT, "value": -1.0}, "why", "an adjustment needs a reason"),
        ({"value": 1.1e7}, "amount", "no site moves so much at once"),
        ({"kind": AmountKind.ADJUSTMENT, "value": -1e99, "why": "count"}, "amount", "no site moves so much at once"),
        ({"reference": "BL\x1b[31m 1"}, "reference", "it is no text of at most 500 characters"),
        ({"owner": "R" * 501}, "owner", "it is no text of at most 500 characters"),
        ({"why": "left\u202eright"}, "why", "it is no text of at most 500 characters"),
        ({"product": "water"}, "product", "there is no product water"),
        ({"measure": "litres"}, "measure", "litres is no measure"),
        ({"measure": "mass"}, "measure", "the book of diesel is kept by gsv, not by mass"),
        ({"product": "propane"}, "measure", "the book of propane is kept by mass, not by gsv"),
        ({"instant": NOW + timedelta(seconds=61)}, "at", "is still to come"),
        ({"instant": at("1600-01-01 00:00")}, "at", "is not of this age"),
        ({"tank": "TK-9"}, "tank", "there is no tank TK-9"),
        ({"ticket": 9}, "ticket", "there is no ticket 9"),
        ({"ticket": 7}, "ticket", "ticket 7 takes ticket 6 back"),
        ({"ticket": 6}, "ticket", "ticket 6 was taken back"),
        ({"ticket": 4, "kind": AmountKind.RECEIPT}, "ticket", "amount 1 is the document of ticket 4 already"),
        ({"ticket": 8}, "ticket", "ticket 8 is of a receipt of diesel, not of a dispatch of diesel"),
        ({"ticket": 5}, "ticket", "ticket 5 is of a water draw of diesel"),
        (
            {"source": AmountSource.SHIP, "reference": "BL 77", "kind": AmountKind.RECEIPT},
            "reference",
            "ship BL 77 of diesel is amount 1 already",
        ),
    ],
)
def test_what_is_refused_and_why(changed: dict[str, Any], column: str, text: str) -> None:
    with pytest.raises(AccountRefusedError) as refused:
        enter_amount(KNOWN, GOOD._replace(**changed), NOW)
    assert text in str(refused.value)
    assert refused.value.hint
    assert getattr(refused.value, "column", None) == column


@pytest.mark.parametrize(
    "changed",
    [
        {"instant": NOW + timedelta(seconds=60)},
        {"kind": AmountKind.ADJUSTMENT, "value": -1.0, "why": "count of 27 November"},
        {"ticket": 8, "kind": AmountKind.RECEIPT},
        {"source": AmountSource.ROAD, "reference": "BL 77"},
        {"source": AmountSource.SHIP, "reference": "BL 78"},
        {"reference": "", "tank": "TK-1"},
        {"product": "propane", "measure": "mass"},
    ],
)
def test_what_stands_just_beside_that_is_taken_in(changed: dict[str, Any]) -> None:
    assert len(enter_amount(KNOWN, GOOD._replace(**changed), NOW).papers) == 1


def test_two_without_a_reference_are_two() -> None:
    known = KNOWN._replace(amounts=(FIRST, amount(2, AmountKind.DISPATCH, 32.4, NOW - HOUR, source=AmountSource.RACK)))
    assert enter_amount(known, GOOD._replace(reference=""), NOW).papers[0].key == "amount 3"


def test_one_is_taken_back_by_another_and_may_then_be_entered_again() -> None:
    outcome = reverse_amount(KNOWN, ReverseAmount(1, "accountant", "wrong ship"), NOW)
    (paper,) = outcome.papers
    back = AMOUNT.from_plain({name: value for name, value in paper.document.items() if name not in ("schema", "key")})
    assert back == FIRST._replace(number=2, entered=NOW, by="accountant", why="wrong ship", reverses=1)
    known = KNOWN._replace(amounts=(FIRST, back))
    again = GOOD._replace(source=AmountSource.SHIP, reference="BL 77", kind=AmountKind.RECEIPT, ticket=4)
    assert enter_amount(known, again, NOW).papers[0].key == "amount 3"


@pytest.mark.parametrize(
    ("number", "why", "text"),
    [
        (9, "wrong", "there is no amount 9"),
        (2, "wrong", "amount 2 takes amount 1 back, and cannot be taken back itself"),
        (1, "wrong", "amount 1 was taken back by amount 2"),
        (3, " ", "to take amount 3 back a reason is needed"),
    ],
)
def test_what_cannot_be_taken_back(number: int, why: str, text: str) -> None:
    back = FIRST._replace(number=2, reverses=1)
    third = amount(3, AmountKind.DISPATCH, 1.0, NOW)
    with pytest.raises(AccountRefusedError, match=text):
        reverse_amount(KNOWN._replace(amounts=(FIRST, back, third)), ReverseAmount(number, "accountant", why), NOW)


UNNAMED = GOOD._replace(kind=AmountKind.RECEIPT, source=AmountSource.SHIP, value=199.0, reference="BL 99")


@pytest.mark.parametrize("reference", ["BL-2041", " bl-2041"])
def test_a_document_of_a_ticket_that_it_does_not_name_would_count_twice(reference: str) -> None:
    """The ticket of a receipt of 200 m3 stands; its document of 199 m3 beside it would make 399."""
    shipped = RECEIPT._replace(number=9, reference="BL-2041")
    known = KNOWN._replace(tickets=(*KNOWN.tickets, shipped))
    with pytest.raises(AccountRefusedError, match="ticket 9 is of BL-2041 too") as caught:
        enter_amount(known, UNNAMED._replace(reference=reference), NOW)
    assert "give ticket 9 with it" in caught.value.hint
    assert enter_amount(known, UNNAMED._replace(reference=reference, ticket=9), NOW).papers
    other = UNNAMED._replace(reference=reference, kind=AmountKind.DISPATCH)
    assert enter_amount(known, other, NOW).papers, "a receipt is no dispatch"
    back = shipped._replace(number=10, reverses=9)
    taken = known._replace(tickets=(*known.tickets, back))
    assert enter_amount(taken, UNNAMED._replace(reference=reference), NOW).papers, "what was taken back counts no more"


def test_a_document_of_a_ticket_that_has_one_already_says_which() -> None:
    known = KNOWN._replace(tickets=(RECEIPT._replace(reference="BL 99"),))
    with pytest.raises(AccountRefusedError) as caught:
        enter_amount(known, UNNAMED, NOW)
    assert caught.value.hint == "amount 1 is its document already: take that one back first if it was wrong"


def test_whoever_enters_beside_a_ticket_is_told_so() -> None:
    """Ticket 8 stands in the place of 6 and has no document; 4 has one, and 5 is a water draw."""
    (note,) = enter_amount(KNOWN, UNNAMED, NOW).notes
    assert note.startswith("amount 2 counts beside ticket 8 (200.0 m3 GSV")
    assert "enter it again with that ticket" in note
    assert enter_amount(KNOWN, UNNAMED._replace(instant=NOW - 30 * HOUR), NOW).notes == (), "of another day"
    assert enter_amount(KNOWN, GOOD, NOW).notes == (), "a dispatch"
