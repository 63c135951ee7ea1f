"""Each movement once: cut at any boundaries its parts add up to the whole, whatever sheets there are of them."""

from datetime import timedelta
from math import fsum

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.amount import Amount, AmountKind
from gateway.account.balance.movements import Span, document_of, moved_within
from gateway.account.gauging import Gauging
from gateway.account.ticket import Ticket
from gateway.account.transfer import TransferKind, TransferPhase
from tests.support.account_days import amount, at, bad_gauging, gauging, ticket, transfer

BEGIN = at("2026-11-20 00:00")
HOUR = timedelta(hours=1)
MEASURES = {"diesel": "gsv"}
ENDS = tuple(BEGIN + 24 * HOUR * number for number in range(6))


def spans(sheets: dict[int, Gauging]) -> list[Span]:
    """Five days, with the sheets that there are at their ends, by number of the boundary."""
    found = []
    for number in range(1, 6):
        boundaries = tuple((ENDS[each], {"TK-1": sheets[each]} if each in sheets else {}) for each in range(number + 1))
        found.append(Span(ENDS[number - 1], ENDS[number], boundaries))
    return found


@given(
    began=st.floats(0.0, 119.0),
    lasts=st.floats(0.0, 60.0),
    known=st.sets(st.integers(0, 5)),
    lost=st.sets(st.integers(0, 5)),
    with_document=st.booleans(),
)
def test_the_parts_add_up_to_the_whole(
    began: float, lasts: float, known: set[int], lost: set[int], with_document: bool
) -> None:
    opening = gauging("TK-1", BEGIN + began * HOUR, 100.0)
    closing = gauging("TK-1", min(BEGIN + (began + lasts) * HOUR, ENDS[-1]), 100.0 + 7.0 * lasts)
    made = ticket(1, TransferKind.RECEIPT, (opening, closing))
    sheets = {
        number: bad_gauging("TK-1", ENDS[number]) if number in lost else gauging("TK-1", ENDS[number], 100.0 + number)
        for number in known
    }
    documents = [amount(1, AmountKind.RECEIPT, 50.0, BEGIN, ticket=1)] if with_document else []
    parts = [
        each.figure.value for span in spans(sheets) for each in moved_within(span, MEASURES, [made], documents, ())
    ]
    assert None not in parts
    whole = 50.0 if with_document else 7.0 * lasts
    assert fsum(part for part in parts if part is not None) == pytest.approx(whole, abs=1e-9)
    whole_span = Span(ENDS[0], ENDS[-1], spans(sheets)[-1].boundaries)
    (at_once,) = moved_within(whole_span, MEASURES, [made], documents, ())
    assert at_once.figure.value == pytest.approx(whole, abs=1e-9)


OPENING, CLOSING = gauging("TK-1", BEGIN + HOUR, 100.0), gauging("TK-1", BEGIN + 3 * HOUR, 300.0)
WHOLE = Span(ENDS[0], ENDS[1], ())


def numbers(
    tickets: list[Ticket], amounts: list[Amount] | None = None, **phases: TransferPhase
) -> list[tuple[str, float]]:
    transfers = [transfer(1, TransferKind.RECEIPT, phase, OPENING, CLOSING) for phase in phases.values()]
    found = moved_within(WHOLE, MEASURES, tickets, amounts or [], transfers)
    return [(each.source, each.figure.value or 0.0) for each in found]


def test_a_transfer_that_has_a_ticket_counts_by_that_alone() -> None:
    made = ticket(1, TransferKind.RECEIPT, (OPENING, CLOSING))
    back = made._replace(number=2, reverses=1)
    assert numbers([], now=TransferPhase.SETTLING) == [("transfer 1", 200.0)]
    # Kept before its phase was: it is counted once all the same, and not again when the ticket is taken back.
    assert numbers([made], now=TransferPhase.SETTLING) == [("ticket 1", 200.0)]
    assert numbers([made, back], now=TransferPhase.SETTLING) == []


def test_a_document_is_of_a_ticket_of_its_kind_and_product() -> None:
    sent = ticket(1, TransferKind.DISPATCH, (CLOSING, OPENING._replace(instant=CLOSING.instant + HOUR)))
    burnt = amount(1, AmountKind.OWN_USE, 199.0, BEGIN, ticket=1)
    assert document_of([burnt], [sent]) == {1: burnt}
    assert numbers([sent], [burnt]) == [("amount 1", 199.0)]
    # In the place of the ticket stands one of another kind: both are told, each as what it is.
    back = sent._replace(number=2, reverses=1)
    circulated = sent._replace(number=3, replaces=1, kind=TransferKind.CIRCULATION)
    assert document_of([burnt], [sent, back, circulated]) == {}
    assert numbers([sent, back, circulated], [burnt]) == [("amount 1", 199.0)]
    received = sent._replace(number=3, replaces=1, kind=TransferKind.RECEIPT)
    assert numbers([sent, back, received], [burnt]) == [("ticket 3", -200.0), ("amount 1", 199.0)]


def test_a_document_of_a_ticket_of_another_month_is_counted_there_alone() -> None:
    made = ticket(1, TransferKind.RECEIPT, (OPENING, CLOSING))
    later = amount(1, AmountKind.RECEIPT, 199.0, ENDS[1] + HOUR, ticket=1)
    assert numbers([made], [later]) == [("amount 1", 199.0)]
    assert moved_within(Span(ENDS[1], ENDS[2], ()), MEASURES, [], [later], ()) == []
    assert moved_within(Span(ENDS[1], ENDS[2], ()), MEASURES, [made], [later], ()) == []


def test_a_ticket_that_two_documents_name_has_the_first_of_them() -> None:
    """It is refused when it is entered; where it stands all the same, each of them is counted once."""
    made = ticket(1, TransferKind.RECEIPT, (OPENING, CLOSING))
    first = amount(1, AmountKind.RECEIPT, 199.0, BEGIN, ticket=1)
    second = amount(2, AmountKind.RECEIPT, 5.0, BEGIN, ticket=1)
    assert sorted(numbers([made], [second, first])) == [("amount 1", 199.0), ("amount 2", 5.0)]


def test_what_closes_at_the_boundary_is_of_the_day_that_ends_there() -> None:
    closing = gauging("TK-1", ENDS[1], 300.0)
    made = ticket(1, TransferKind.RECEIPT, (OPENING, closing))
    first, second = (moved_within(span, MEASURES, [made], [], ()) for span in spans({1: closing})[:2])
    assert [each.figure.value for each in first] == [200.0]
    assert second == []
