"""Counts as they are handed out."""

import math
from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.polling.statistics import InstrumentStatistics, LineStatistics
from gateway.process.durations import DurationCounts
from gateway.records import ReasonCode

MS = 1_000_000


@given(st.lists(st.integers(0, 20_000 * MS)))
def test_a_histogram_counts_cumulatively_what_lies_at_or_below_each_bound(durations: list[int]) -> None:
    counts = DurationCounts((0.001, 0.05, 2.0))
    for duration in durations:
        counts.add(duration)
    record = counts.record()
    assert record.bounds_s == (0.001, 0.05, 2.0, math.inf)
    limits = (MS, 50 * MS, 2000 * MS)
    assert record.counts == (*(sum(duration <= limit for duration in durations) for limit in limits), len(durations))
    assert math.isclose(record.sum_s, sum(durations) / 1e9, abs_tol=1e-9)


def test_a_record_does_not_change_after_it_was_handed_out() -> None:
    statistics = InstrumentStatistics("LT-1", "yard")
    statistics.failed(ReasonCode.NO_ANSWER)
    before = statistics.record(1.0, 0)
    statistics.failed(ReasonCode.NO_ANSWER)
    statistics.answered(3 * MS, 17)
    after = statistics.record(1.0, 0)
    assert (before.requests, before.errors, before.last_answer_ns) == (1, {"no_answer": 1}, None)
    assert (after.requests, after.errors, after.last_answer_ns) == (3, {"no_answer": 2}, 17)
    assert before.response_time.counts[-1] == 0


def test_a_line_tells_its_occupancy_and_what_came_unasked() -> None:
    statistics = LineStatistics("yard", 0)
    statistics.busy_ns = 1500 * MS
    counters = LinkCounters(late_answers=2, unsolicited_frames=5, second_answers=4, shifts=1)
    status = statistics.record(counters, 3, "10.0.0.1:502", on_standby=True, connections_wanted=4, connections_open=2)
    assert (status.line, status.connected, status.busy_s) == ("yard", True, 1.5)
    assert (status.on_standby, status.connections_wanted, status.connections_open) == (True, 4, 2)
    lost = statistics.record(counters, 3, "10.0.0.1:502", on_standby=False, connections_wanted=1, connections_open=0)
    assert not lost.connected
    assert (status.late_answers, status.unsolicited_frames, status.second_master_suspicions) == (2, 5, 3)
    assert (status.second_answers, status.shifts) == (4, 1)
    assert LinkCounters.total([counters, counters]) == LinkCounters(4, 10, 8, 2)


def test_a_line_tells_what_was_sent_by_function_code_whichever_way_it_went() -> None:
    ways = [LinkCounters(sent=Counter({3: 5, 4: 2})), LinkCounters(sent=Counter({3: 1}))]
    total = LinkCounters.total(ways)
    status = LineStatistics("yard", 0).record(
        total, 0, "10.0.0.1:502", on_standby=False, connections_wanted=1, connections_open=1
    )
    assert status.functions_sent == {3: 6, 4: 2}
    total.sent[3] += 1
    assert status.functions_sent == {3: 6, 4: 2}, "what was told is not changed any more"
