"""How long an answer is waited for."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.polling.response_time import ResponseTime

MS = 1_000_000


def after(answers_ms: list[float], longest_s: float = 1.0) -> ResponseTime:
    wait = ResponseTime(longest_s)
    for answer in answers_ms:
        wait.answered(round(answer * MS))
    return wait


def test_until_enough_answers_have_come_all_the_configured_time_is_given() -> None:
    assert after([10.0] * 7).timeout_s == 1.0
    assert after([10.0] * 8).timeout_s < 1.0


def test_a_fast_device_is_given_a_quarter_of_the_configured_time() -> None:
    assert after([10.0] * 100).timeout_s == 0.25
    assert after([10.0] * 100, longest_s=0.1).timeout_s == 0.05
    assert after([10.0] * 100, longest_s=0.02).timeout_s == 0.02


def test_where_a_late_answer_is_a_danger_the_whole_time_is_always_given() -> None:
    wait = ResponseTime(1.0, learns=False)
    for _ in range(100):
        wait.answered(10 * MS)
    assert wait.timeout_s == 1.0


@pytest.mark.outside("RFC 6298, section 2: mean, deviation and the time-out that follows from them, computed by hand")
def test_mean_and_deviation_are_those_of_rfc_6298() -> None:
    # First R = 100 ms: SRTT 100, RTTVAR 50. Then R' = 500 ms: RTTVAR = 3/4 * 50 + 1/4 * 400 = 137.5 before
    # SRTT = 7/8 * 100 + 1/8 * 500 = 150: RTO = 150 + 4 * 137.5 = 700. Six more of 500 ms:
    mean, deviation = 150.0, 137.5
    for _ in range(6):
        deviation += (abs(500.0 - mean) - deviation) / 4
        mean += (500.0 - mean) / 8
    wanted = (mean + 4 * deviation) / 1000.0
    assert after([100.0] + [500.0] * 7, longest_s=4.0).timeout_s == pytest.approx(wanted)
    assert wanted > 0.9


def test_one_slow_answer_raises_it_at_once_and_is_remembered_for_long() -> None:
    wait = after([20.0] * 100)
    wait.answered(400 * MS)
    assert wait.timeout_s >= 0.6
    for _ in range(100):
        wait.answered(20 * MS)
    assert wait.timeout_s > 0.45
    for _ in range(2000):
        wait.answered(20 * MS)
    assert wait.timeout_s == 0.25


def test_a_silence_is_followed_by_a_try_with_all_the_time_and_then_by_one_in_eight() -> None:
    wait = after([20.0] * 20)
    given = []
    for _ in range(11):
        given.append(wait.timeout_s)
        wait.unanswered()
    assert given == [0.25, 1.0, *[0.25] * 7, 1.0, 0.25]
    wait.answered(20 * MS)
    assert wait.timeout_s == 0.25


def test_an_answer_that_came_late_gives_the_next_request_all_the_time() -> None:
    wait = after([20.0] * 20)
    for _ in range(3):
        wait.unanswered()
    wait.may_be_late()
    assert wait.timeout_s == 1.0
    wait.unanswered()
    assert wait.timeout_s == 0.25


@given(
    st.lists(st.one_of(st.floats(0.0, 900.0), st.sampled_from([5.0, 900.0])), min_size=1, max_size=200),
    st.floats(0.01, 10.0),
)
def test_it_never_exceeds_what_is_configured_and_never_falls_below_the_answer_before(
    answers_ms: list[float], longest_s: float
) -> None:
    wait = ResponseTime(longest_s)
    for answer in answers_ms:
        wait.answered(round(answer * MS))
        assert 0.0 < wait.timeout_s <= longest_s
        assert wait.timeout_s >= min(longest_s, max(1.5 * answer / 1000.0, 0.25 * longest_s)) - 1e-9
