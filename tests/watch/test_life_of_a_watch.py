"""A tank that is filled, watched by the pipeline as a gateway does it: over restarts, and with people who act.

The tank holds 100 m3 a metre and is filled at 300 m3/h: 3 m an hour, a metre in 1,200 s. From 8 m it comes to its
maximum working level of 9 m after 1,200 s, to high-high at 9.3 m after 1,560 s and to critical high at 9.6 m after
1,920 s.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from structlog.testing import capture_logs

import gateway.watch.conditions as conditions_module
import gateway.watch.watch as watch_module
from gateway import pipeline as pipeline_module
from gateway.binding import ManualValue, TankBinding
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan
from gateway.kept_memory import Kept
from gateway.pipeline import Pipeline
from gateway.records import Reason, ReasonCode, TankInput
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, Motion, Priority, TankState
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, AlarmVerb
from gateway.watch.alarms.condition import Condition
from gateway.watch.memory import NO_WATCH
from gateway.watch.plan import AlarmPlan, LossPlan, WatchPlan
from tests.support.plans import NOON, good, straight_plan
from tests.test_restart import PERIOD_S, SOURCES, Life, Story, World

HIGH = (AlarmKind.MAXIMUM_WORKING, AlarmKind.HIGH_HIGH, AlarmKind.CRITICAL_HIGH)
PLAN = straight_plan(
    maximum_flow_in_m3_s=0.1, maximum_flow_out_m3_s=0.1, gauge=GaugePlan(GaugeKind.INNAGE, resolution_m=0.001)
)
BINDING = TankBinding(
    "TK-1",
    level=SOURCES["level"],
    elements=tuple(SOURCES[f"t{index}"] for index in range(1, 5)),
    reference_density=ManualValue(800.0),
)


def alarm(kind: AlarmKind, priority: Priority = Priority.NOW, deadband: float = 0.01) -> AlarmPlan:
    return AlarmPlan(kind, priority, f"{kind} happens", f"see to {kind}", 600.0, deadband=deadband)


SOON = replace(alarm(AlarmKind.HIGH_HIGH_SOON, deadband=60.0), limit=600.0)
WATCH = WatchPlan("TK-1", alarms=(*map(alarm, HIGH), alarm(AlarmKind.LEVEL_LOST), SOON))


class Watched(Life):
    """As `Life`, and its tank is watched."""

    watch = WATCH

    def begin(self, steady_s: float, kept: Kept | None = None) -> None:
        self.steady_off_s = steady_s - self.second
        tanks = [(self.plan, self.binding, PERIOD_S)]
        self.pipeline = Pipeline("site", "b" * 32, tanks, self._take, self, watches={"TK-1": self.watch})
        if kept is not None:
            self.pipeline.restore(kept)

    @property
    def events(self) -> list[Event]:
        return [event for record in self.records for event in record.events]

    @property
    def state(self) -> TankState:
        state = self.records[-1].state
        assert state is not None
        return state

    def told(self) -> list[tuple[EventKind, str]]:
        return [(event.kind, event.subject) for event in self.events]

    def do(self, verb: AlarmVerb, name: AlarmKind, until: datetime | None = None) -> None:
        self.pipeline.act("TK-1", AlarmCommand(verb, name, "kim", "seen", until))


def filling(second: float) -> World:
    return World(level=round(8.0 + min(second, 2000.0) / 1200.0, 3))


def life(story: Story = filling, **changes: object) -> Watched:
    return Watched(story, replace(PLAN, **changes), BINDING)  # type: ignore[arg-type]


def raised(events: Sequence[Event]) -> list[str]:
    return [event.subject for event in events if event.kind is EventKind.ALARM_RAISED]


def test_a_tank_that_is_filled_is_told_in_time() -> None:
    watched = life()
    watched.poll(600)
    state = watched.state
    assert state.motion is Motion.FILLING
    assert state.rate.value == pytest.approx(300.0 / 3600.0, rel=0.05)
    assert [time.limit for time in state.times] == ["maximum_working", "high_high", "critical_high"]
    assert state.times[1].in_s == pytest.approx(960.0, rel=0.05), "from 8.5 m to 9.3 m, 1,200 s a metre"
    assert state.times[1].at == watched.records[-1].inventory.instant + timedelta(seconds=state.times[1].in_s)
    assert watched.told() == [(EventKind.MOVEMENT_BEGAN, "filling")]
    watched.poll(1_400)
    assert raised(watched.events) == [
        "high_high_soon",
        "maximum_working",
        "high_high",
        "critical_high",
    ], "the warning 600 s before high-high, at 960 s, then the alarms as their levels are passed"


def test_each_is_raised_by_the_very_reading_that_passes_its_limit() -> None:
    watched = life()
    for _ in range(200):
        (sheet,) = watched.poll(PERIOD_S)
        level = sheet.figures.level.value
        assert level is not None
        for kind, limit_m in zip(HIGH, (9.0, 9.3, 9.6), strict=True):
            names = [standing.name for standing in watched.state.alarms if standing.is_active]
            assert (kind in names) == (level >= limit_m), (level, kind)


def test_a_restart_raises_nothing_anew_and_forgets_nothing() -> None:
    watched = life()
    watched.poll(1_600)
    before = watched.state.alarms
    phases = {standing.name: standing.phase for standing in before}
    assert phases == {
        "high_high": AlarmPhase.UNACKNOWLEDGED,
        "maximum_working": AlarmPhase.UNACKNOWLEDGED,
        "high_high_soon": AlarmPhase.RETURNED,
    }, "high-high is no longer ahead"
    watched.do(AlarmVerb.ACKNOWLEDGE, AlarmKind.HIGH_HIGH)
    told = len(watched.events)
    watched.restart(20.0)
    watched.poll(100)
    assert raised(watched.events[told:]) == []
    after = {standing.name: standing for standing in watched.state.alarms}
    assert after["high_high"].phase is AlarmPhase.ACKNOWLEDGED
    assert (after["high_high"].by, after["high_high"].why) == ("kim", "seen")
    assert after["maximum_working"].raised == next(each.raised for each in before if each.name == "maximum_working")


def test_what_rises_while_nobody_watches_is_raised_when_somebody_does() -> None:
    watched = life()
    watched.poll(1_300)
    watched.restart(300.0)
    told = len(watched.events)
    watched.poll(20)
    assert "high_high" in raised(watched.events[told:])


def test_a_gauge_that_is_lost_leaves_the_alarm_and_raises_its_own() -> None:
    def story(second: float) -> World:
        return filling(second) if second < 1_600 else World(level=None)

    watched = life(story)
    watched.poll(1_700)
    phases = {standing.name: standing.phase for standing in watched.state.alarms}
    assert phases["high_high"] is AlarmPhase.UNACKNOWLEDGED, "nobody knows that it is over"
    assert phases["level_lost"] is AlarmPhase.UNACKNOWLEDGED
    assert watched.state.motion is Motion.UNKNOWN
    assert watched.state.times == ()
    assert watched.state.rate.value is None


def test_what_somebody_does_is_told_at_once_by_a_sheet_of_its_own() -> None:
    watched = life()
    watched.poll(1_300)
    sheets = len(watched.records)
    watched.do(AlarmVerb.ACKNOWLEDGE, AlarmKind.MAXIMUM_WORKING)
    assert len(watched.records) == sheets + 1
    (event,) = watched.records[-1].events
    assert (event.kind, event.subject, event.by) == (EventKind.ALARM_ACKNOWLEDGED, "maximum_working", "kim")
    (standing,) = (each for each in watched.state.alarms if each.name == "maximum_working")
    assert (standing.phase, standing.by) == (AlarmPhase.ACKNOWLEDGED, "kim")


@pytest.mark.parametrize(
    ("tank", "name", "wrong"),
    [("TK-1", AlarmKind.HIGH_HIGH, "nothing to acknowledge"), ("TK-9", AlarmKind.HIGH_HIGH, "no tank 'TK-9'")],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(tank: str, name: AlarmKind, wrong: str) -> None:
    watched = life()
    watched.poll(100)
    sheets = len(watched.records)
    with pytest.raises(AlarmRefusedError, match=wrong):
        watched.pipeline.act(tank, AlarmCommand(AlarmVerb.ACKNOWLEDGE, name, "kim"))
    assert len(watched.records) == sheets


def test_a_shelf_outlives_a_restart_and_ends_by_itself() -> None:
    watched = life()
    watched.poll(1_300)
    until = datetime.fromtimestamp(watched.utc_ns() / 1e9, UTC) + timedelta(seconds=200)
    watched.do(AlarmVerb.SHELVE, AlarmKind.MAXIMUM_WORKING, until)
    watched.restart(50.0)
    watched.poll(140)
    phases = {standing.name: standing.phase for standing in watched.state.alarms}
    assert phases["maximum_working"] is AlarmPhase.SHELVED
    told = len(watched.events)
    watched.poll(60)
    phases = {standing.name: standing.phase for standing in watched.state.alarms}
    assert phases["maximum_working"] is AlarmPhase.UNACKNOWLEDGED
    assert raised(watched.events[told:]) == ["maximum_working"]


def test_every_alarm_is_there_to_be_told_also_while_it_is_normal() -> None:
    watched = life()
    watched.poll(10)
    assert {each.standing.phase for each in watched.pipeline.alarms()} == {AlarmPhase.NORMAL}
    watched.poll(1_300)
    alarms = {each.standing.name: each for each in watched.pipeline.alarms()}
    assert list(alarms) == [plan.kind for plan in WATCH.alarms]
    assert alarms["maximum_working"].standing.phase is AlarmPhase.UNACKNOWLEDGED
    assert alarms["critical_high"].standing.phase is AlarmPhase.NORMAL
    assert (alarms["high_high"].consequence, alarms["high_high"].action) == ("high_high happens", "see to high_high")


def test_another_plan_keeps_its_alarms_until_they_are_judged_anew() -> None:
    watched = life()
    watched.poll(1_300)
    kept = watched.kept()
    watched.plan = replace(watched.plan, reference_height_m=10.4)
    watched.begin(5.0, kept)
    told = len(watched.events)
    watched.poll(20)
    assert raised(watched.events[told:]) == [], "maximum working was raised already"
    phases = {standing.name: standing.phase for standing in watched.state.alarms}
    assert phases["maximum_working"] is AlarmPhase.UNACKNOWLEDGED


def test_a_mistake_in_the_watch_leaves_the_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("a mistake")

    monkeypatch.setattr(pipeline_module, "watch", fails)
    monkeypatch.setattr(pipeline_module, "watch_in_parts", fails)
    watched = life()
    with capture_logs() as logs:
        watched.poll(20)
    assert watched.records[-1].inventory.figures.level.value == pytest.approx(8.017, abs=1e-9)
    assert watched.records[-1].state is None
    assert watched.pipeline.calculation_errors == 2
    assert "tank.watch_failed" in [each["event"] for each in logs]


def test_a_limit_that_is_changed_changes_nothing_of_how_the_tank_moves() -> None:
    watched = life()
    watched.poll(600)
    before = watched.state
    plan = replace(PLAN, limits=replace(PLAN.limits, high_high_m=9.2))
    watched.pipeline.change([(plan, BINDING, PERIOD_S)], (), watches={"TK-1": WATCH})
    assert watched.state.times[1].level_m == 9.2, "its sheet is made at once"
    assert (watched.state.motion, watched.state.since) == (Motion.FILLING, before.since)
    assert watched.state.rate.value == pytest.approx(300.0 / 3600.0, rel=0.05)
    watched.poll(900)
    assert watched.told()[0] == (EventKind.MOVEMENT_BEGAN, "filling")
    assert [kind for kind, _ in watched.told()].count(EventKind.MOVEMENT_BEGAN) == 1
    (high_high,) = (each for each in watched.events if each.subject == "high_high")
    assert high_high.standing is not None
    assert high_high.standing.value == pytest.approx(9.2, abs=0.01)


@pytest.mark.parametrize("acknowledged", [False, True])
@pytest.mark.parametrize("seconds", [0, 20])
def test_an_alarm_that_is_left_out_ends_and_is_raised_anew_when_it_is_put_back(
    acknowledged: bool, seconds: int
) -> None:
    watched = life()
    watched.poll(1_300)
    if acknowledged:
        watched.do(AlarmVerb.ACKNOWLEDGE, AlarmKind.MAXIMUM_WORKING)
    told = len(watched.told())
    without = replace(WATCH, alarms=tuple(each for each in WATCH.alarms if each.kind != "maximum_working"))
    for watch in (without, WATCH):
        watched.pipeline.change([(PLAN, BINDING, PERIOD_S)], (), watches={"TK-1": watch})
        watched.poll(seconds)
    watched.poll(20)
    assert watched.told()[told:] == [
        (EventKind.ALARM_RETURNED, "maximum_working"),
        (EventKind.ALARM_RAISED, "maximum_working"),
    ]
    phases = {standing.name: standing.phase for standing in watched.state.alarms}
    assert phases["maximum_working"] is AlarmPhase.UNACKNOWLEDGED


def test_the_last_word_of_a_tank_that_is_taken_out_ends_its_alarms() -> None:
    watched = life()
    watched.poll(1_300)
    (last,) = watched.pipeline.change([], ())
    ended = {event.subject: event for event in last.events}
    assert set(ended) == {each.name for each in watched.state.alarms}
    assert {event.kind for event in ended.values()} == {EventKind.ALARM_RETURNED}
    standing = ended["maximum_working"].standing
    assert standing is not None
    assert (standing.phase, standing.is_active) == (AlarmPhase.NORMAL, False)
    assert standing.raised is not None


def test_whoever_acts_sees_at_once_how_an_alarm_stands() -> None:
    watched = life()
    watched.poll(1_300)
    watched.begin(5.0, watched.kept())
    watched.do(AlarmVerb.ACKNOWLEDGE, AlarmKind.MAXIMUM_WORKING)
    standings = {each.name: each.phase for each in watched.pipeline.standings()["TK-1"]}
    assert standings["maximum_working"] is AlarmPhase.ACKNOWLEDGED


def test_another_table_tells_nothing_of_how_the_tank_moved() -> None:
    watched = life()
    watched.poll(600)
    plan = replace(PLAN, reference_height_m=PLAN.reference_height_m + 0.1)
    watched.pipeline.change([(plan, BINDING, PERIOD_S)], (), watches={"TK-1": WATCH})
    assert watched.state.motion is Motion.UNKNOWN
    assert watched.state.rate.value is None


@pytest.mark.parametrize("part", ["next_course", "next_loss"])
def test_a_mistake_in_one_part_of_the_watch_hides_no_high_level(part: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("a mistake")

    watched = life()
    watched.watch = replace(WATCH, loss=LossPlan())
    watched.begin(0.0)
    watched.poll(1_100)
    monkeypatch.setattr(watch_module, part, fails)
    with capture_logs():
        watched.poll(900)
    names = {"maximum_working", "high_high", "critical_high"}
    assert names <= set(raised(watched.events)), "9.6 m is passed after 1,920 s"
    assert (watched.state.rate.value is None) == (part == "next_course")
    assert watched.pipeline.calculation_errors > 0


def test_a_mistake_in_one_alarm_hides_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> Condition:
        raise ZeroDivisionError("a mistake")

    monkeypatch.setitem(conditions_module._JUDGES, AlarmKind.LEVEL_LOST, fails)
    watched = life()
    with capture_logs():
        watched.poll(1_700)
    assert {"maximum_working", "high_high"} <= set(raised(watched.events))
    assert watched.state.motion is Motion.FILLING


def test_what_somebody_does_before_the_first_sheet_makes_none_of_what_is_not_read_yet() -> None:
    watched = life()
    watched.poll(1_300)
    kept = watched.kept()
    watched.begin(5.0, kept)
    sheets = len(watched.records)
    watched.do(AlarmVerb.ACKNOWLEDGE, AlarmKind.MAXIMUM_WORKING)
    assert len(watched.records) == sheets, "nothing has been read: its level would be missing"
    watched.poll(20)
    assert watched.records[sheets].inventory.figures.level.value is not None
    assert (EventKind.ALARM_ACKNOWLEDGED, "maximum_working") in watched.told()
    assert "level_lost" not in raised(watched.events)


@pytest.mark.parametrize("whole", [True, False])
def test_a_rate_goes_on_after_a_stop_and_comes_anew_after_a_kill(whole: bool) -> None:
    watched = life()
    watched.poll(600)
    kept = watched.pipeline.memories(whole=whole)
    watched.second += 4.0
    watched.begin(5.0, kept)
    watched.poll(20)
    assert (watched.state.rate.value is not None) == whole
    if not whole:
        assert watched.state.rate.reasons[0].code is ReasonCode.TOO_SOON
        watched.poll(300)
    assert watched.state.rate.value == pytest.approx(300.0 / 3600.0, rel=0.05)
    assert watched.told() == [(EventKind.MOVEMENT_BEGAN, "filling")], "it is one movement"


def test_a_water_draw_is_told_as_one_with_the_movement_that_it_is() -> None:
    """80 mm of free water in 10 min are 8 m3 at 48 m3/h: the tank empties, and no product goes."""
    tank = straight_plan(gauge=PLAN.gauge, free_water=FreeWaterSource.PROBE)
    memory, watched = EMPTY_MEMORY, NO_WATCH
    events: list[Event] = []
    for second in range(0, 5400, 10):
        drawn_m = 0.08 * min(1.0, max(0.0, (second - 3000.0) / 600.0))
        given = TankInput(
            "TK-1",
            NOON + timedelta(seconds=second),
            level=good(5.0 - drawn_m),
            elements=(good(15.0),) * len(tank.temperature.elements),
            reference_density=good(800.0),
            water=good(0.3 - drawn_m),
            steady_s=1000.0 + second,
        )
        sheet, memory = calculate(tank, given, memory)
        found = watch_module.watch(WATCH, tank, given, sheet, watched)
        watched = found.memory
        events += found.events
    began, ended = (event for event in events if event.kind.value.startswith("movement"))
    assert (began.kind, began.subject) == (EventKind.MOVEMENT_BEGAN, "emptying")
    assert (ended.kind, ended.subject) == (EventKind.MOVEMENT_ENDED, "emptying")
    assert ended.reason is not None
    assert ended.reason.code is ReasonCode.WATER_DRAW


def test_a_movement_that_was_announced_hides_that_alarm_and_no_other() -> None:
    """Product goes after an hour at rest, 1 mm in 10 s. Announced from the beginning, from the middle, and never."""
    announced = Reason(ReasonCode.NOT_APPLICABLE, "transfer 3 is open: dispatch")
    kind = AlarmKind.UNSCHEDULED_MOVEMENT
    plan = WatchPlan("TK-1", alarms=(*WATCH.alarms, alarm(kind)))
    tank = straight_plan(gauge=PLAN.gauge)
    phases: dict[str, dict[str, set[AlarmPhase]]] = {}
    for name, since_s in (("always", 0), ("late", 5400), ("never", 10_000_000)):
        memory, watched = EMPTY_MEMORY, NO_WATCH
        seen: dict[str, set[AlarmPhase]] = {}
        for second in range(0, 7200, 10):
            given = TankInput(
                "TK-1",
                NOON + timedelta(seconds=second),
                level=good(5.0 - 1e-4 * max(0.0, second - 3600.0)),
                elements=(good(15.0),) * len(tank.temperature.elements),
                reference_density=good(800.0),
                steady_s=1000.0 + second,
            )
            sheet, memory = calculate(tank, given, memory)
            by = announced if second >= since_s else None
            found = watch_module.watch(plan, tank, given, sheet, watched, announced=by)
            watched = found.memory
            for standing in found.state.alarms:
                seen.setdefault(standing.name, set()).add(standing.phase)
        phases[name] = seen
    assert phases["always"].pop(kind.value) == {AlarmPhase.SUPPRESSED}
    assert phases["never"].pop(kind.value) == {AlarmPhase.UNACKNOWLEDGED}
    assert phases["late"].pop(kind.value) == {AlarmPhase.UNACKNOWLEDGED, AlarmPhase.SUPPRESSED}
    assert phases["always"] == phases["never"] == phases["late"]
