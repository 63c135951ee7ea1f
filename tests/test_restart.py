"""A gateway that is stopped in the middle of a doubt goes on doubting when it comes back, and forgets what it would
have forgotten had it gone on polling and heard nothing.

The tank holds 100 m3 per metre and its pumps move 0.1 m3/s: 1.5 times that is a metre in 667 s.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.binding import ManualValue, Source, TankBinding
from gateway.calculation.plan import ColumnPlan, FlowPlan, GaugeKind, GaugePlan, MeasuredDensityPlan, TankPlan
from gateway.going_on import MEMORY_BEGUN_ANEW, MEMORY_DAMAGED, MEMORY_RESTORED
from gateway.kept_memory import Kept, kept_from, plain_head, plain_tank
from gateway.pipeline import Pipeline
from gateway.records import Figure, Inventory, Quality, Reading, Reason, ReasonCode
from gateway.states import LimitState
from gateway.tank_record import TankRecord
from tests.support.plans import straight_plan

S = 1_000_000_000
NOON_S = 1_795_608_000
PERIOD_S = 10.0
GRAVITY = 9.80665
SIGNALS = ("level", "second", "flow", "bottom", "t1", "t2", "t3", "t4")
SOURCES = {name: Source(f"X-{name}", name, 60.0) for name in SIGNALS}
PLAN = straight_plan(
    maximum_flow_in_m3_s=0.1,
    maximum_flow_out_m3_s=0.1,
    second_gauge=GaugePlan(GaugeKind.INNAGE, name="second gauge"),
    flows=(FlowPlan("FT-1.flow", into=True),),
    measured_density=MeasuredDensityPlan(0.5, in_use=False, column=ColumnPlan(air_density_kg_m3=0.0)),
)
BINDING = TankBinding(
    "TK-1",
    level=SOURCES["level"],
    second_level=SOURCES["second"],
    bottom_pressure=SOURCES["bottom"],
    elements=tuple(SOURCES[f"t{index}"] for index in range(1, 5)),
    flows=(SOURCES["flow"],),
    reference_density=ManualValue(800.0),
)


@dataclass(frozen=True)
class World:
    """What the instruments say; None: nothing is heard."""

    level: float | None = 6.0
    second: float | None = None
    density: float = 800.0
    flow_m3_h: float = 0.0
    temperature: float | None = 15.0

    def said(self) -> Mapping[str, float | None]:
        level = 6.0 if self.level is None else self.level
        given: dict[str, float | None] = {f"t{index}": self.temperature for index in range(1, 5)}
        return given | {
            "second": level if self.second is None else self.second,
            "flow": self.flow_m3_h / 3600.0,
            "bottom": self.density * GRAVITY * (level - 0.5),
            "level": self.level,
        }


Story = Callable[[float], World]
"""What is so at a second of the story, which is told until its gateway is stopped, and goes on afterwards."""


class Life:
    """One process after another watches the tank; their steady clocks have nothing to do with each other."""

    def __init__(self, story: Story, plan: TankPlan = PLAN, binding: TankBinding = BINDING) -> None:
        self.story = story
        self.plan = plan
        self.binding = binding
        self.second = 0.0
        self.sheets: list[Inventory] = []
        self.records: list[TankRecord] = []
        self.clock_off_s = 0.0
        self.begin(1_000.0)

    def begin(self, steady_s: float, kept: Kept | None = None) -> None:
        """A new process whose steady clock says `steady_s` now."""
        self.steady_off_s = steady_s - self.second
        self.pipeline = Pipeline("site", "b" * 32, [(self.plan, self.binding, PERIOD_S)], self._take, self)
        if kept is not None:
            self.pipeline.restore(kept)

    def _take(self, record: TankRecord) -> None:
        self.sheets.append(record.inventory)
        self.records.append(record)

    def utc_ns(self) -> int:
        return round((NOON_S + self.second + self.clock_off_s) * S)

    def monotonic_ns(self) -> int:
        return round((self.steady_off_s + self.second) * S)

    def poll(self, seconds: float) -> list[Inventory]:
        """The sheets of so long, one every period."""
        before = len(self.sheets)
        for _ in range(round(seconds / PERIOD_S)):
            self.second += PERIOD_S
            for name, value in self.story(self.second).said().items():
                quality = Quality.GOOD if value is not None else Quality.BAD
                reason = None if value is not None else Reason(ReasonCode.ELEMENT_FAILED, f"{name} is broken")
                at = self.utc_ns(), self.monotonic_ns()
                self.pipeline.take([Reading(f"X-{name}", name, value, quality, reason, *at, (1,))])
        return self.sheets[before:]

    def hear_nothing(self, seconds: float) -> None:
        """The process polls on, and nothing answers."""
        steps = max(1, min(200, int(seconds / PERIOD_S)))
        for _ in range(steps):
            self.second += seconds / steps
            list(self.pipeline.overdue())

    def kept(self) -> Kept:
        """What is remembered, as it comes back from a file."""
        kept = self.pipeline.memories()
        tanks = {tag: plain_tank(tank) for tag, tank in kept.tanks.items()}
        return kept_from(orjson.loads(orjson.dumps(plain_head(kept) | {"tanks": tanks})))

    def restart(self, seconds: float, *, remembers: bool = True, clock_set_by_s: float = 0.0) -> None:
        """The process ends, and so long afterwards another begins."""
        kept = self.kept()
        self.clock_off_s += clock_set_by_s
        self.second += seconds
        self.begin(5.0, kept if remembers else None)


def jump(second: float) -> World:
    return World(level=6.0 if second < 800 else 6.9)


def jump_of_the_second_gauge(second: float) -> World:
    return World(second=6.0 if second < 800 else 6.9)


def jump_of_the_temperature(second: float) -> World:
    return World(temperature=15.0 if second < 800 else 35.0)


def stuck(second: float) -> World:
    return World(flow_m3_h=200.0)


def against_the_flow(second: float) -> World:
    return World(level=round(6.0 - second * 200.0 / 3600.0 / 100.0, 3) if second < 2000 else 5.0, flow_m3_h=200.0)


def gauges_apart(second: float) -> World:
    return World(second=6.05)


def another_product(second: float) -> World:
    return World(density=780.0)


def comes_and_goes(second: float) -> World:
    """A foaming tank, until it is stopped."""
    return World(level=6.5 if second < 900 and second % 60 == 0 else 6.0)


def elements_broken(second: float) -> World:
    return World(temperature=16.0 if second < 600 else None)


def at_an_element(second: float) -> World:
    """That at 3 m is submerged from 3.3 m on and down to 3.2 m: the others have another temperature by then."""
    return World(level=max(3.25, 3.5 - second / 3600.0))


def at_a_limit(second: float) -> World:
    """Above the maximum working level of 9 m, and back by less than the limit's own hysteresis."""
    return World(level=9.01 if 100 < second < 400 else 8.9995)


