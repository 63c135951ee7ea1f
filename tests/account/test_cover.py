"""For how many days the stock lasts: means in the head, and none where a day is not known."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.account.cover import DAYS, above_minimum, cover_days, last_days, offtake, receipts
from gateway.account.day import DayClose
from gateway.account.days.boundary import Day, day_of
from gateway.records import Figure, Quality
from tests.support.account_days import at, bad_gauging, balance, closed, gauging, plan

PLAN = plan()
NOW = at("2026-11-28 09:00")
WEEK = last_days(PLAN, NOW)


def close_of(day: Day, throughput: Figure, came: Figure) -> DayClose:
    made = closed(PLAN, day, [gauging("TK-1", day.end, 500.0)])
    own = balance(made)._replace(throughput=throughput, receipts=came)
    return made._replace(balances=(own,))


def good(value: float) -> Figure:
    return Figure(value, Quality.GOOD, (), 0.0)


def week(*values: float) -> dict[str, DayClose]:
    return {day.name: close_of(day, good(value), good(10 * value)) for day, value in zip(WEEK, values, strict=False)}


def test_the_week_is_the_seven_days_that_ended_last() -> None:
    assert len(WEEK) == DAYS == 7
    assert [day.name for day in WEEK] == [f"2026-11-{number}" for number in range(21, 28)]
    assert WEEK[-1].end <= NOW < WEEK[-1].end + timedelta(days=1)
    assert day_of(PLAN, NOW).begin == WEEK[-1].end


def test_a_week_in_which_clocks_are_set_has_seven_days_all_the_same() -> None:
    found = last_days(PLAN, at("2026-10-28 09:00"))
    assert len(found) == 7
    assert sum((day.end - day.begin for day in found), timedelta()) == timedelta(hours=7 * 24 + 1)


def test_the_mean_of_seven_days_and_how_long_it_lasts() -> None:
    """10 + 20 + … + 70 = 280, 40 a day; of 500 m3 400 lie above the minimum (100 m3): 10 days."""
    closes = week(*(10.0 * number for number in range(1, 8)))
    off = offtake("diesel", "gsv", closes, WEEK)
    assert off.value == pytest.approx(40.0)
    assert off.quality is Quality.GOOD
    assert receipts("diesel", "gsv", closes, WEEK).value == pytest.approx(2800.0)
    there = above_minimum("diesel", "gsv", [gauging("TK-1", NOW, 500.0)], ["TK-1"])
    assert there.value == pytest.approx(400.0)
    assert cover_days(there, off).value == pytest.approx(10.0)


def test_what_is_above_the_minimum_goes_by_the_measure_of_the_book() -> None:
    """Of 500 m3 observed 400 can be pumped; at CTL 0.98 that are 392 m3 standard, and at 800 kg/m3 320 t."""
    warm = gauging("TK-1", NOW, 500.0, gsv=490.0)
    assert above_minimum("diesel", "gsv", [warm], ["TK-1"]).value == pytest.approx(392.0)
    assert above_minimum("diesel", "mass", [warm], ["TK-1"]).value == pytest.approx(320_000.0)


@pytest.mark.parametrize("holds_m3", [0.0, 60.0, 100.0])
def test_an_empty_tank_is_known_to_have_nothing_to_pump(holds_m3: float) -> None:
    """100 m3 lie below the minimum: of so much or less none can be pumped, and the sum is as good as the other."""
    empty = gauging("TK-2", NOW, holds_m3)
    figures = {**empty.figures, "pumpable": good(0.0)}
    held = [gauging("TK-1", NOW, 500.0), empty._replace(figures=figures)]
    found = above_minimum("diesel", "gsv", held, ["TK-1", "TK-2"])
    assert found.value == pytest.approx(400.0)
    assert (found.quality, found.reasons) == (Quality.GOOD, ())


def test_a_tank_that_is_lost_is_left_out_and_named() -> None:
    held = [gauging("TK-1", NOW, 500.0), bad_gauging("TK-2", NOW)]
    found = above_minimum("diesel", "gsv", held, ["TK-1", "TK-2", "TK-3"])
    assert found.value == pytest.approx(400.0)
    assert found.quality is Quality.UNCERTAIN
    assert [each.text.split()[0] for each in found.reasons] == ["TK-2", "TK-3"]
    alone = above_minimum("diesel", "gsv", [bad_gauging("TK-2", NOW)], ["TK-2"])
    assert (alone.value, alone.quality) == (None, Quality.BAD)


@given(st.sets(st.integers(0, 6), min_size=1), st.sampled_from(["not closed", "not known", "another measure"]))
def test_a_day_that_is_not_known_leaves_no_mean(places: set[int], why: str) -> None:
    closes = week(*[40.0] * 7)
    for place in places:
        day = WEEK[place]
        if why == "not closed":
            del closes[day.name]
        elif why == "not known":
            closes[day.name] = close_of(day, Figure(None, Quality.BAD, (), 0.0), good(0.0))
        else:
            (own,) = closes[day.name].balances
            closes[day.name] = closes[day.name]._replace(balances=(own._replace(measure="mass"),))
    off = offtake("diesel", "gsv", closes, WEEK)
    assert (off.value, off.quality) == (None, Quality.BAD)
    assert any(WEEK[place].name in off.reasons[0].text for place in places)
    assert cover_days(good(400.0), off).value is None


def test_an_estimated_day_makes_an_estimate_of_the_mean() -> None:
    closes = week(*[40.0] * 7)
    closes[WEEK[3].name] = close_of(WEEK[3], Figure(40.0, Quality.UNCERTAIN, (), 0.0), good(0.0))
    off = offtake("diesel", "gsv", closes, WEEK)
    assert off.value == pytest.approx(40.0)
    assert off.quality is Quality.UNCERTAIN
    assert cover_days(good(400.0), off).quality is Quality.UNCERTAIN


def test_where_nothing_goes_off_no_number_of_days_is_told() -> None:
    assert cover_days(good(400.0), good(0.0)).value is None
    assert "nothing has gone off" in cover_days(good(400.0), good(0.0)).reasons[0].text
