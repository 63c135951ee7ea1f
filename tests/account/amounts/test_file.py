"""Amounts out of a file: every mistake by line, column and value, all or nothing, and nothing twice."""

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.amount import AMOUNT, Amount, AmountKind
from gateway.account.amounts.entering import KnownAmounts
from gateway.account.amounts.file import COLUMNS, AmountFileRefusedError, import_amounts
from gateway.account.paper import Outcome
from tests.support.account_days import at

NOW = at("2026-11-27 12:00")
ZONE = ZoneInfo("Europe/London")
EMPTY = KnownAmounts((), (), {"diesel": "gsv", "propane": "mass"}, {"TK-1": "diesel", "B-2": "propane"})
HEAD = "kind;source;product;amount;at;reference"


def taken(text: str, known: KnownAmounts = EMPTY, zone: ZoneInfo = ZONE) -> list[Amount]:
    return amounts_of(import_amounts(known, zone, text, by="accountant", now=NOW))


def amounts_of(outcome: Outcome) -> list[Amount]:
    return [
        AMOUNT.from_plain({name: value for name, value in paper.document.items() if name not in ("schema", "key")})
        for paper in outcome.papers
    ]


def mistakes(text: str, known: KnownAmounts = EMPTY, zone: ZoneInfo = ZONE) -> list[str]:
    with pytest.raises(AmountFileRefusedError) as refused:
        import_amounts(known, zone, text, by="accountant", now=NOW)
    return [str(mistake) for mistake in refused.value.mistakes]


COMMAS = "kind,source,product,amount,unit,at,reference"
TABS = "kind\tsource\tproduct\tamount [US gal]\tat\treference"
OTHER_ORDER = "Reference;AT;Product;Source;Kind;Amount (L)"
THOUSANDTHS = "dispatch;rack;diesel;1,250 m3;2026-11-26 14:00;R-1"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (f"{HEAD}\ndispatch;rack;diesel;32,4 m3;2026-11-26 14:00;R-1\n", 32.4),
        (f"{COMMAS}\ndispatch,rack,diesel,32.4,m3,2026-11-26 14:00,R-1\n", 32.4),
        (f'{COMMAS}\n\ndispatch,rack,diesel,"32,4",m3,2026-11-26 14:00,R-1\n', 32.4),
        (f"\ufeff{OTHER_ORDER}\r\nR-1;2026-11-26T14:00Z;diesel;rack;dispatch;32400\r\n", 32.4),
        (f"{TABS}\ndispatch\track\tdiesel\t1000\t2026-11-26 14:00\tR-1", 3.785411784),
        (f"{HEAD};measure\nown use;meter;propane;27.150 t;2026-11-26 14:00;M-1;mass", 27150.0),
        # That the second number has a decimal comma tells what the comma of the first is.
        (f"{HEAD}\n{THOUSANDTHS}\n{THOUSANDTHS.replace('1,250', '2,5').replace('R-1', 'R-2')}", 1.25),
    ],
)
def test_forms_that_are_read(text: str, expected: float) -> None:
    first = taken(text)[0]
    assert first.value == pytest.approx(expected, rel=1e-15)
    assert first.instant == at("2026-11-26 14:00")
    assert first.by == "accountant"


def test_times_are_of_the_site_where_they_have_no_zone() -> None:
    rows = "\n".join(
        f"dispatch;rack;diesel;1 m3;{when};R-{number}"
        for number, when in enumerate(["2026-07-01 07:00", "2026-07-01T07:00+02:00", "2026-07-01T07:00:30Z"])
    )
    assert [amount.instant for amount in taken(f"{HEAD}\n{rows}")] == [
        at("2026-07-01 06:00"),
        at("2026-07-01 05:00"),
        at("2026-07-01 07:00:30"),
    ]


@pytest.mark.parametrize("reference", ["R\x1b[31m1", "R" * 501, "R\u202e1", "R\x001"])
def test_a_file_brings_in_no_text_that_the_door_would_refuse(reference: str) -> None:
    (told,) = mistakes(f"{HEAD}\ndispatch;rack;diesel;1 m3;2026-11-26 14:00;{reference}")
    assert told.startswith("line 2, reference: ")
    assert "it is no text of at most 500 characters" in told


WRITE_A_TIME = "write date and time of day as 2026-11-27 06:12, or with its zone as 2026-11-27T06:12+01:00"
ROW = "dispatch;rack;diesel;32.4 m3;2026-11-26 14:00;R-1"


