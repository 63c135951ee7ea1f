"""Sums of the accounts in the browser against those of the reports in Python: the same digits, and rows that add up.

Both read the same documents; the one is written in JavaScript on texts, the other in Python on decimals.
"""

import random
from decimal import Decimal
from fractions import Fraction
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.account.day import Balance
from gateway.account.gauging import MEASURES
from gateway.account.ticket import TicketLink, taken_back_words
from gateway.account.transfer import TransferKind
from gateway.payload.outside import outside
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.reports.plan import ReportPlan
from gateway.reports.tables.balance_rows import shown_of
from gateway.reports.tables.ticket_amounts import amount_shown, side_shown
from tests.page.reading import Page
from tests.support.account_days import at, gauging, ticket

NAMES = ("opening", "receipts", "dispatches", "own_use", "adjustments", "book", "physical", "gain", "throughput")
SHOWN = (*NAMES, "unaccounted", "uncertainty", "gain_percent")
UNKNOWN = Figure(None, Quality.BAD, (Reason(ReasonCode.NO_ANSWER, "the gauge did not answer"),), 0.0)
METRIC = ReportPlan()
_BALANCES = """
const { change } = await import("/page/code/taste.js");
const { shownBalance, withinTolerance } = await import("/page/code/parts/balance_sums.js");
change({ units: "metric", numbers: "en-US" });
return arguments[0].map((each) => ({ ...shownBalance(each), within: withinTolerance(each) }));
"""
_TICKETS = """
const { change } = await import("/page/code/taste.js");
const { sideShown, ticketShown } = await import("/page/code/parts/ticket_amounts.js");
change({ units: "metric", numbers: "en-US" });
const told = (each, name) => [ticketShown(each, name), each.sides.map((side) => sideShown(side, name))];
return arguments[0].map((each) => arguments[1].map((name) => told(each, name)));
"""
_BACK = """
const { takenBack } = await import("/page/code/parts/ticket_amounts.js");
return arguments[0].map((each) => takenBack(each.number, arguments[0]));
"""
_ADDED = """
const { added } = await import("/page/code/parts/exact.js");
return arguments[0].map(added);
"""

amounts = st.floats(0.0, 1e5) | st.sampled_from([0.0, 0.05, 0.5, 999.95, 999.949, 1000.0, 2.5, 0.25])

parts = st.tuples(st.decimals(-(10**9), 10**9, places=3), st.sampled_from([1, -1]))


@st.composite
def balances(draw: st.DrawFn) -> Balance:
    """Of any figures; now and then one is not known, and then no sum of it is."""
    values = {name: draw(amounts) for name in NAMES}
    figures = {name: Figure(value, Quality.GOOD, (), 0.0) for name, value in values.items()}
    for name in draw(st.sets(st.sampled_from(NAMES), max_size=2)):
        figures[name] = UNKNOWN
    if "gain" in figures and figures["gain"].value is not None:
        figures["gain"] = Figure(draw(st.floats(-500.0, 500.0)), Quality.UNCERTAIN, (), 0.0)
    return Balance(
        product="diesel",
        measure=draw(st.sampled_from(["gsv", "mass"])),
        opening=figures["opening"],
        receipts=figures["receipts"],
        dispatches=figures["dispatches"],
        own_use=figures["own_use"],
        adjustments=figures["adjustments"],
        book=figures["book"],
        physical=figures["physical"],
        gain=figures["gain"],
        throughput=figures["throughput"],
        uncertainty=draw(st.none() | st.floats(0.0, 50.0)),
        tanks=(1, 2),
        unaccounted=draw(st.none() | st.just(Figure(12.34, Quality.GOOD, (), 0.0))),
        tolerance=draw(st.none() | st.floats(0.0, 500.0)),
    )


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(given_=st.lists(balances(), min_size=1, max_size=20))
def test_a_balance_has_the_digits_of_its_report_and_adds_up(modules: Page, given_: list[Balance]) -> None:
    told = modules.promise(_BALANCES, [outside(each) for each in given_])
    for balance, shown in zip(given_, told, strict=True):
        report = shown_of(balance, METRIC)
        for name in SHOWN:
            wanted, text = getattr(report, name), shown["percent" if name == "gain_percent" else name]
            assert (text is None) == (wanted is None), (name, shown, report)
            if text is not None:
                assert Decimal(text) == wanted, (name, shown, report)
        if shown["book"] is not None:
            parts = [Decimal(shown[name]) for name in NAMES[:5]]
            assert Decimal(shown["book"]) == parts[0] + parts[1] - parts[2] - parts[3] + parts[4]
        gain, tolerance = balance.gain.value, balance.tolerance
        is_known = gain is not None and tolerance is not None
        assert shown["within"] == ("unknown" if not is_known else "yes" if abs(gain) <= tolerance else "no")  # type: ignore[arg-type,operator]