# The code that the level, the temperature or the mass has, and that a gateway without memory has not.
DOUBTS: tuple[tuple[Story, str, ReasonCode], ...] = (
    (jump, "level", ReasonCode.RATE_IMPLAUSIBLE),
    (jump_of_the_second_gauge, "second_level", ReasonCode.RATE_IMPLAUSIBLE),
    (jump_of_the_temperature, "liquid_temperature", ReasonCode.RATE_IMPLAUSIBLE),
    (stuck, "level", ReasonCode.LEVEL_FROZEN),
    (against_the_flow, "level", ReasonCode.LEVEL_AGAINST_FLOW),
    (gauges_apart, "level", ReasonCode.GAUGES_DISAGREE),
    (comes_and_goes, "level", ReasonCode.RATE_IMPLAUSIBLE),
    (elements_broken, "liquid_temperature", ReasonCode.LAST_GOOD_USED),
)
STORIES: tuple[Story, ...] = (*[story for story, _, _ in DOUBTS], another_product, at_an_element, at_a_limit)


def _name(each: object) -> str | None:
    return getattr(each, "__name__", None)


def codes(figure: Figure) -> list[ReasonCode]:
    return [reason.code for reason in figure.reasons]


@pytest.mark.parametrize(("story", "name", "code"), DOUBTS, ids=_name)
def test_a_restart_in_the_middle_of_a_doubt_goes_on_doubting(story: Story, name: str, code: ReasonCode) -> None:
    life = Life(story)
    assert code in codes(getattr(life.poll(1_000.0)[-1].figures, name))
    life.restart(30.0)
    first = life.poll(PERIOD_S)[0]
    assert code in codes(getattr(first.figures, name))
    assert getattr(first.figures, name).quality is Quality.UNCERTAIN


@pytest.mark.parametrize(("story", "name", "code"), DOUBTS, ids=_name)
def test_a_gateway_without_memory_would_not(story: Story, name: str, code: ReasonCode) -> None:
    life = Life(story)
    life.poll(1_000.0)
    life.restart(30.0, remembers=False)
    assert code not in codes(getattr(life.poll(PERIOD_S)[0].figures, name))


def test_a_doubt_that_is_not_proven_yet_is_proven_over_a_restart() -> None:
    """Ten minutes apart: 500 s before the restart, 30 s of pause, 70 s after it."""
    life = Life(gauges_apart)
    life.poll(500.0)
    life.restart(30.0)
    after = life.poll(100.0)
    doubted = [index for index, each in enumerate(after, start=1) if codes(each.figures.level)]
    assert doubted[0] == 8, "since 10 s: at 610 s"


def test_elements_and_limits_stand_where_they_stood() -> None:
    life = Life(at_an_element)
    life.poll(1_000.0)
    life.restart(30.0)
    assert [use.submerged for use in life.poll(PERIOD_S)[0].elements] == [True, True, False, False]
    life.restart(30.0, remembers=False)
    assert [use.submerged for use in life.poll(PERIOD_S)[0].elements] == [True, False, False, False]
    life = Life(at_a_limit)
    life.poll(1_000.0)
    life.restart(30.0)
    assert life.poll(PERIOD_S)[0].level_state.limit is LimitState.ABOVE_MAXIMUM_WORKING
    life.restart(30.0, remembers=False)
    assert life.poll(PERIOD_S)[0].level_state.limit is LimitState.NORMAL


