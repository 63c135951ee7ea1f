"""A doubt comes at once; how often it may change what is shown is bounded, whatever comes and goes."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.doubts.recurrence import QUIET, REMEMBERED, Recurrence, next_recurrence


def shown(causes: list[bool]) -> list[bool]:
    """What is shown at each of a row of new readings."""
    found, state = [], QUIET
    for cause in causes:
        state = next_recurrence(state, cause, True)
        found.append(state.shown)
    return found


def changes(states: list[bool]) -> list[int]:
    """At which readings it changed; before the first there was no doubt."""
    return [index for index, (before, now) in enumerate(zip([False, *states], states, strict=False)) if before != now]


def test_the_first_time_it_goes_as_it_came() -> None:
    assert shown([False, True, False, False]) == [False, True, False, False]
    assert shown([True, True, True, False]) == [True, True, True, False], "one coming, however long it lasts"


def test_the_second_time_within_forty_readings_it_stays_until_the_first_is_forgotten() -> None:
    causes = [True, False, True, *[False] * 60]
    assert shown(causes) == [True, False, *[True] * (REMEMBERED - 2), *[False] * 23]


def test_a_sheet_without_a_new_reading_forgets_nothing() -> None:
    state = Recurrence(0b101, False, True)
    for _ in range(100):
        state = next_recurrence(state, False, False)
    assert state == Recurrence(0b101, False, True)
    assert state.held
    assert state.times == 2


@given(st.lists(st.booleans(), min_size=1, max_size=600))
def test_it_is_shown_whenever_there_is_cause_and_changes_no_more_than_once_in_ten_readings(causes: list[bool]) -> None:
    states = shown(causes)
    assert all(state for cause, state in zip(causes, states, strict=True) if cause)
    at = changes(states)
    for first, fifth in zip(at, at[4:], strict=False):
        assert fifth - first >= REMEMBERED, "four changes in forty readings at most"


@given(st.integers(2, 12), st.integers(100, 400))
def test_what_comes_every_few_readings_stays(every: int, length: int) -> None:
    states = shown([index % every == 0 for index in range(length)])
    assert all(states[every * 2 :])
    assert len(changes(states)) <= 3
