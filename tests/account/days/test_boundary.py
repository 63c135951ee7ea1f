"""When a day of the site begins and ends: where clocks are set, left out or shown twice, and in odd zones."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.commands import AccountRefusedError
from gateway.account.days.boundary import day_after, day_before, day_named, day_of, days_between, ended_last
from tests.support.account_days import at, plan

HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("zone", "boundary", "name", "hours", "begin"),
    [
        # Summer time of the EU begins and ends at 01:00 UTC (directive 2000/84/EC); boundary 06:00 comes after it.
        ("Europe/London", time(6), "2026-03-28", 23, "2026-03-28 06:00"),
        ("Europe/London", time(6), "2026-10-24", 25, "2026-10-24 05:00"),
        ("Europe/London", time(0), "2026-03-29", 23, "2026-03-29 00:00"),
        ("Europe/London", time(0), "2026-10-25", 25, "2026-10-24 23:00"),
        ("Europe/Warsaw", time(6), "2026-11-26", 24, "2026-11-26 05:00"),
        # 02:30 is left out on 29 March: the boundary is where it would have been, at 01:30 UTC.
        ("Europe/Warsaw", time(2, 30), "2026-03-28", 24, "2026-03-28 01:30"),
        ("Europe/Warsaw", time(2, 30), "2026-03-29", 23, "2026-03-29 01:30"),
        # 02:30 is shown twice on 25 October: the first of the two, at 00:30 UTC, ends the day.
        ("Europe/Warsaw", time(2, 30), "2026-10-24", 24, "2026-10-24 00:30"),
        ("Europe/Warsaw", time(2, 30), "2026-10-25", 25, "2026-10-25 00:30"),
        # Southern hemisphere: clocks go forward in October, back in April.
        ("Australia/Sydney", time(6), "2026-10-03", 23, "2026-10-02 20:00"),
        ("Australia/Sydney", time(6), "2026-04-04", 25, "2026-04-03 19:00"),
        # Half an hour of summer time, and zones that are off by 30 and 45 minutes.
        ("Australia/Lord_Howe", time(6), "2026-10-03", 23.5, "2026-10-02 19:30"),
        ("Asia/Kolkata", time(6), "2026-11-26", 24, "2026-11-26 00:30"),
        ("Asia/Kathmandu", time(6), "2026-11-26", 24, "2026-11-26 00:15"),
        ("Pacific/Chatham", time(6), "2026-09-26", 23, "2026-09-25 17:15"),
        # Midnight itself was left out here: the day begins with the hour after it.
        ("America/Sao_Paulo", time(0), "2018-11-04", 23, "2018-11-04 03:00"),
    ],
)
def test_days_that_are_longer_or_shorter(zone: str, boundary: time, name: str, hours: float, begin: str) -> None:
    site = plan(zone, boundary=boundary)
    day = day_named(site, name)
    assert day.begin == at(begin)
    assert day.end - day.begin == hours * HOUR
    assert day_of(site, day.begin) == day_of(site, day.end - timedelta(microseconds=1)) == day
    assert day_before(site, day).end == day.begin
    assert day_after(site, day).begin == day.end


def test_a_date_that_a_place_left_out_is_no_day() -> None:
    # Samoa went over the date line: there was no 30 December 2011 (IANA time zone data base, Pacific/Apia).
    site = plan("Pacific/Apia")
    before = day_named(site, "2011-12-29")
    assert day_after(site, before).name == "2011-12-31"
    assert before.end - before.begin == 24 * HOUR
    with pytest.raises(AccountRefusedError, match="there was no 2011-12-30 in Pacific/Apia"):
        day_named(site, "2011-12-30")


@pytest.mark.parametrize("text", ["yesterday", "2026-02-30", "26.11.2026", "", "0001-01-01", "9999-12-31"])
def test_what_is_no_day_is_refused(text: str) -> None:
    with pytest.raises(AccountRefusedError) as refused:
        day_named(plan(), text)
    assert refused.value.hint


def test_what_has_ended_last() -> None:
    site = plan()
    assert ended_last(site, at("2026-11-27 05:59")).name == "2026-11-25"
    assert ended_last(site, at("2026-11-27 06:00")).name == "2026-11-26"
    names = [day.name for day in days_between(site, day_named(site, "2026-11-29"), day_named(site, "2026-12-02"))]
    assert names == ["2026-11-29", "2026-11-30", "2026-12-01", "2026-12-02"]


ZONES = (
    *(
        "Europe/London",
        "Asia/Kathmandu",
        "Australia/Lord_Howe",
        "Pacific/Apia",
        "America/Sao_Paulo",
        "Africa/Casablanca",
    ),
    *("America/St_Johns", "Pacific/Chatham", "Asia/Manila", "America/Chicago", "Antarctica/Troll", "Pacific/Kwajalein"),
)


@given(
    st.sampled_from(ZONES),
    st.times(timezones=st.none()),
    st.datetimes(datetime(1971, 1, 1), datetime(2060, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001 (bounds)
)
def test_each_instant_is_in_one_day_and_days_follow_one_another(zone: str, boundary: time, instant: datetime) -> None:
    site = plan(zone, boundary=boundary)
    day = day_of(site, instant)
    assert day.begin <= instant < day.end
    assert day_of(site, day.end).begin == day.end
    assert day_named(site, day.name) == day
    assert day_before(site, day_after(site, day)) == day
    assert timedelta(0) < day.end - day.begin <= 49 * HOUR
    # It begins on its date as clocks there show it, unless they left that out.
    local = day.begin.astimezone(ZoneInfo(zone))
    if local.date() == date.fromisoformat(day.name) and local.time().replace(fold=0) != boundary:
        assert local.utcoffset() != (day.begin - 3 * HOUR).astimezone(ZoneInfo(zone)).utcoffset()
