"""What the counts of a line say, in words."""

from math import inf
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commissioning.line_findings import (
    InstrumentCounts,
    LineCounts,
    Weight,
    bound_text,
    judge_line,
    quantile_bound,
)

_FAST = ((0.005, 90), (0.01, 100), (0.25, 100), (inf, 100))
_SLOW = ((0.005, 0), (0.01, 0), (0.25, 100), (inf, 100))
_NONE = ((0.005, 0), (0.01, 0), (0.25, 0), (inf, 0))


def _one(
    name: str,
    buckets: tuple[tuple[float, int], ...] = _FAST,
    *,
    requests: int = 100,
    answering_s: float = 0.4,
    up: bool = True,
    **errors: int,
) -> InstrumentCounts:
    return InstrumentCounts(name, requests, errors, buckets, answering_s, up)


def _line(*instruments: InstrumentCounts, **changes: Any) -> LineCounts:
    plain = LineCounts("bus-a", True, 100.0, 2.0, 0, 0, instruments)
    return plain._replace(**changes)


def _told(line: LineCounts) -> list[tuple[Weight, str, str]]:
    return [(finding.weight, finding.subject, finding.what) for finding in judge_line(line)]


def test_a_healthy_line_has_nothing_to_tell() -> None:
    assert judge_line(_line(_one("LT-1"), _one("LT-2"), _one("TT-1"))) == []


@pytest.mark.parametrize(
    ("line", "finding"),
    [
        (_line(_one("LT-1"), connected=False), (Weight.ACT, "bus-a", "is not connected")),
        (_line(_one("LT-1"), busy_s=70.0), (Weight.LOOK, "bus-a", "is busy 70% of the time")),
        (_line(_one("LT-1"), busy_s=96.0), (Weight.ACT, "bus-a", "is busy 96% of the time")),
        (
            _line(_one("LT-1"), unsolicited_frames=1),
            (Weight.ACT, "bus-a", "brought 1 frame that nobody here asked for: perhaps a second master"),
        ),
        (
            _line(_one("LT-1"), second_answers=2),
            (Weight.ACT, "bus-a", "brought 2 second answers to a request"),
        ),
        (
            _line(_one("LT-1", answers_shifted=7), shifts=1),
            (Weight.ACT, "bus-a", "brought answers to earlier requests only, 7 times: nothing of them was taken"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", requests=120, device_busy=12, device_still_working=8)),
            (Weight.LOOK, "LT-2", "was busy at 20 of 120 requests"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", requests=106, target_silent=4, path_unavailable=2)),
            (Weight.LOOK, "LT-2", "left 6 of 106 requests unanswered"),
        ),
        (_line(_one("LT-1"), late_answers=3), (Weight.LOOK, "bus-a", "brought 3 answers after their time-out")),
        (
            _line(_one("LT-1"), _one("LT-2", _NONE, requests=40, no_answer=40)),
            (Weight.ACT, "LT-2", "is dead: no answer to any of 40 requests"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", _NONE, requests=1, no_answer=1, up=False)),
            (Weight.ACT, "LT-2", "did not answer the one time it was asked"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", _NONE, requests=0, up=False)),
            (Weight.ACT, "LT-2", "does not answer, and was not asked in this time"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", _NONE, requests=0)),
            (Weight.LOOK, "LT-2", "was not asked in this time"),
        ),
        (
            _line(_one("LT-1"), on_standby=True),
            (Weight.ACT, "bus-a", "runs over its second way: the first is lost"),
        ),
        (
            _line(_one("LT-1"), connections_wanted=4, connections_open=2),
            (Weight.LOOK, "bus-a", "has 2 of 4 connections"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", requests=106, no_answer=6)),
            (Weight.LOOK, "LT-2", "left 6 of 106 requests unanswered"),
        ),
        (
            _line(_one("LT-1"), _one("LT-2", requests=101, device_exception=1)),
            (Weight.LOOK, "LT-2", "answered 1 of 101 requests with an exception"),
        ),
        (
            _line(_one("LT-1"), _one("LT-3"), _one("LT-2", requests=110, bad_frame=10)),
            (Weight.ACT, "LT-2", "sent 10 broken frames in 110 requests"),
        ),
        (
            _line(_one("LT-1"), _one("LT-3"), _one("LT-2", _SLOW, answering_s=1.2)),
            (
                Weight.LOOK,
                "LT-2",
                "is slow: half of its answers come within 250 ms, those of the others within 5 ms; "
                "it takes 60% of the line's busy time",
            ),
        ),
    ],
)
def test_one_thing_wrong_is_one_finding(line: LineCounts, finding: tuple[Weight, str, str]) -> None:
    assert _told(line) == [finding]


def test_broken_frames_of_most_instruments_are_the_lines() -> None:
    line = _line(_one("LT-1", requests=110, bad_frame=10), _one("LT-2", requests=110, bad_frame=12), _one("LT-3"))
    assert _told(line) == [(Weight.ACT, "bus-a", "brought 22 broken frames, from 2 of 3 instruments")]


def test_a_few_failures_by_chance_are_not_told() -> None:
    assert judge_line(_line(_one("LT-1", requests=104, no_answer=4))) == []
    assert judge_line(_line(_one("LT-1", requests=10_000, no_answer=100))) == []


def test_requests_never_sent_for_want_of_a_connection_make_nobody_dead() -> None:
    line = _line(_one("LT-1", _NONE, requests=40, no_connection=40), connected=False)
    assert _told(line) == [(Weight.ACT, "bus-a", "is not connected")]


def test_of_a_line_without_connection_nothing_more_is_told() -> None:
    line = _line(_one("LT-1", _NONE, requests=0), connected=False, connections_wanted=4, connections_open=0)
    assert _told(line) == [(Weight.ACT, "bus-a", "is not connected")]


def test_what_must_be_acted_on_comes_first() -> None:
    line = _line(_one("LT-1"), _one("LT-2", _NONE, requests=9, no_answer=9), late_answers=2)
    assert [weight for weight, _, _ in _told(line)] == [Weight.ACT, Weight.LOOK]


def test_quantiles_by_their_bounds() -> None:
    assert quantile_bound(_FAST, 0.5) == 0.005
    assert quantile_bound(_FAST, 0.95) == 0.01
    assert quantile_bound(((0.005, 1), (inf, 2)), 1.0) == inf
    assert quantile_bound(_NONE, 0.5) is None
    assert bound_text(0.005, _FAST) == "within 5 ms"
    assert bound_text(2.5, _FAST) == "within 2.5 s"
    assert bound_text(inf, ((5.0, 1), (inf, 2))) == "over 5 s"
    assert bound_text(None, _NONE) == "-"


@given(st.lists(st.floats(0.0001, 20.0), min_size=1), st.floats(0.01, 1.0))
def test_a_quantile_bound_holds_at_least_its_share(times: list[float], share: float) -> None:
    bounds = (0.001, 0.01, 0.1, 1.0, inf)
    buckets = tuple((bound, sum(time <= bound for time in times)) for bound in bounds)
    bound = quantile_bound(buckets, share)
    assert bound is not None
    assert sum(time <= bound for time in times) >= share * len(times)
    lower = [other for other in bounds if other < bound]
    if lower:
        assert sum(time <= lower[-1] for time in times) < share * len(times)