def as_told(sheet: Inventory) -> object:
    """All that a sheet tells; times that were worked out by two clocks to the millisecond."""
    last_good = {name: (last.value, round(last.time_s, 3)) for name, last in sheet.last_good.items()}
    figures = [each._replace(age_s=round(each.age_s, 3)) for each in sheet.figures]
    return sheet.instant, figures, sheet.elements, sheet.quality, last_good, sheet.sources, sheet.level_state


PAUSES_S = (1.0, 30.0, 59.0, 130.0, 500.0, 800.0, 10_000.0, 80_000.0, 100_000.0, 1e6)
"""Not between one and two minutes, nor between ten and twelve: for that long a gateway that polls on compares the last
readings of two gauges, until they are stale, and so remembers for a minute longer that they were apart."""


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(STORIES), st.sampled_from(PAUSES_S), st.sampled_from((350.0, 850.0, 1_000.0)))
def test_after_a_pause_all_is_as_if_it_had_polled_on_and_heard_nothing(
    story: Story, pause_s: float, until_s: float
) -> None:
    polled, stopped = Life(story), Life(story)
    for life in (polled, stopped):
        life.poll(until_s)
    polled.hear_nothing(pause_s)
    stopped.restart(pause_s)
    expected, found = polled.poll(600.0), stopped.poll(600.0)
    assert len(expected) == len(found) == 60
    for one, other in zip(expected, found, strict=True):
        assert as_told(one) == as_told(other)


def test_two_restarts_are_as_one() -> None:
    once, twice = Life(jump), Life(jump)
    for life in (once, twice):
        life.poll(850.0)
    once.restart(60.0)
    twice.restart(20.0)
    twice.restart(40.0)
    assert [as_told(sheet) for sheet in once.poll(600.0)] == [as_told(sheet) for sheet in twice.poll(600.0)]


def test_a_clock_that_was_set_back_ends_no_doubt_and_makes_no_last_good_value_young() -> None:
    life = Life(jump)
    life.poll(1_000.0)
    with capture_logs() as logs:
        life.restart(30.0, clock_set_by_s=-3600.0)
    assert logs[-1] == {
        "event": MEMORY_RESTORED,
        "log_level": "info",
        "tanks": 1,
        "pause_s": "not known: a clock was set back or is impossible",
    }
    assert codes(life.poll(PERIOD_S)[0].figures.level) == [ReasonCode.RATE_IMPLAUSIBLE]
    life = Life(elements_broken)
    assert life.poll(1_000.0)[-1].figures.tov.value is not None
    life.restart(30.0, clock_set_by_s=-3600.0)
    assert ReasonCode.LAST_GOOD_USED not in codes(life.poll(PERIOD_S)[0].figures.liquid_temperature)


def test_a_clock_that_a_time_server_sets_back_a_little_changes_nothing() -> None:
    life = Life(elements_broken)
    life.poll(1_000.0)
    life.restart(30.0, clock_set_by_s=-60.0)
    assert ReasonCode.LAST_GOOD_USED in codes(life.poll(PERIOD_S)[0].figures.liquid_temperature)


def test_a_tank_whose_plan_has_changed_begins_anew_and_says_so() -> None:
    life = Life(stuck)
    life.poll(1_000.0)
    life.plan = replace(PLAN, reference_height_m=10.6)
    with capture_logs() as logs:
        life.restart(30.0)
    assert [(each["event"], each.get("tank")) for each in logs] == [
        (MEMORY_BEGUN_ANEW, "TK-1"),
        (MEMORY_RESTORED, None),
    ]
    assert codes(life.poll(PERIOD_S)[0].figures.level) == []


def test_what_a_person_enters_makes_no_other_tank_of_it() -> None:
    life = Life(stuck)
    life.poll(1_000.0)
    life.binding = replace(BINDING, reference_density=ManualValue(810.0))
    life.restart(30.0)
    assert codes(life.poll(PERIOD_S)[0].figures.level) == [ReasonCode.LEVEL_FROZEN]


def test_a_tank_whose_memory_is_damaged_begins_without_and_says_so() -> None:
    life = Life(stuck)
    life.poll(1_000.0)
    kept = life.kept()
    with capture_logs() as logs:
        life.begin(5.0, kept._replace(tanks={}, damaged={"TK-1": "placed is not a mapping"}))
    assert logs[0] == {
        "event": MEMORY_DAMAGED,
        "log_level": "warning",
        "tank": "TK-1",
        "trouble": "placed is not a mapping",
        "hint": "it begins without memory",
    }
    assert codes(life.poll(PERIOD_S)[0].figures.level) == []


def test_a_tank_that_is_not_in_the_memory_begins_without() -> None:
    life = Life(stuck)
    life.begin(5.0, Kept(life.utc_ns(), life.monotonic_ns(), {}))
    assert codes(life.poll(PERIOD_S)[0].figures.level) == []
