"""What is asked for by a date is told by what is wrong with the date."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.plan import AccountPlan
from gateway.desk.asked_times import instant_asked
from gateway.errors import UsageError
from gateway.page_answers.times import span_asked

NOW = datetime(2026, 11, 28, 12, tzinfo=UTC)
APIA = AccountPlan(ZoneInfo("Pacific/Apia"), "Pacific/Apia")


@given(st.dates())
def test_a_date_is_a_day_of_the_site_or_out_of_reach(on: date) -> None:
    if 1970 < on.year < 2200 and on != date(2011, 12, 30):
        instant = instant_asked(APIA, "from", on.isoformat())
        assert abs(instant - datetime(on.year, on.month, on.day, tzinfo=UTC)) < timedelta(days=2)
    elif not 1970 <= on.year <= 2200:
        # A date lacks no zone, whatever else is wrong with it.
        with pytest.raises(UsageError, match="is out of reach"):
            instant_asked(APIA, "from", on.isoformat())


def test_a_day_that_a_place_left_out_is_told_as_that() -> None:
    """Samoa went over the date line at the end of 29 December 2011 (IANA time zone data base, file australasia)."""
    with pytest.raises(UsageError, match=r"until: there was no 2011-12-30 in Pacific/Apia") as caught:
        instant_asked(APIA, "until", "2011-12-30")
    assert caught.value.hint == "take the day before or after it"


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"until": "0001-01-01"}, "until: '0001-01-01' is out of reach"),
        ({"from": "1600-01-01", "until": "2026-01-01"}, "from: '1600-01-01' is out of reach"),
        ({"from": "9999-12-31"}, "from: '9999-12-31' is out of reach"),
        ({"from": "2026-12-24"}, "from 2026-12-24 is not before until, now"),
        ({"from": "2026-01-01"}, "that are more than 31 days"),
    ],
)
def test_a_span_that_is_none_is_told_by_what_is_wrong_with_it(asked: dict[str, str], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        span_asked(APIA, asked, NOW, usual=timedelta(days=1), longest=timedelta(days=31))
