"""Whose turn it is: the decisions alone, without a line."""

import random
from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.polling.schedule import Schedule, Task, Turn

NS = 1_000_000_000


def schedule(periods_s: list[float]) -> Schedule:
    made = Schedule(periods_s, 0.5, 30.0, random.Random(3))
    made.start(0)
    return made


def test_it_connects_first_and_waits_after_a_failure() -> None:
    turns = schedule([2.0])
    assert turns.next(0, False) == Turn(Task.CONNECT, 0)
    turns.connect_failed(0)
    assert turns.next(0, False) == Turn(Task.REPORT, 0, 0)
    wait = turns.next(0, False)
    assert wait.task is Task.WAIT
    assert 0 < wait.at_ns <= 0.5 * NS
    assert turns.next(wait.at_ns, False).task is Task.CONNECT


def test_earliest_due_goes_first() -> None:
    turns = schedule([10.0, 1.0, 3.0])
    assert [turns.next(0, True).instrument for _ in range(3)] == [0, 1, 2]
    now = 0
    polls: list[tuple[int, int]] = []
    while now < 60 * NS:
        turn = turns.next(now, True)
        if turn.task is Task.WAIT:
            now = turn.at_ns
        else:
            polls.append((turn.at_ns, turn.instrument))
    assert polls == sorted(polls)
    counts = Counter(instrument for _, instrument in polls)
    assert counts[1] in (59, 60)
    assert counts[2] in (19, 20)
    assert counts[0] in (5, 6)


