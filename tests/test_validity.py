"""Until when the last that was told may be taken for the present: max(10 s, 2.5 periods), as the front page says."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.validity import valid_for_s, valid_until

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


@pytest.mark.parametrize(("period_s", "holds_s"), [(0.25, 10.0), (2.0, 10.0), (4.0, 10.0), (5.0, 12.5), (60.0, 150.0)])
def test_how_long_it_holds(period_s: float, holds_s: float) -> None:
    assert valid_for_s(period_s) == holds_s


@given(st.floats(min_value=0.01, max_value=86_400.0))
def test_it_never_ends_while_the_next_may_still_come_in_time(period_s: float) -> None:
    assert valid_for_s(period_s) >= 2.0 * period_s + 0.25


def test_its_end() -> None:
    assert valid_until(NOON, 12.5) == NOON + timedelta(seconds=12.5)
    assert valid_until(NOON, None) is None


@pytest.mark.parametrize("year", [1970, 2000, 2025])
def test_a_clock_that_cannot_be_right_gives_no_end(year: int) -> None:
    assert valid_until(NOON.replace(year=year), 10.0) is None
