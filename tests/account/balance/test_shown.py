"""What is shown adds up: every sum is that of the lines above it, and none is far from the figure behind it."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.balance.shown import rounded, shown_balance, shown_total
from gateway.account.day import Balance
from gateway.records import Figure, Quality

NUMBERS = st.floats(-1e6, 1e6).map(lambda value: round(value, 4))


def balance_of(values: list[float]) -> Balance:
    opening, receipts, dispatches, own_use, adjustments, physical = (
        Figure(value, Quality.GOOD, (), 0.0) for value in values
    )
    book = values[0] + values[1] - values[2] - values[3] + values[4]
    figure = Figure(book, Quality.GOOD, (), 0.0)
    return Balance(
        product="diesel",
        measure="gsv",
        opening=opening,
        receipts=receipts,
        dispatches=dispatches,
        own_use=own_use,
        adjustments=adjustments,
        book=figure,
        physical=physical,
        gain=figure._replace(value=values[5] - book),
        throughput=figure._replace(value=values[2] + values[3]),
        uncertainty=1.25,
        tanks=(1, 1),
    )


@given(st.lists(NUMBERS, min_size=6, max_size=6), st.integers(0, 3))
def test_every_line_adds_up(values: list[float], places: int) -> None:
    shown = shown_balance(balance_of(values), places)
    lines = (shown.opening, shown.receipts, shown.dispatches, shown.own_use, shown.adjustments, shown.physical)
    opening, receipts, dispatches, own_use, adjustments, physical = (line or Decimal(0) for line in lines)
    assert shown.book == opening + receipts - dispatches - own_use + adjustments
    assert shown.gain == physical - (shown.book or Decimal(0))
    assert shown.throughput == dispatches + own_use
    half = Decimal(5).scaleb(-places - 1)
    for value, line in zip(values, lines, strict=True):
        assert line is not None
        assert abs(Decimal(repr(value)) - line) <= half


def test_by_hand() -> None:
    shown = shown_balance(balance_of([1000.4, 300.4, 100.4, 0.4, 0.0, 1199.6]), 0)
    # 1000.4 + 300.4 - 100.4 - 0.4 = 1200.0, and of the lines as they stand: 1000 + 300 - 100 - 0 = 1200.
    assert (shown.book, shown.gain, shown.gain_percent) == (Decimal(1200), Decimal(0), Decimal("-0.40"))
    assert shown.uncertainty == Decimal(1)
    assert (shown.unaccounted, shown.tolerance) == (None, None)


def test_what_is_not_known_is_no_line_and_makes_no_sum() -> None:
    bad = Figure(None, Quality.BAD, (), 0.0)
    lost = balance_of([1.0, 2.0, 3.0, 0.0, 0.0, 0.0])._replace(opening=bad, book=bad, gain=bad)
    shown = shown_balance(lost, 1)
    assert (shown.opening, shown.book, shown.gain, shown.gain_percent) == (None, None, None, None)
    assert shown.throughput == Decimal("3.0")
    # Told of all, where the tanks of opening and closing differ, the sums are there and the gain is not.
    assert shown_balance(balance_of([1.0] * 6)._replace(gain=bad), 1).gain is None


@pytest.mark.parametrize("throughput", [5e-324, 0.04])
def test_of_a_throughput_that_is_shown_as_nothing_a_gain_is_no_part(throughput: float) -> None:
    shown = shown_balance(balance_of([1000.0, 0.0, throughput, 0.0, 0.0, 999.0]), 1)
    assert (shown.throughput, shown.gain, shown.gain_percent) == (Decimal("0.0"), Decimal("-1.0"), None)


def test_a_column() -> None:
    assert shown_total([Decimal("1.4"), None, Decimal("2.4")]) == Decimal("3.8")
    assert shown_total([]) == 0


@pytest.mark.parametrize(
    ("value", "places", "expected"), [(0.05, 1, "0.1"), (-0.04, 1, "0.0"), (2.5, 0, "3"), (1.005, 2, "1.01")]
)
def test_half_goes_up(value: float, places: int, expected: str) -> None:
    assert str(rounded(value, places)) == expected