@given(
    period_ms=st.integers(1, 120_000),
    number=st.integers(1, 64),
    begun_ns=st.integers(0, 10 * NS),
    answers_after_ns=st.integers(0, NS // 100),
)
def test_polls_are_spread_over_the_period_each_at_a_moment_of_its_own(
    period_ms: int, number: int, begun_ns: int, answers_after_ns: int
) -> None:
    period_ns = period_ms * 1_000_000
    turns = Schedule([period_ms / 1000.0] * number, 0.5, 30.0, random.Random(3))
    turns.start(begun_ns)
    now_ns, firsts = begun_ns, []
    for _ in range(number):
        turns.next(now_ns, True)
        firsts.append(now_ns)
        now_ns += answers_after_ns
    seconds: dict[int, int] = {}
    while len(seconds) < number:
        turn = turns.next(now_ns, True)
        if turn.task is Task.WAIT:
            now_ns = turn.at_ns
        else:
            seconds.setdefault(turn.instrument, turn.at_ns)
    times = [seconds[index] for index in range(number)]
    assert times == sorted(set(times)), "in their order, no two together"
    share_ns = period_ns / number
    for index, (first_ns, second_ns) in enumerate(zip(firsts, times, strict=True)):
        asked_ns = first_ns + share_ns * (index + 0.5)
        assert asked_ns - 1 <= second_ns <= asked_ns + min(share_ns, 40_000_000) + 1
    if share_ns >= 40_000_000:
        assert all(due_ns % 40_000_000 == 0 for due_ns in times), "at moments that other lines have too"


def test_a_connection_that_had_served_is_tried_again_at_once_and_one_that_had_not_is_not() -> None:
    turns = schedule([60.0])
    turns.next(0, True)
    turns.connection_lost(NS)
    assert turns.next(NS, False).task is Task.CONNECT
    turns.connection_lost(NS)
    assert turns.next(NS, False).task is Task.WAIT
    turns.connection_served(2 * NS)
    turns.connection_lost(2 * NS)
    assert turns.next(2 * NS, False).task is Task.CONNECT


class Longest(random.Random):
    """Draws the most there is, so that the limits can be read."""

    def uniform(self, a: float, b: float) -> float:
        return b


def waits_after(served_s: list[float]) -> list[float]:
    """How long a line waits after one vain try, each time that a connection has served for so long and is lost."""
    turns = Schedule([60.0], 0.5, 30.0, Longest())
    turns.start(0)
    turns.next(0, True)
    now_ns, waits = NS, []
    for each_s in served_s:
        turns.connection_served(now_ns)
        now_ns += round(each_s * NS)
        turns.connection_lost(now_ns)
        assert turns.next(now_ns, False).task is Task.CONNECT, "at once"
        turns.connect_failed(now_ns)
        waits.append((turns._connect_at_ns - now_ns) / NS)
        now_ns += round(waits[-1] * NS)
    return waits


def test_ten_outages_in_the_life_of_a_line_are_not_ten_in_a_row() -> None:
    assert waits_after([86_400.0] * 10) == [0.5] * 10


def test_a_connection_that_comes_and_goes_is_tried_again_later_and_later() -> None:
    """Forgotten after ten times the first wait of service, 5 s here: 4.9 s are not enough."""
    assert waits_after([1.0, 4.9, 4.9, 4.9, 5.0, 1.0]) == [0.5, 1.0, 2.0, 4.0, 0.5, 1.0]


def test_one_answer_of_an_instrument_makes_its_next_silence_the_first() -> None:
    turns = Schedule([60.0, 60.0], 0.5, 30.0, Longest())
    turns.start(0)
    retries = []
    for failed in (0, 1, 2):
        turns.unanswered(0, failed * NS, 0)
        retries.append(turns._absent[0].retry_ns / NS - failed)
    assert retries == [0.5, 1.0, 2.0]
    turns.answered(0)
    turns.unanswered(0, 9 * NS, 0)
    assert turns._absent[0].retry_ns == 9.5 * NS


def test_no_probe_within_five_times_what_the_last_vain_wait_cost() -> None:
    turns = schedule([2.0, 2.0, 2.0])
    for _ in range(3):
        turns.next(0, True)
    turns.unanswered(0, 1 * NS, NS)
    turns.unanswered(1, 2 * NS, NS)
    now, probe = 2 * NS, None
    while probe is None:
        turn = turns.next(now, True)
        if turn.task is Task.WAIT:
            now = turn.at_ns
        elif turn.task is Task.PROBE:
            probe = turn
    assert now == 7 * NS
    assert probe.instrument == 0


def test_after_a_silence_of_all_there_is_no_rest_until_the_next_vain_wait() -> None:
    turns = schedule([60.0, 60.0, 60.0])
    for _ in range(3):
        turns.next(0, True)
    turns.unanswered(0, 1 * NS, NS, NS)
    turns.unanswered(1, 2 * NS, NS, NS)
    turns.silence_ended(2 * NS)
    probe = turns.next(2 * NS, True)
    assert (probe.task, probe.instrument) == (Task.PROBE, 0)
    turns.unanswered(0, 3 * NS, NS, NS)
    assert not turns.may_time_out(8 * NS - 1)
    assert turns.may_time_out(8 * NS)


def test_with_none_left_to_delay_probes_need_not_wait_for_one_another() -> None:
    turns = schedule([60.0])
    turns.next(0, True)
    turns.unanswered(0, NS, NS)
    turn = turns.next(2 * NS, True)
    assert turn.task is Task.PROBE


@given(
    periods=st.lists(st.floats(0.1, 60.0), min_size=1, max_size=8),
    costs=st.lists(st.floats(0.001, 5.0), min_size=1, max_size=20),
    failing=st.sets(st.integers(0, 7)),
)
def test_time_never_stands_still_and_every_instrument_has_its_turn(
    periods: list[float], costs: list[float], failing: set[int]
) -> None:
    turns = schedule(periods)
    now, seen, steps = 0, set(), 0
    while now < 200 * NS and steps < 4000:
        steps += 1
        turn = turns.next(now, True)
        assert turn.task is not Task.CONNECT
        if turn.task is Task.WAIT:
            assert turn.at_ns > now
            now = turn.at_ns
            continue
        assert turn.at_ns <= now
        seen.add(turn.instrument)
        if turn.task is Task.REPORT:
            continue
        cost = round(costs[steps % len(costs)] * NS)
        now += cost
        if turn.instrument in failing:
            turns.unanswered(turn.instrument, now, cost)
        else:
            turns.answered(turn.instrument)
    assert seen == set(range(len(periods)))


@given(units=st.integers(2, 40), silent_s=st.integers(60, 3600))
def test_what_a_converter_that_has_stopped_may_keep_grows_slowly_and_the_first_answer_ends_the_rest(
    units: int, silent_s: int
) -> None:
    """Each vain wait takes a second: one request for each unit, some while the rest grows, then one in four seconds."""
    turns = schedule([2.0] * units)
    now = asked = 0
    while now < silent_s * NS:
        turn = turns.next(now, True)
        if turn.task is Task.WAIT:
            now = turn.at_ns
        elif turn.task in (Task.POLL, Task.PROBE):
            asked += 1
            now += NS
            turns.unanswered(turn.instrument, now, NS, is_kept=True)
    assert asked <= units + 3 + silent_s / 4.0
    while (turn := turns.next(now, True)).task is not Task.PROBE:
        now = max(now, turn.at_ns)
    answered_ns = now
    assert turns.answered(turn.instrument)
    turns.silence_ended(now)
    while (turn := turns.next(now, True)).task is not Task.PROBE:
        now = max(now, turn.at_ns)
    assert now - answered_ns <= 0, "the others are tried at once"
