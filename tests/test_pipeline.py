"""Readings in, records out: when a tank is calculated, what it is calculated from, and what an error does."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.binding import Maintenance, ManualValue, Source, TankBinding
from gateway.calculation.plan import LimitPlan, RoofPlan, TankPlan
from gateway.payload.writer import inventory_json
from gateway.pipeline import Pipeline
from gateway.records import Ending, Quality, Reading, Reason, ReasonCode
from gateway.tank_log import ENTRY_ENDED, ENTRY_ENDS, LEVEL_STATE
from gateway.tank_record import TankRecord
from tests.support.messages import valid_message
from tests.support.plans import StraightTank, straight_plan, temperature_plan
from tests.support.reasons import as_told

S = 1_000_000_000
LEVEL = Source("LT-1", "innage", 60.0)
LEVEL_EACH_2_S = Source("LT-1", "innage", 60.0, overdue_after_s=10.0)
ELEMENTS = tuple(Source("TT-1", f"t{index}", 60.0) for index in range(1, 5))
BINDING = TankBinding("TK-1", level=LEVEL, elements=ELEMENTS, reference_density=ManualValue(800.0))


class HandClock:
    def __init__(self) -> None:
        self.now_ns = 1_000 * S
        self.epoch_ns = 1_790_000_000 * S

    def utc_ns(self) -> int:
        return self.epoch_ns + self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns

    def pass_s(self, seconds: float) -> None:
        self.now_ns += round(seconds * S)


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


def pipeline_of(clock: HandClock, *tanks: tuple[TankPlan, TankBinding, float]) -> tuple[Pipeline, list[TankRecord]]:
    delivered: list[TankRecord] = []
    return Pipeline("site", "b" * 32, tanks, delivered.append, clock), delivered


def level_reading(clock: HandClock, value: float | None = 6.0, instrument: str = "LT-1") -> Sequence[Reading]:
    quality = Quality.GOOD if value is not None else Quality.BAD
    return [Reading(instrument, "innage", value, quality, None, clock.utc_ns(), clock.monotonic_ns(), (1,))]


def temperature_readings(clock: HandClock) -> Sequence[Reading]:
    at = clock.utc_ns(), clock.monotonic_ns()
    return [Reading("TT-1", f"t{index}", 15.0, Quality.GOOD, None, *at, (150,)) for index in range(1, 5)]


def test_a_tank_is_calculated_when_its_level_comes_and_not_for_each_temperature(clock: HandClock) -> None:
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
    pipeline.take(temperature_readings(clock))
    assert delivered == []
    pipeline.take(level_reading(clock))
    (record,) = delivered
    assert record.inventory.figures.gsv.value == 600.0
    assert record.identity == ("site", "TK-1", "b" * 32, 1)
    assert pipeline.records() == [record]


def test_the_first_sheet_waits_until_every_signal_has_been_heard_of(clock: HandClock) -> None:
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
    pipeline.take(level_reading(clock))
    assert delivered == [], "a start must not look like a failure of the temperatures"
    pipeline.take(temperature_readings(clock))
    assert delivered[0].inventory.quality == Quality.UNCERTAIN, "for its undated density alone"
    assert delivered[0].inventory.figures.gsv.quality == Quality.GOOD


def test_sequence_counts_per_tank_from_one(clock: HandClock) -> None:
    other = TankBinding("TK-2", level=Source("LT-2", "innage", 60.0))
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0), (straight_plan(tank="TK-2"), other, 2.0))
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    pipeline.take(level_reading(clock))
    pipeline.take(level_reading(clock, instrument="LT-2"))
    assert [(record.inventory.tank, record.identity.sequence) for record in delivered] == [
        ("TK-1", 1),
        ("TK-1", 2),
        ("TK-2", 1),
    ]


def test_silence_shows_when_the_period_ends(clock: HandClock) -> None:
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
    clock.pass_s(2.0)
    assert list(pipeline.overdue()) == [], "at the start the instruments have one period to answer, and a little"
    clock.pass_s(0.25)
    assert list(pipeline.overdue()) == ["TK-1"]
    assert delivered[0].inventory.figures.level.reasons[0].code == ReasonCode.NOT_YET_READ
    assert list(pipeline.overdue()) == []
    assert len(delivered) == 1


def test_a_tank_whose_level_comes_while_others_are_overdue_is_not_calculated_again(clock: HandClock) -> None:
    other = TankBinding("TK-2", level=Source("LT-2", "innage", 60.0))
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0), (straight_plan(tank="TK-2"), other, 2.0))
    clock.pass_s(2.25)
    overdue = pipeline.overdue()
    assert next(overdue) == "TK-1"
    pipeline.take(level_reading(clock, instrument="LT-2"))
    assert list(overdue) == []
    assert [record.inventory.tank for record in delivered] == ["TK-1", "TK-2"]


def test_an_unheard_level_is_uncertain_and_then_stale(clock: HandClock) -> None:
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    clock.pass_s(2.0)
    silent = level_reading(clock, None)[0]
    reason = delivered[0].inventory.figures.tov.reasons
    assert reason == ()

    pipeline.take([silent._replace(reason=Reason(ReasonCode.NO_ANSWER, "LT-1 does not answer"))])
    assert delivered[-1].inventory.figures.tov.value == 600.0
    assert delivered[-1].inventory.figures.tov.quality == Quality.UNCERTAIN
    clock.pass_s(60.0)
    assert list(pipeline.overdue()) == ["TK-1"]
    stale = delivered[-1].inventory
    assert stale.figures.tov.value is None
    assert stale.figures.level.reasons[0].code == ReasonCode.STALE
    assert stale.last_good["tov"].value == 600.0


def test_a_tank_whose_instruments_have_no_turn_is_doubted_long_before_it_is_stale(clock: HandClock) -> None:
    """Nothing is said of it: the line is busy with others that do not answer."""
    pipeline, delivered = pipeline_of(clock, (straight_plan(), replace(BINDING, level=LEVEL_EACH_2_S), 2.0))
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    seen: list[tuple[Quality, ReasonCode | None]] = []
    for _ in range(31):
        clock.pass_s(2.25)
        assert list(pipeline.overdue()) == ["TK-1"]
        tov = delivered[-1].inventory.figures.tov
        seen.append((tov.quality, tov.reasons[0].code if tov.reasons else None))
    assert seen[:4] == [(Quality.GOOD, None)] * 4
    assert seen[4:26] == [(Quality.UNCERTAIN, ReasonCode.OVERDUE)] * 22
    assert seen[26:] == [(Quality.BAD, ReasonCode.STALE)] * 5


def missing(clock: HandClock) -> Sequence[Reading]:
    silent = level_reading(clock, None)[0]
    return [silent._replace(reason=Reason(ReasonCode.NO_ANSWER, "LT-1 does not answer"))]


def level_qualities(delivered: list[TankRecord]) -> list[Quality]:
    return [record.inventory.figures.level.quality for record in delivered]


def changes(qualities: list[Quality]) -> int:
    return sum(before is not now for before, now in pairwise(qualities))


def polled(clock: HandClock, missed: Sequence[bool], gaps_s: Sequence[float]) -> list[TankRecord]:
    """The records of a tank whose level is due each 2 s; after each gap it comes, or is missed."""
    pipeline, delivered = pipeline_of(clock, (straight_plan(), replace(BINDING, level=LEVEL_EACH_2_S), 2.0))
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    for is_missed, gap_s in zip(missed, gaps_s, strict=True):
        left_s = gap_s
        while left_s > 2.25:
            clock.pass_s(2.25)
            left_s -= 2.25
            list(pipeline.overdue())
        clock.pass_s(left_s)
        pipeline.take(missing(clock) if is_missed else level_reading(clock))
    return delivered


def test_one_poll_in_three_missed_does_not_make_a_tank_flap(clock: HandClock) -> None:
    """It had: 78 changes in 117 records."""
    delivered = polled(clock, [index % 3 == 0 for index in range(117)], [2.0] * 117)
    qualities = level_qualities(delivered)
    assert len(qualities) == 118
    assert changes(qualities) == 3, "the first miss comes and goes, the second stays"
    text = delivered[-1].inventory.figures.level.reasons[0].text
    assert text == "LT-1.innage came late or not at all 13 times in its last 40 polls"


def test_once_missed_is_good_again_with_the_next_poll(clock: HandClock) -> None:
    qualities = level_qualities(polled(clock, [False, True, *[False] * 60], [2.0] * 62))
    assert qualities == [*[Quality.GOOD] * 2, Quality.UNCERTAIN, *[Quality.GOOD] * 60]


def test_after_polls_in_time_again_it_is_good_again(clock: HandClock) -> None:
    qualities = level_qualities(polled(clock, [*[True, False] * 20, *[False] * 40], [2.0] * 80))
    assert qualities[-1] is Quality.GOOD
    assert qualities[40:77] == [Quality.UNCERTAIN] * 37


@given(st.lists(st.tuples(st.booleans(), st.sampled_from([2.0, 2.0, 2.1, 6.0, 11.0, 14.0])), min_size=40, max_size=160))
@settings(max_examples=60, deadline=None)
def test_whatever_polls_are_missed_or_late_quality_changes_once_in_ten_at_most(polls: list[tuple[bool, float]]) -> None:
    """Polls come late by up to 14 s, or not at all, in any order; the level would be Good but for that."""
    delivered = polled(HandClock(), [is_missed for is_missed, _ in polls], [gap_s for _, gap_s in polls])
    assert changes(level_qualities(delivered)) <= 4 * math.ceil(len(polls) / 40)


class BrokenTank(StraightTank):
    """A shape with a mistake in it that the site file could not have shown."""

    def volume(self, level_m: float) -> float:
        if level_m == 6.0:
            raise ZeroDivisionError("float division by zero")
        return super().volume(level_m)


def test_what_people_say_of_a_tank_holds_at_once_and_its_memory_stays(clock: HandClock) -> None:
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
    denser = replace(BINDING, reference_density=ManualValue(850.0))
    pipeline.rebind(denser)
    assert delivered == [], "it waits for the first readings, as ever"
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    assert delivered[-1].inventory.figures.reference_density.value == 850.0
    before, memory = delivered[-1], pipeline.memories().tanks["TK-1"]
    pipeline.rebind(denser)
    assert delivered == [before], "nothing has changed"
    clock.pass_s(0.5)
    work = Maintenance("LT-1", datetime(2200, 1, 1, tzinfo=UTC), "anna")
    pipeline.rebind(replace(denser, maintenance=(work,)))
    assert len(delivered) == 2
    level = delivered[-1].inventory.figures.level
    assert (level.value, level.quality) == (6.0, Quality.UNCERTAIN)
    assert [reason.code for reason in level.reasons] == [ReasonCode.IN_MAINTENANCE]
    assert delivered[-1].plan != before.plan, "another plan, by which it can be calculated again"
    assert pipeline.memories().tanks["TK-1"].plan == memory.plan, "and the memory of the same tank"
    pipeline.rebind(BINDING)
    assert delivered[-1].inventory.figures.reference_density.value == 800.0
    assert [record.identity.sequence for record in delivered] == [1, 2, 3]


def test_a_mistake_in_one_sheet_is_counted_shown_bad_and_stops_no_other_tank(clock: HandClock) -> None:
    other = TankBinding("TK-2", level=LEVEL)
    broken = straight_plan(capacity=BrokenTank(), temperature=temperature_plan())
    pipeline, delivered = pipeline_of(
        clock, (broken, TankBinding("TK-1", level=LEVEL), 2.0), (straight_plan(tank="TK-2"), other, 2.0)
    )
    pipeline.take(level_reading(clock))
    first, second = delivered
    assert {figure.quality for figure in first.inventory.figures} == {Quality.BAD}
    assert first.inventory.figures.tov.reasons[0].code == ReasonCode.CALCULATION_FAILED
    assert pipeline.calculation_errors == 1
    assert second.inventory.figures.tov.value == 600.0
    pipeline.take(level_reading(clock, 5.0))
    assert delivered[2].inventory.figures.tov.value == 500.0


def test_on_a_box_that_woke_up_in_1970_nothing_is_good_and_the_clock_is_named(clock: HandClock) -> None:
    """Common practice: a clock that says 1970 is not trusted, nor is what it stamps."""
    clock.epoch_ns = 0
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    level = delivered[-1].inventory.figures.level
    assert (level.value, level.quality) == (6.0, Quality.UNCERTAIN)
    assert as_told(level.reasons[-1]) == Reason(
        ReasonCode.CLOCK_UNTRUSTED, "the clock of this machine says 1970-01-01 00:16 UTC, which cannot be: set it"
    )
    assert not [each for each in delivered[-1].inventory.figures if each.value is not None and not each.quality]
    clock.epoch_ns = 1_790_000_000 * S
    clock.pass_s(2.0)
    pipeline.take(temperature_readings(clock))
    pipeline.take(level_reading(clock))
    assert delivered[-1].inventory.figures.level.quality == Quality.GOOD


def test_a_value_that_ends_soon_is_logged_once_and_once_more_when_it_has_ended(clock: HandClock) -> None:
    now = datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC)
    density = ManualValue(800.0, entered=now - timedelta(hours=20), expires=now + timedelta(seconds=30))
    binding = replace(BINDING, elements=(), reference_density=density)
    with capture_logs() as logs:
        pipeline, delivered = pipeline_of(clock, (straight_plan(), binding, 2.0))
        for _ in range(6):
            pipeline.take(level_reading(clock))
            clock.pass_s(10.0)
    told = [each for each in logs if each["event"] in (ENTRY_ENDS, ENTRY_ENDED)]
    assert [(each["event"], each["entry"]) for each in told] == [
        (ENTRY_ENDS, "reference density"),
        (ENTRY_ENDED, "reference density"),
    ]
    assert delivered[0].inventory.endings == (Ending("reference_density", now + timedelta(seconds=30)),)


def level_states(clock: HandClock, levels: Sequence[float | None], plan: TankPlan) -> list[tuple[str | None, ...]]:
    pipeline, _ = pipeline_of(clock, (plan, TankBinding("TK-1", level=LEVEL), 2.0))
    with capture_logs() as logs:
        for level in levels:
            pipeline.take(level_reading(clock, level))
            clock.pass_s(2.0)
    told = [entry for entry in logs if entry["event"] == LEVEL_STATE]
    return [(each["log_level"], each["limit"], each["stands_at"], each["passed"], each["roof"]) for each in told]


def test_a_limit_that_is_passed_is_logged_once_as_a_warning_and_when_it_is_passed_back(clock: HandClock) -> None:
    """Ripple at the limit is no news, and neither is a level that is lost and comes back where it was."""
    plan = straight_plan(limits=LimitPlan(1.0, 8.0, 8.5, 9.0))
    assert level_states(clock, [7.9, 8.0, 7.998, 8.001, 8.6, None, 8.6, 9.1, 7.0, 0.9], plan) == [
        ("warning", "above_maximum_working", "8.000 m", "8.000 m", None),
        ("warning", "above_high_high", "8.600 m", "8.500 m", None),
        ("warning", "above_critical_high", "9.100 m", "9.000 m", None),
        ("info", "normal", "7.000 m", None, None),
        ("warning", "below_minimum", "0.900 m", "1.000 m", None),
    ]


def test_a_gateway_that_starts_beside_a_tank_that_is_too_full_says_so(clock: HandClock) -> None:
    plan = straight_plan(limits=LimitPlan(1.0, 8.0, 8.5, 9.0))
    assert level_states(clock, [9.5, 9.5], plan) == [("warning", "above_critical_high", "9.500 m", "9.000 m", None)]


def test_a_roof_that_lands_is_logged(clock: HandClock) -> None:
    plan = straight_plan(roof=RoofPlan(46_000.0, 1.6, 2.0))
    assert [(entry[0], entry[4]) for entry in level_states(clock, [3.0, 1.8, 1.5, None, 1.5, 3.0], plan)] == [
        ("warning", "critical_zone"),
        ("warning", "landed"),
        ("info", "afloat"),
    ]


def test_a_record_says_for_how_long_it_holds(clock: HandClock) -> None:
    """max(10 s, 2.5 periods), by the period of the tank."""
    other = TankBinding("TK-2", level=Source("LT-2", "innage", 60.0))
    pipeline, delivered = pipeline_of(clock, (straight_plan(), BINDING, 2.0), (straight_plan(tank="TK-2"), other, 30.0))
    clock.pass_s(31.0)
    assert list(pipeline.overdue()) == ["TK-1", "TK-2"]
    assert [record.valid_for_s for record in delivered] == [10.0, 75.0]


class TestTheEnd:
    """What each tank says last, when the gateway is stopped."""

    @staticmethod
    def read(clock: HandClock, level_m: float | None = 6.0) -> Pipeline:
        pipeline, _ = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
        pipeline.take(temperature_readings(clock))
        pipeline.take(level_reading(clock, level_m))
        return pipeline

    def test_all_is_bad_and_what_was_good_stands_beside_it(self, clock: HandClock) -> None:
        pipeline = self.read(clock)
        (before,) = pipeline.records()
        read_s = clock.utc_ns() / 1e9
        clock.pass_s(3.0)
        (last,) = pipeline.finish()
        inventory = last.inventory
        assert {each.quality for each in inventory.figures} == {Quality.BAD}
        assert {each.value for each in inventory.figures} == {None}
        assert {reason.code for each in inventory.figures for reason in each.reasons} == {ReasonCode.NOT_WATCHED}
        assert inventory.quality is Quality.BAD
        assert inventory.last_good["tov"].value == 600.0
        assert inventory.last_good["tov"].time_s == pytest.approx(read_s)
        good = {
            name
            for name, each in before.inventory.figures._asdict().items()
            if each.quality is Quality.GOOD and each.value is not None
        }
        assert set(inventory.last_good) == good
        assert inventory.instant == before.inventory.instant + timedelta(seconds=3.0)
        assert (last.identity.sequence, last.valid_for_s) == (2, 10.0)
        assert pipeline.records() == [last]

    def test_limits_elements_and_endings_stay_without_what_was_read(self, clock: HandClock) -> None:
        pipeline = self.read(clock)
        (before,) = pipeline.records()
        (last,) = pipeline.finish()
        state, was = last.inventory.level_state, before.inventory.level_state
        assert (was.limit, was.quality, was.high_high_m) == ("normal", Quality.GOOD, 9.3)
        assert (state.limit, state.roof, state.quality, state.high_high_m) == ("unknown", None, Quality.BAD, 9.3)
        assert [use.height_m for use in last.inventory.elements] == [use.height_m for use in before.inventory.elements]
        assert {(use.value, use.used, use.weight, use.quality) for use in last.inventory.elements} == {
            (None, False, 0.0, Quality.BAD)
        }
        assert last.inventory.endings == before.inventory.endings

    def test_what_was_not_good_lately_keeps_its_last_good_value(self, clock: HandClock) -> None:
        pipeline = self.read(clock)
        read_s = clock.utc_ns() / 1e9
        clock.pass_s(100.0)
        list(pipeline.overdue())
        (stale,) = pipeline.records()
        assert stale.inventory.figures.level.quality is Quality.BAD
        (last,) = pipeline.finish()
        assert last.inventory.last_good["level"].value == 6.0
        assert last.inventory.last_good["level"].time_s == pytest.approx(read_s)
        assert last.inventory.last_good.items() >= stale.inventory.last_good.items()

    def test_a_tank_that_has_not_spoken_says_nothing_of_its_end(self, clock: HandClock) -> None:
        """What lies on the broker of it is of an earlier start, and may hold a last good value that we have not."""
        pipeline, _ = pipeline_of(clock, (straight_plan(), BINDING, 2.0))
        assert pipeline.finish() == []

    def test_it_obeys_the_schema(self, clock: HandClock) -> None:
        (last,) = self.read(clock).finish()
        message = valid_message(inventory_json(last))
        assert message["schema"] == "tank-gateway/inventory/1"
        assert message["figures"]["tov"]["last_good"]["value"] == 600.0
