"""No sequence of values, gaps, restarts, clocks that are set, commands and plans reaches a state that is none, hides a
true high, or raises an old alarm anew: whatever is done, an alarm stands as a few plain facts say."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from gateway.tank_record import EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.commands import AlarmRefusedError, AlarmVerb
from gateway.watch.alarms.condition import Condition
from gateway.watch.plan import AlarmPlan
from tests.watch.alarm_life import BETWEEN, MAINTENANCE, NOON, OFF, ON, UNKNOWN, Life, plan_of

SECONDS = st.sampled_from((0, 1, 2, 5, 30, 600, 3600, 50_000))
"""Whole, so that sums of them are exact."""
CONDITIONS = st.sampled_from((ON, OFF, BETWEEN, UNKNOWN))
PLANS = st.builds(
    plan_of,
    on_delay_s=st.sampled_from((0.0, 0.0, 5.0)),
    off_delay_s=st.sampled_from((0.0, 0.0, 30.0)),
    response_s=st.sampled_from((None, 20.0, 600.0)),
)


@dataclass
class Hidden:
    """For how long somebody hid it: by the clock that people know, and by time as it passes."""

    until: datetime
    until_s: float


@dataclass
class Facts:
    """What is true of the alarm, told apart from how it is remembered."""

    passed_s: float = 0.0
    is_active: bool = False
    is_owed: bool = False
    """Somebody was told of it, and nobody has acknowledged it since."""
    shelved: Hidden | None = None
    out_of_service: Hidden | None = None
    is_suppressed: bool = False
    turning: list[tuple[float, bool]] = field(default_factory=list)
    """When it was known to be about to turn, without a break, and whether something unknown lay before."""
    is_gap: bool = False
    waits_since_s: float | None = None
    was_escalated: bool = False

    @property
    def is_hidden(self) -> bool:
        return self.is_suppressed or self.shelved is not None or self.out_of_service is not None

    @property
    def phase(self) -> AlarmPhase:
        if self.out_of_service is not None:
            return AlarmPhase.OUT_OF_SERVICE
        if self.shelved is not None:
            return AlarmPhase.SHELVED
        if self.is_suppressed:
            return AlarmPhase.SUPPRESSED
        if self.is_active:
            return AlarmPhase.UNACKNOWLEDGED if self.is_owed else AlarmPhase.ACKNOWLEDGED
        return AlarmPhase.RETURNED if self.is_owed else AlarmPhase.NORMAL

    def turns(self, condition: Condition, delay_s: float) -> bool:
        """Whether it becomes what it is not, at this sheet."""
        if condition.active is None:
            self.is_gap = True
            return False
        behind = condition.inside and not condition.active
        if not (behind if self.is_active else condition.active):
            self.turning.clear()
            self.is_gap = False
            return False
        self.turning.append((self.passed_s, self.is_gap))
        self.is_gap = False
        pairs = zip(self.turning, self.turning[1:], strict=False)
        if sum(after - before for (before, _), (after, gap) in pairs if not gap) < delay_s:
            return False
        self.turning.clear()
        return True

    def shown(self) -> Iterable[EventKind]:
        """Nothing hides it any more."""
        if self.is_active and not self.is_hidden:
            self.is_owed = True
            yield EventKind.ALARM_RAISED

    def waits(self, response_s: float | None, *, is_sheet: bool) -> Iterable[EventKind]:
        if self.is_hidden or not self.is_owed:
            self.waits_since_s, self.was_escalated = None, False
            return
        if self.waits_since_s is None:
            self.waits_since_s = self.passed_s
        is_due = response_s is not None and self.passed_s - self.waits_since_s >= response_s
        if is_sheet and is_due and self.is_active and not self.was_escalated:
            self.was_escalated = True
            yield EventKind.ALARM_ESCALATED


class Alarm(RuleBasedStateMachine):
    """What is done to an alarm, and what has to follow."""

    def __init__(self) -> None:
        super().__init__()
        self.life = Life()
        self.facts = Facts()
        self.before = self.life.phase

    @initialize(plan=PLANS)
    def first_plan(self, plan: AlarmPlan) -> None:
        self.life.plan = plan

    @rule(plan=PLANS)
    def another_plan(self, plan: AlarmPlan) -> None:
        self.life.plan = plan

    @rule(steps=st.lists(st.tuples(CONDITIONS, st.sampled_from((1, 1, 2, 5, 30))), min_size=1, max_size=12))
    def sheets(self, steps: list[tuple[Condition, int]]) -> None:
        for condition, after_s in steps:
            self.sheet(condition, self.facts.is_suppressed, after_s)
            self.stands_as_the_facts_say()

    @rule(condition=CONDITIONS, is_suppressed=st.booleans(), after_s=SECONDS)
    def one_sheet(self, condition: Condition, is_suppressed: bool, after_s: int) -> None:
        self.sheet(condition, is_suppressed, after_s)

    def sheet(self, condition: Condition, is_suppressed: bool, after_s: int) -> None:
        facts, plan = self.facts, self.life.plan
        facts.passed_s += after_s
        self.life.sheet(condition._replace(suppressed=MAINTENANCE if is_suppressed else None), after_s)
        expected = []
        if is_suppressed and not facts.is_suppressed:
            facts.is_suppressed = True
            expected.append(EventKind.ALARM_SUPPRESSED)
        if facts.turns(condition, plan.off_delay_s if facts.is_active else plan.on_delay_s):
            facts.is_active = not facts.is_active
            if not facts.is_hidden:
                facts.is_owed = facts.is_owed or facts.is_active
                expected.append(EventKind.ALARM_RAISED if facts.is_active else EventKind.ALARM_RETURNED)
        was_hidden = facts.is_hidden
        if facts.is_suppressed and not is_suppressed:
            facts.is_suppressed = False
            expected.append(EventKind.ALARM_UNSUPPRESSED)
        if self.is_over(facts.shelved):
            facts.shelved = None
            expected.append(EventKind.ALARM_UNSHELVED)
        if self.is_over(facts.out_of_service):
            facts.out_of_service = None
            expected.append(EventKind.ALARM_IN_SERVICE)
        if was_hidden:
            expected += facts.shown()
        expected += facts.waits(plan.response_s, is_sheet=True)
        self.told(expected)
        # The chief rules once more, each for itself.
        if condition.active and not facts.is_hidden and plan.on_delay_s == 0.0:
            assert self.life.phase in (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED), "a true high is hidden"

    def is_over(self, hidden: Hidden | None) -> bool:
        if hidden is None:
            return False
        by_clock = self.life.is_told and self.life.instant >= hidden.until
        return by_clock or self.facts.passed_s >= hidden.until_s

    @rule()
    def acknowledge(self) -> None:
        facts = self.facts
        if facts.is_hidden or not facts.is_owed:
            self.is_refused(AlarmVerb.ACKNOWLEDGE)
            return
        self.life.does(AlarmVerb.ACKNOWLEDGE)
        facts.is_owed = False
        self.told([EventKind.ALARM_ACKNOWLEDGED, *facts.waits(None, is_sheet=False)])

    @rule(for_s=st.sampled_from((1, 60, 7200, 43_200)))
    def shelve(self, for_s: int) -> None:
        self.life.does(AlarmVerb.SHELVE, for_s=for_s)
        self.facts.shelved = self.hidden_for(for_s)
        self.told([EventKind.ALARM_SHELVED, *self.facts.waits(None, is_sheet=False)])

    @rule(for_s=st.sampled_from((1, 7200, 2_678_400)))
    def out_of_service(self, for_s: int) -> None:
        self.life.does(AlarmVerb.OUT_OF_SERVICE, why="its gauge is exchanged", for_s=for_s)
        self.facts.out_of_service = self.hidden_for(for_s)
        self.told([EventKind.ALARM_OUT_OF_SERVICE, *self.facts.waits(None, is_sheet=False)])

    def hidden_for(self, for_s: int) -> Hidden:
        return Hidden(self.life.instant + timedelta(seconds=for_s), self.facts.passed_s + for_s)

    @rule()
    def unshelve(self) -> None:
        if self.facts.shelved is None:
            self.is_refused(AlarmVerb.UNSHELVE)
            return
        self.life.does(AlarmVerb.UNSHELVE)
        self.facts.shelved = None
        self.told([EventKind.ALARM_UNSHELVED, *self.facts.shown(), *self.facts.waits(None, is_sheet=False)])

    @rule()
    def in_service(self) -> None:
        if self.facts.out_of_service is None:
            self.is_refused(AlarmVerb.IN_SERVICE)
            return
        self.life.does(AlarmVerb.IN_SERVICE)
        self.facts.out_of_service = None
        self.told([EventKind.ALARM_IN_SERVICE, *self.facts.shown(), *self.facts.waits(None, is_sheet=False)])

    def is_refused(self, verb: AlarmVerb) -> None:
        before = self.life.memory
        try:
            self.life.does(verb)
        except AlarmRefusedError:
            assert self.life.memory is before
            assert self.life.told == []
        else:
            raise AssertionError(f"{verb} was not refused")

    @rule(verb=st.sampled_from((AlarmVerb.SHELVE, AlarmVerb.OUT_OF_SERVICE)), for_s=st.sampled_from((0, -60, 10**8)))
    def an_end_that_cannot_be(self, verb: AlarmVerb, for_s: int) -> None:
        before = self.life.memory
        try:
            self.life.does(verb, why="its gauge is exchanged", for_s=for_s)
        except AlarmRefusedError:
            assert self.life.memory is before
        else:
            raise AssertionError("it was not refused")

    @rule(after_s=SECONDS, steady_s=st.sampled_from((0, 5, 10**6)))
    def restart(self, after_s: int, steady_s: int) -> None:
        before = self.life.standing
        self.life.restarts(after_s, steady_s)
        self.facts.passed_s += after_s
        assert self.life.standing == before

    @rule(by_s=st.sampled_from((-(10**7), -7200, -1, 1, 7200, 10**7)))
    def clock_is_set(self, by_s: int) -> None:
        self.life.instant += timedelta(seconds=by_s)

    @precondition(lambda self: abs((self.life.instant - NOON).total_seconds() - self.facts.passed_s) > 1.0)
    @rule()
    def clock_is_set_right(self) -> None:
        self.life.instant = NOON + timedelta(seconds=self.facts.passed_s)

    @rule(is_told=st.booleans())
    def clock_is_doubted(self, is_told: bool) -> None:
        self.life.is_told = is_told

    def told(self, expected: list[EventKind]) -> None:
        """What was told is what happened, and what happened was told: a phase never changes in silence."""
        events = list(self.life.events)
        assert self.life.told == expected
        if events:
            last = events[-1].standing
            assert last is not None
            assert last.phase is self.life.phase
        else:
            assert self.life.phase is self.before
        self.before = self.life.phase

    @invariant()
    def stands_as_the_facts_say(self) -> None:
        standing = self.life.standing
        assert standing.phase is self.facts.phase
        assert standing.is_active is self.facts.is_active

    @invariant()
    def nothing_is_there_that_does_not_belong_to_the_phase(self) -> None:
        standing, memory = self.life.standing, self.life.memory
        by_a_person = {AlarmPhase.ACKNOWLEDGED, AlarmPhase.SHELVED, AlarmPhase.OUT_OF_SERVICE}
        assert (standing.by is not None) is (standing.phase in by_a_person)
        until = {AlarmPhase.SHELVED, AlarmPhase.OUT_OF_SERVICE}
        assert (standing.until is not None) is (standing.phase in until)
        in_sight = standing.phase in {AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED}
        assert not in_sight or (standing.raised is not None and memory.order == 1)
        assert standing.phase is not AlarmPhase.NORMAL or memory.order == 0
        assert not standing.is_active or standing.reason is not None


TestAlarm = Alarm.TestCase