NEEDED = "kind, source, product, amount, at, reference"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", f"line 1: there is nothing in it; begin with a line of columns: {NEEDED}"),
        (f"{HEAD};litres\n{ROW};1", "line 1: 'litres': there is no such column; there are: "),
        (f"{HEAD};unti\n{ROW};m3", "line 1: 'unti': there is no such column; did you mean 'unit'?"),
        ("kind;source;product;amount;at\n", "line 1, reference: the column is missing; needed are: "),
        (f"{HEAD};at\n{ROW};x", "line 1, at: 'at': the column stands twice; once is right"),
        (f"{HEAD};owner (m3)\n{ROW};x", "line 1, owner: 'owner (m3)': only the amount has a unit; write 'owner'"),
        (f"{HEAD}\n\n{ROW};1", "line 3: 7 cells, but 6 columns; where a number has a decimal comma, put semicolons"),
        (f"{HEAD};unit\n{ROW};L", "line 2, amount: '32.4 m3': its unit is m3 and L; one place for the unit is enough"),
        (f"{HEAD};ticket\n{ROW};twelve", "line 2, ticket: 'twelve': a ticket is a whole number, for example 12"),
        (f"{HEAD};ticket\n{ROW};12", "line 2, ticket: '12': there is no ticket 12; enter it without a ticket"),
        (f"{HEAD};measure\n{ROW};gov", "line 2, measure: 'gov': the book of diesel is kept by gsv, not by gov"),
        (f"{HEAD}\n{ROW}\n{ROW}", "line 3, reference: 'R-1': line 2 has it already; each document stands once"),
        (f'{HEAD}\n"{ROW}', "line 2: unexpected end of data; a cell with quotation marks begins and ends with one"),
    ],
)
def test_each_mistake_of_a_file_is_named_with_what_would_be_right(text: str, expected: str) -> None:
    found = mistakes(text)
    assert [each for each in found if each.startswith(expected)], found


TIME = "2026-11-26 14:00"


@pytest.mark.parametrize(
    ("right", "wrong", "column", "expected"),
    [
        ("dispatch", "sale", "kind", "one of: receipt, dispatch, own_use, adjustment"),
        ("rack", "lorry", "source", "one of: meter, rack, ship, road, rail, pipeline, other"),
        ("diesel", "petrol", "product", "there is no product petrol; the site has: diesel, propane"),
        ("R-1", "", "reference", "it is empty, and needed"),
        ("32.4 m3", "full", "amount", "it is no number; write for example 32.4 m3"),
        ("32.4 m3", "32.4", "amount", "it has no unit; write for example 32.4 m3, or 'amount (m3)' in the heading"),
        ("32.4 m3", "32.4 kg", "amount", "'32.4 kg' is a mass; a volume is wanted, for example 32.4 m3"),
        ("32.4 m3", "9 gal", "amount", "'9 gal': the unit 'gal' can mean several things; write `US gal` or `imp gal`"),
        ("32.4 m3", "1.234,5 m3", "amount", "write the number without marks between its thousands, as 1234.5"),
        ("32.4 m3", "1 234 m3", "amount", "write the number without marks between its thousands, as 1234"),
        ("32.4 m3", "1,234 m3", "amount", "it may be 1.234 or 1234; write 1.234 or 1234"),
        (TIME, "2026-11-26 25:00", "at", "there is no such date or time of day; write for example 2026-11-27 06:12"),
        (TIME, "26.11.2026", "at", WRITE_A_TIME),
        (TIME, "2026-11-26", "at", WRITE_A_TIME),
        (
            TIME,
            "2027-11-26 14:00",
            "at",
            "2027-11-26 14:00 UTC is still to come; give when it was moved, with its zone",
        ),
        (
            TIME,
            "2026-10-25 01:30",
            "at",
            "clocks showed it twice there; write 2026-10-25T01:30+01:00 or 2026-10-25T01:30+00:00",
        ),
        (TIME, "2026-03-29 01:30", "at", "clocks left it out there; write for example 2026-03-29T02:30+01:00"),
    ],
)
def test_each_mistake_of_a_cell_is_named_with_what_would_be_right(
    right: str, wrong: str, column: str, expected: str
) -> None:
    cell = f"'{wrong}': " if wrong else ""
    assert mistakes(f"{HEAD}\n{ROW.replace(right, wrong)}") == [f"line 2, {column}: {cell}{expected}"]