def _tickets(seed: int, count: int) -> list[Any]:
    """Of random levels of random tanks, some of which went the other way than is said."""
    seeded = random.Random(seed)
    found = []
    for number in range(1, count + 1):
        pairs = [
            (
                gauging(tank, at("2026-03-14 06:00"), seeded.uniform(0.0, 3000.0), density=seeded.uniform(500, 1100)),
                gauging(tank, at("2026-03-14 09:00"), seeded.uniform(0.0, 3000.0), density=seeded.uniform(500, 1100)),
            )
            for tank in ("TK-1", "TK-2")[: seeded.randint(1, 2)]
        ]
        kind = TransferKind.TANK_TO_TANK if len(pairs) == 2 else TransferKind.RECEIPT
        found.append(ticket(number, kind, *pairs))
    return found


def test_a_ticket_has_the_digits_of_its_paper(modules: Page) -> None:
    tickets = _tickets(17, 150)
    told = modules.promise(_TICKETS, [outside(each) for each in tickets], list(MEASURES))
    compared = 0
    for each, of_measure in zip(tickets, told, strict=True):
        for measure, (amount, sides) in zip(MEASURES, of_measure, strict=True):
            assert _same(amount, amount_shown(each, measure, METRIC)), (each.number, measure)
            for side, shown in zip(each.sides, sides, strict=True):
                report = side_shown(side, measure, METRIC)
                for name in ("opening", "closing", "moved"):
                    assert _same(shown[name], getattr(report, name)), (each.number, measure, name)
                    compared += shown[name] is not None
    assert compared > 3000


def _same(text: str | None, wanted: Decimal | None) -> bool:
    return (text is None) == (wanted is None) and (text is None or Decimal(text) == wanted)


def test_what_became_of_a_ticket_is_said_as_in_the_terminal(modules: Page) -> None:
    """2 takes 1 back and 3 stands in its place, 4 takes that back and 5 stands; 6 stands; 9 takes 8 back for good."""
    links = [
        (1, None, None),
        (2, 1, None),
        (3, None, 1),
        (4, 3, None),
        (5, None, 3),
        (6, None, None),
        (8, None, None),
        (9, 8, None),
    ]
    given_ = [{"number": number, "reverses": back, "replaces": instead} for number, back, instead in links]
    told = modules.promise(_BACK, given_)
    ledger = [TicketLink(*each) for each in links]
    for (number, _, _), found in zip(links, told, strict=True):
        words = taken_back_words(number, ledger)
        if found is None:
            assert words == ""
        elif found["standing"] is None:
            assert words == f"TAKEN BACK by ticket {found['by']}"
        else:
            assert words == f"TAKEN BACK by ticket {found['by']}, ticket {found['standing']} stands in its place"
    assert told[0] == {"by": 2, "standing": 5}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    sums=st.lists(
        st.lists(st.tuples(st.decimals(-(10**9), 10**9, places=3), st.sampled_from([1, -1])), max_size=8), max_size=20
    )
)
def test_sums_are_exact(modules: Page, sums: list[list[tuple[Decimal, int]]]) -> None:
    asked = [[[f"{number:f}", sign] for number, sign in each] for each in sums]
    for each, text in zip(sums, modules.promise(_ADDED, asked), strict=True):
        assert Fraction(text) == sum((Fraction(number) * sign for number, sign in each), Fraction(0))
