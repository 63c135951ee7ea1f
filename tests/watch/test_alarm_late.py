"""Memory of alarms that comes late, against a gateway that had it at its start: never less is told, and where nothing
has turned since the start, the same stands."""

from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.tank_record import EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.commands import AlarmVerb
from gateway.watch.alarms.condition import Condition
from gateway.watch.alarms.late import Since, joined
from gateway.watch.alarms.memory import AlarmMemory, first_memory, is_hidden
from tests.watch.alarm_life import BETWEEN, MAINTENANCE, NAME, OFF, ON, UNKNOWN, Life, plan_of

CONDITIONS = st.sampled_from([ON, OFF, BETWEEN, UNKNOWN, Condition(True, suppressed=MAINTENANCE)])
HIDING = {AlarmPhase.SHELVED, AlarmPhase.OUT_OF_SERVICE, AlarmPhase.SUPPRESSED}


class Both:
    """One gateway that has the memory at its start, and one that gets it late."""

    def __init__(self, before: Life) -> None:
        self.before = before
        before.restarts(30.0)
        before.events.clear()
        self.kept: AlarmMemory = before.memory
        self.late = Life(before.plan)
        self.late.instant, self.late.steady_s = before.instant, before.steady_s
        self.late.memory = first_memory(before.instant)
        self.since = Since()

    def sheet(self, condition: Condition) -> None:
        self.before.sheet(condition)
        self.late.sheet(condition)
        self.since.note({NAME: condition})

    def join(self) -> None:
        late = self.late
        found = joined(
            {NAME: late.plan}, {NAME: self.kept}, {NAME: late.memory}, self.since, late.instant, late.steady_s
        )
        late.memory = found.memories[NAME]
        late.events += found.events


def lived(steps: list[Condition | AlarmVerb]) -> Life:
    life = Life(plan_of(response_s=900.0))
    for step in steps:
        if isinstance(step, Condition):
            life.sheet(step)
            continue
        for_s = 3600.0 if step in (AlarmVerb.SHELVE, AlarmVerb.OUT_OF_SERVICE) else None
        try:
            life.does(step, why="it is known", for_s=for_s)
        except Exception:  # noqa: BLE001 - nothing to acknowledge, and the like
            continue
    return life


STEPS = st.lists(st.one_of(CONDITIONS, st.sampled_from(list(AlarmVerb))), max_size=8)


@settings(max_examples=400, deadline=None)
@given(steps=STEPS, since=st.lists(CONDITIONS, max_size=5), after=st.lists(CONDITIONS, min_size=1, max_size=4))
def test_memory_that_comes_late_hides_nothing_that_it_would_not_have_hidden_in_time(
    steps: list[Condition | AlarmVerb], since: list[Condition], after: list[Condition]
) -> None:
    both = Both(lived(steps))
    for condition in since:
        both.sheet(condition)
    both.join()
    for condition in after:
        both.sheet(condition)
        in_time, late = both.before.phase, both.late.phase
        if in_time is AlarmPhase.UNACKNOWLEDGED:
            assert late is AlarmPhase.UNACKNOWLEDGED
        if in_time is AlarmPhase.RETURNED and not is_hidden(both.kept):
            # Else it came into sight and went while nobody knew of it.
            assert late is AlarmPhase.RETURNED, "what waits for somebody waits here too"
        if late in HIDING:
            assert in_time in HIDING
        if in_time is AlarmPhase.ACKNOWLEDGED:
            assert late in {AlarmPhase.ACKNOWLEDGED, AlarmPhase.UNACKNOWLEDGED}
        assert both.late.standing.is_active == both.before.standing.is_active


@settings(max_examples=300, deadline=None)
@given(steps=STEPS, times=st.integers(0, 4), condition=CONDITIONS)
def test_where_nothing_turned_since_the_start_it_stands_as_if_it_had_been_there_in_time(
    steps: list[Condition | AlarmVerb], times: int, condition: Condition
) -> None:
    both = Both(lived(steps))
    for _ in range(times):
        both.sheet(condition)
    both.join()
    both.sheet(condition)
    assert both.late.phase is both.before.phase


def test_one_that_was_acknowledged_is_acknowledged_again_and_that_is_told_with_who_it_was() -> None:
    both = Both(lived([ON, AlarmVerb.ACKNOWLEDGE]))
    both.sheet(ON)
    assert both.late.told == [EventKind.ALARM_RAISED], "nobody waits for a disk"
    both.join()
    (event,) = both.late.events
    assert (event.kind, event.by) == (EventKind.ALARM_ACKNOWLEDGED, "ann")
    assert event.standing is not None
    assert event.standing.raised == both.before.standing.raised, "it is the one of before"
    both.sheet(ON)
    assert both.late.phase is AlarmPhase.ACKNOWLEDGED


def test_one_that_was_seen_to_be_over_and_came_again_is_another() -> None:
    both = Both(lived([ON, AlarmVerb.ACKNOWLEDGE]))
    for condition in (OFF, ON):
        both.sheet(condition)
    both.join()
    assert both.late.phase is AlarmPhase.UNACKNOWLEDGED
    assert both.late.told == [EventKind.ALARM_RAISED]


@pytest.mark.parametrize("verb", [AlarmVerb.SHELVE, AlarmVerb.OUT_OF_SERVICE])
def test_what_somebody_hid_is_hidden_from_then_on_until_the_end_that_was_given(verb: AlarmVerb) -> None:
    both = Both(lived([ON, verb]))
    until = both.before.standing.until
    assert until is not None
    both.sheet(ON)
    both.join()
    both.sheet(ON)
    kinds = {AlarmVerb.SHELVE: EventKind.ALARM_SHELVED, AlarmVerb.OUT_OF_SERVICE: EventKind.ALARM_OUT_OF_SERVICE}
    assert both.late.told == [EventKind.ALARM_RAISED, kinds[verb]]
    assert both.late.standing.until == until
    both.late.passes((until - both.late.instant - timedelta(seconds=2)).total_seconds())
    assert both.late.sheet(ON) is both.before.phase
    assert both.late.sheet(ON, 2.0) is AlarmPhase.UNACKNOWLEDGED


def test_nobody_is_told_twice_that_it_waits() -> None:
    """Raised 890 s before the restart of 30 s, with 900 s to respond: it is escalated once, before or after."""
    before = lived([ON])
    before.sheet(ON, 899.0)
    assert before.told == [EventKind.ALARM_RAISED]
    before.sheet(ON, 2.0)
    assert before.told == [EventKind.ALARM_ESCALATED]
    both = Both(before)
    both.sheet(ON)
    both.join()
    both.late.told.clear()
    assert both.late.sheet(ON, 901.0) is AlarmPhase.UNACKNOWLEDGED
    assert EventKind.ALARM_ESCALATED not in both.late.told