def test_of_a_product_that_is_none_no_unit_is_asked_for() -> None:
    text = f"{HEAD}\n{ROW.replace('diesel', 'propan').replace('m3', 't')}"
    assert mistakes(text) == ["line 2, product: 'propan': there is no product propan; the site has: diesel, propane"]


def test_every_mistake_is_named_and_nothing_is_taken_in() -> None:
    text = "\n".join([HEAD, ROW, ROW.replace("R-1", "R-2").replace("rack", "lorry"), ROW.replace("32.4 m3", "?")])
    assert [each.split(":")[0] for each in mistakes(text)] == ["line 3, source", "line 4, amount"]


def test_both_decimal_signs_in_one_column() -> None:
    text = "\n".join([HEAD, ROW, ROW.replace("32.4", "27,15").replace("R-1", "R-2")])
    assert all("both decimal points and decimal commas" in each for each in mistakes(text))
    # Decimal commas are used throughout, so a point before three digits is between thousands.
    text = "\n".join([HEAD, ROW.replace("32.4", "1.234"), ROW.replace("32.4", "27,15").replace("R-1", "R-2")])
    assert mistakes(text) == ["line 2, amount: '1.234 m3': it may be 1,234 or 1234; write 1,234 or 1234"]


def test_the_same_file_twice_takes_nothing_twice() -> None:
    text = "\n".join([HEAD, ROW, ROW.replace("R-1", "R-2")])
    once = taken(text)
    assert [amount.number for amount in once] == [1, 2]
    outcome = import_amounts(EMPTY._replace(amounts=tuple(once)), ZONE, text, by="another", now=NOW)
    assert outcome.papers == ()
    assert outcome.lines == ("0 amounts taken in", "2 known already, and not taken in again")


def test_a_line_more_is_the_only_one_that_is_taken_in() -> None:
    once = taken(f"{HEAD}\n{ROW}")
    more = taken(f"{HEAD}\n{ROW}\n{ROW.replace('R-1', 'R-2')}", EMPTY._replace(amounts=tuple(once)))
    assert [(amount.number, amount.reference) for amount in more] == [(2, "R-2")]


def test_a_document_that_says_another_amount_than_before() -> None:
    once = taken(f"{HEAD}\n{ROW}")
    other = f"{HEAD}\n{ROW.replace('32.4', '34.2')}"
    assert mistakes(other, EMPTY._replace(amounts=tuple(once))) == [
        "line 2, reference: 'R-1': rack R-1 of diesel is amount 1 already; take that one back first if it was wrong"
    ]


def test_what_was_taken_back_does_not_come_in_again_by_its_old_file() -> None:
    (wrong,) = taken(f"{HEAD}\n{ROW}")
    back = wrong._replace(number=2, reverses=1)
    known = EMPTY._replace(amounts=(wrong, back))
    outcome = import_amounts(known, ZONE, f"{HEAD}\n{ROW}", by="accountant", now=NOW)
    assert outcome.papers == ()
    assert "1 had been taken back" in outcome.lines[1]
    (right,) = taken(f"{HEAD}\n{ROW.replace('32.4', '34.2')}", known)
    assert (right.number, right.value) == (3, 34.2)


@given(st.text(max_size=200))
def test_any_text_is_taken_in_whole_or_refused(text: str) -> None:
    try:
        import_amounts(EMPTY, ZONE, text, by="accountant", now=NOW)
    except AmountFileRefusedError as refused:
        assert refused.mistakes  # noqa: PT017 (either way is right; a refusal says what is wrong)


_CELLS = st.sampled_from(
    [
        *COLUMNS,
        *("dispatch", "receipt", "adjustment", "rack", "diesel", "R-1", "R-2", "2026-11-26 14:00", ""),
        *("1 m3", "1,5 m3", "1,000 m3", "-1 m3", "27,5", "1e5 m3", "9" * 400 + " m3"),
    ]
)


@given(st.lists(st.lists(_CELLS, min_size=6, max_size=6), max_size=5), st.sampled_from(";,\t"))
def test_any_table_is_taken_in_whole_or_refused(rows: list[list[str]], separator: str) -> None:
    text = "\n".join([HEAD.replace(";", separator), *(separator.join(row) for row in rows)])
    try:
        found = taken(text)
    except AmountFileRefusedError as refused:
        assert all(1 <= mistake.line <= 6 for mistake in refused.mistakes)  # noqa: PT017
    else:
        assert len(found) == len([row for row in rows if any(row)])
        assert all(amount.value > 0.0 or amount.kind is AmountKind.ADJUSTMENT for amount in found)
