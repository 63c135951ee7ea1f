"""The search for slow losses, sheet by sheet: what it judges, what it remembers, and what begins and ends it."""

import json
import math
from collections.abc import Iterator
from datetime import timedelta
from itertools import islice

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import VapourPlan
from gateway.plain_form import PlainForm
from gateway.reasons import Reason, ReasonCode
from gateway.records import Figure, Quality, TankInput, because
from gateway.watch.loss.baseline import NEW_FIT
from gateway.watch.loss.loss import next_loss
from gateway.watch.loss.memory import NO_LOSS, LossMemory
from tests.support.loss_trials import BEGIN, YEARLY, figure, sheet, tank_plan
from tests.support.plans import good, straight_input, straight_plan
from tests.support.quiet_tanks import Vessel

VESSEL = Vessel(20.0, 8.0, 4)
TANK = tank_plan(VESSEL)
STEP_S = 300.0
HOUR = 12
"""Sheets."""
DAY = 24 * HOUR
FORM = PlainForm(LossMemory)
_WHY = because(ReasonCode.INPUT_UNCERTAIN, "for a test")


class Sheets:
    """Sheets of one tank, five minutes apart."""

    def __init__(self) -> None:
        self.memory = NO_LOSS
        self.level_m = VESSEL.level_m
        self.now_s = 0.0
        self.reasons: list[Reason | None] = []

    def play(self, sheets: int, loss_m3_h: float = 0.0, at_rest: bool = True, **changes: Figure) -> Reason | None:
        """The newest reason after some sheets."""
        for _ in range(sheets):
            self.now_s += STEP_S
            self.level_m -= loss_m3_h * STEP_S / 3600.0 / VESSEL.area_m2
            self.reasons.append(self._sheet(at_rest, changes))
        return self.reasons[-1]

    def _sheet(self, at_rest: bool, changes: dict[str, Figure]) -> Reason | None:
        # A gauge that ripples by a quarter of a millimetre, so that nothing is as still as it never is.
        level_m = self.level_m + 0.00025 * math.sin(self.now_s / 700.0)
        inventory = sheet(VESSEL, level_m, 15.0, VESSEL.area_m2 * level_m, None, **changes)
        given = TankInput("TK-1", BEGIN + timedelta(seconds=self.now_s), steady_s=self.now_s)
        reason, self.memory = next_loss(YEARLY, TANK, given, inventory, at_rest, self.memory)
        return reason


def value(reason: Reason | None, name: str) -> float:
    assert reason is not None
    found = dict(reason.values)[name]
    assert isinstance(found, int | float)
    return found


def test_a_loss_is_told_with_its_rate_its_beginning_and_what_it_is_not() -> None:
    sheets = Sheets()
    assert sheets.play(5 * DAY) is None
    begun_s = sheets.now_s
    reason = sheets.play(DAY, loss_m3_h=0.4)
    assert reason is not None
    assert reason.code is ReasonCode.SLOW_LOSS
    assert value(reason, "rate") * 3600.0 == pytest.approx(0.4, rel=0.1)
    assert value(reason, "least") < 0.4 / 3600.0 < value(reason, "most")
    assert value(reason, "since") == pytest.approx(BEGIN.timestamp() + begun_s, abs=2.0 * 3600.0)
    assert value(reason, "days") > 365
    assert reason.text.startswith("loses about 0.")
    assert "no regulatory leak-detection method" in reason.text


def test_a_gain_is_no_loss() -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    assert sheets.play(2 * DAY, loss_m3_h=-0.4) is None


def test_it_ends_when_the_tank_moves_and_the_baseline_begins_anew() -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    assert sheets.play(DAY, loss_m3_h=0.4) is not None
    assert sheets.play(1, loss_m3_h=1_000.0, at_rest=False) is None
    sheets.play(HOUR, loss_m3_h=300.0, at_rest=False)
    learned = sheets.memory.learned.fit
    assert sheets.play(8 * HOUR) is None
    rest = sheets.memory.learned.rest
    assert rest is not None
    assert rest.first == pytest.approx(VESSEL.area_m2 * sheets.level_m, rel=1e-4)
    # Two hours change next to nothing of what the day makes of it, and it stays better known than at first.
    assert sheets.memory.learned.fit.state[2:] == pytest.approx(learned.state[2:], rel=0.05)
    assert sheets.memory.learned.fit.covariance[2][2] < 0.6 * NEW_FIT.covariance[2][2]
    assert sheets.play(2 * DAY) is None


def test_the_first_hours_after_a_movement_are_not_judged() -> None:
    """Liquid that settles by 1.2 mm/h for five hours, as one that cools unevenly seems to."""
    sheets = Sheets()
    sheets.play(5 * DAY)
    sheets.play(HOUR, loss_m3_h=300.0, at_rest=False)
    sheets.play(5 * HOUR, loss_m3_h=0.4)
    assert sheets.memory.learned.rest is None
    assert sheets.play(2 * DAY) is None


def test_it_ends_when_nothing_more_is_lost() -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    assert sheets.play(DAY, loss_m3_h=0.4) is not None
    assert sheets.play(2 * DAY) is None


def test_a_single_jump_is_no_slow_loss() -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    sheets.level_m -= 0.005
    assert sheets.play(3 * DAY) is None
    assert {*sheets.reasons} == {None}


def test_a_loss_goes_on_being_told_while_nobody_knows_whether_the_tank_rests() -> None:
    """A level that is lost for an hour moves nothing."""
    sheets = Sheets()
    sheets.play(5 * DAY)
    sheets.play(DAY, loss_m3_h=0.2)
    lost = Figure(None, Quality.BAD, (_WHY,), 60.0)
    assert sheets.play(HOUR, loss_m3_h=0.2, at_rest=False, level=lost, gsv=lost) is not None
    assert sheets.play(HOUR, loss_m3_h=0.2, at_rest=False) is not None
    assert sheets.play(4 * HOUR, loss_m3_h=0.2) is not None


@pytest.mark.parametrize(
    "change",
    [
        {"level": Figure(8.0, Quality.UNCERTAIN, (_WHY,), 1.0)},
        {"level": Figure(8.0, Quality.GOOD, (), 1.0, manual=True)},
        {"liquid_temperature": Figure(15.0, Quality.UNCERTAIN, (_WHY,), 1.0)},
        {"liquid_temperature": Figure(15.0, Quality.GOOD, (), 1.0, manual=True)},
        {"liquid_temperature": Figure(None, Quality.BAD, (_WHY,), 1.0)},
        {"gsv": Figure(None, Quality.BAD, (_WHY,), 1.0)},
    ],
    ids=lambda change: f"{next(iter(change))}-{next(iter(change.values())).quality.word}",
)
def test_what_cannot_be_relied_on_is_not_judged(change: dict[str, Figure]) -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    # The hour in which it begins is judged by what was seen of it before.
    sheets.play(2 * HOUR, 0.5, True, **change)
    before = sheets.memory.learned
    sheets.play(3 * DAY, 0.5, True, **change)
    assert sheets.memory.learned == before
    assert {*sheets.reasons} == {None}


def test_an_undated_density_is_no_reason_not_to_judge() -> None:
    """It makes every standard volume Uncertain, and moves none."""
    sheets = Sheets()
    sheets.play(5 * DAY)
    told = []
    for _ in range(DAY):
        gsv = Figure(VESSEL.area_m2 * sheets.level_m, Quality.UNCERTAIN, (_WHY,), 1.0)
        told.append(sheets.play(1, loss_m3_h=0.6, gsv=gsv))
    assert told[-1] is not None


def test_memory_goes_on_over_a_restart_and_a_new_steady_clock() -> None:
    """Written as JSON and read back each day, by a clock that begins anew: the same is told at the same sheets."""
    through, restarted = Sheets(), Sheets()
    through.play(5 * DAY)
    offset_s = 0.0
    for _ in range(5):
        restarted.play(DAY)
        plain = json.loads(json.dumps(FORM.to_plain(restarted.memory)))
        restarted.memory = FORM.from_plain(plain)
    assert restarted.memory == through.memory
    # 86,400 s is a whole day: the ripple of the gauge must not know of it, so the clock alone is moved.
    offset_s = 1e6
    moved = FORM.moved(restarted.memory, offset_s)
    inventory = sheet(VESSEL, through.level_m, 15.0, VESSEL.area_m2 * through.level_m, None)
    for sheets_on in range(2 * HOUR):
        now_s = through.now_s + STEP_S * (sheets_on + 1)
        instant = BEGIN + timedelta(seconds=now_s)
        _, through.memory = next_loss(
            YEARLY, TANK, TankInput("TK-1", instant, steady_s=now_s), inventory, True, through.memory
        )
        _, moved = next_loss(
            YEARLY, TANK, TankInput("TK-1", instant, steady_s=now_s + offset_s), inventory, True, moved
        )
    assert moved.learned.fit.state == pytest.approx(through.memory.learned.fit.state, abs=1e-9)
    assert moved.learned.score.score == pytest.approx(through.memory.learned.score.score, abs=1e-6)


@pytest.mark.parametrize("by_m", [-1.0, -0.03, 0.03, 1.0])
def test_a_movement_while_nobody_looked_is_no_loss(by_m: float) -> None:
    """The gateway is away for two days, and is told of a tank at rest before and after."""
    sheets = Sheets()
    sheets.play(5 * DAY)
    assert sheets.play(DAY, loss_m3_h=0.4) is not None
    sheets.now_s += 2 * 86_400.0
    sheets.level_m += by_m
    sheets.reasons.clear()
    sheets.play(3 * DAY)
    assert {*sheets.reasons} == {None}


def test_memory_is_small() -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    sheets.play(DAY, loss_m3_h=0.4)
    assert len(json.dumps(FORM.to_plain(sheets.memory))) < 3_000


def test_setting_the_clock_changes_nothing() -> None:
    def told(step: timedelta) -> Iterator[float]:
        memory = NO_LOSS
        for number in range(6 * DAY):
            now_s = STEP_S * number
            level_m = VESSEL.level_m - max(0.0, now_s - 5 * 86_400.0) / 3600.0 * 0.4 / VESSEL.area_m2
            instant = BEGIN + timedelta(seconds=now_s) + (step if number > 3 * DAY else timedelta())
            inventory = sheet(VESSEL, level_m, 15.0, VESSEL.area_m2 * level_m, None)
            given = TankInput("TK-1", instant, steady_s=now_s)
            reason, memory = next_loss(YEARLY, TANK, given, inventory, True, memory)
            if reason is not None:
                yield now_s

    plain = next(told(timedelta()))
    assert next(told(timedelta(hours=-7))) == plain
    assert next(told(timedelta(days=400))) == plain


def test_with_a_doubted_clock_it_says_for_how_long() -> None:
    sheets = Sheets()
    sheets.play(5 * DAY)
    sheets.play(DAY, loss_m3_h=0.4)
    inventory = sheet(VESSEL, sheets.level_m, 15.0, VESSEL.area_m2 * sheets.level_m, None)
    given = TankInput("TK-1", BEGIN, steady_s=sheets.now_s, clock_doubt=_WHY)
    reason, _ = next_loss(YEARLY, TANK, given, inventory, True, sheets.memory)
    assert value(reason, "lasts") == pytest.approx(86_400.0, abs=2.0 * 3600.0)
    assert reason is not None
    assert "UTC" not in reason.text
    assert "no regulatory leak-detection method" in reason.text


@pytest.mark.parametrize("by", ["mass", "total_mass"])
def test_without_a_reference_volume_the_mass_is_watched(by: str) -> None:
    """A loss of 0.2 mm/h of liquid of 500 kg/m3, all else as it was: of LPG with the mass of its vapour."""
    tank = TANK if by == "mass" else tank_plan(VESSEL, vapour=VapourPlan(density_kg_m3=10.0))
    memory, reasons = NO_LOSS, []
    for number in range(7 * DAY):
        lost_m = max(0.0, STEP_S * number / 3600.0 - 5 * 24.0) * 0.0002
        level_m = VESSEL.level_m - lost_m
        mass = figure(500.0 * VESSEL.area_m2 * level_m)
        inventory = sheet(VESSEL, level_m, 15.0, 1.0, None, **{by: mass})._replace(reference_temperature_c=None)
        given = TankInput("TK-1", BEGIN, steady_s=STEP_S * number)
        reason, memory = next_loss(YEARLY, tank, given, inventory, True, memory)
        reasons.append(reason)
    assert reasons[5 * DAY] is None
    assert value(reasons[-1], "least") < 0.0002 * VESSEL.area_m2 / 3600.0 < value(reasons[-1], "most")


def test_another_element_is_another_baseline() -> None:
    """An element that fails moves the average, and with it all that is worked out, at once and for good."""
    sheets = Sheets()
    sheets.play(5 * DAY)
    rested = sheets.memory.learned
    assert rested.rest is not None
    other = sheets.memory._replace(learned=rested._replace(rest=rested.rest._replace(used="gauge10")))
    sheets.memory = other
    sheets.level_m -= 0.0015
    sheets.play(2 * HOUR)
    assert sheets.memory.learned.score.score < 1.0


_qualities = st.sampled_from(Quality)


@st.composite
def _sheets(draw: st.DrawFn) -> list[tuple[float, float | None, float | None, float | None, bool, int]]:
    number = st.none() | st.floats(-1e6, 1e6)
    one = st.tuples(
        st.sampled_from((1.0, 300.0, 1800.0, 3600.0, 86_400.0, 1e7, 0.0, -30.0, -7200.0)),
        st.none() | st.floats(-1.0, 11.0),
        number,
        st.none() | st.floats(-60.0, 400.0),
        st.booleans(),
        st.integers(1, 40),
    )
    return draw(st.lists(one, max_size=30))


@settings(max_examples=60)
@given(_sheets())
def test_no_sequence_of_sheets_breaks_it(
    sheets: list[tuple[float, float | None, float | None, float | None, bool, int]],
) -> None:
    """Gaps, jumps, values that are missing, a clock that goes back, levels outside the table."""
    memory, now_s = NO_LOSS, 0.0
    for step_s, level_m, gsv, air_c, at_rest, times in sheets:
        for _ in range(times):
            now_s += step_s
            none = Figure(None, Quality.BAD, (_WHY,), 1.0)
            inventory = sheet(VESSEL, 8.0, 15.0, 1.0, air_c)
            figures = inventory.figures._replace(
                level=none if level_m is None else figure(level_m), gsv=none if gsv is None else figure(gsv)
            )
            given = TankInput("TK-1", BEGIN, steady_s=now_s)
            reason, memory = next_loss(YEARLY, TANK, given, inventory._replace(figures=figures), at_rest, memory)
            assert reason is None or reason.text
    assert FORM.from_plain(json.loads(json.dumps(FORM.to_plain(memory)))) == memory
    numbers = [*memory.learned.fit.state, *memory.learned.fit.loss, memory.learned.excess, *memory.learned.score]
    assert all(map(math.isfinite, numbers))
    assert all(memory.learned.fit.covariance[each][each] >= 0.0 for each in range(6))


def test_the_sheets_of_these_tests_are_judged_at_all() -> None:
    """Else nothing above would show anything: after a day there is a baseline, and within a tenth of a millimetre."""
    sheets = Sheets()
    assert list(islice(sheets.reasons, 1)) == []
    sheets.play(DAY)
    assert sheets.memory.learned.rest is not None
    assert abs(sum(sheets.memory.learned.fit.state[:2])) < 1e-4


def test_an_empty_tank_is_not_judged() -> None:
    """A metre of it holds nothing of what is looked for."""
    sheets = Sheets()
    sheets.play(2 * DAY, gsv=figure(0.0))
    assert sheets.memory.learned.rest is None


def test_hours_of_many_tanks_do_not_end_together() -> None:
    """Else a thousand tanks that began with the gateway would all be judged within one sheet's time."""
    inventory = sheet(VESSEL, 8.0, 15.0, 1.0, None)
    begun = []
    for number in range(600):
        tank = tank_plan(VESSEL, tank=f"TK-{number}")
        _, memory = next_loss(YEARLY, tank, TankInput("TK-1", BEGIN, steady_s=0.0), inventory, True, NO_LOSS)
        assert memory.hour is not None
        begun.append(memory.hour.begun_s)
    by_minute = [sum(-60.0 * (minute + 1) < at <= -60.0 * minute for at in begun) for minute in range(60)]
    assert sum(by_minute) == 600
    assert max(by_minute) <= 30, "ten each minute, were they spread evenly"


def test_of_whole_sheets_the_loss_is_told_and_the_thermal_growth_is_not() -> None:
    """100 m3 to the metre, 6 m of it: by day 3 degC warmer, and so 18 mm higher. From the sixth day on 0.03 m3/h at
    15 degC are lost, 0.3 mm/h, which is 7 mm by the next."""
    tank = straight_plan()
    memory, loss_memory, reasons = EMPTY_MEMORY, NO_LOSS, []
    for number in range(7 * DAY):
        now_s = STEP_S * number
        liquid_c = 18.0 + 1.5 * math.sin(math.tau * now_s / 86_400.0)
        lost_m3 = 0.03 * max(0.0, now_s / 3600.0 - 6.0 * 24.0)
        level_m = (600.0 - lost_m3) / (1.0 - 0.001 * (liquid_c - 15.0)) / 100.0
        given = straight_input(
            round(level_m, 4),
            instant=BEGIN + timedelta(seconds=now_s),
            steady_s=now_s,
            elements=tuple(good(liquid_c) for _ in range(4)),
            ambient=good(liquid_c - 3.0),
        )
        inventory, memory = calculate(tank, given, memory)
        reason, loss_memory = next_loss(YEARLY, tank, given, inventory, True, loss_memory)
        reasons.append(reason)
    assert {*reasons[: 6 * DAY]} == {None}
    assert value(reasons[-1], "rate") * 3600.0 == pytest.approx(0.03, rel=0.15)


def test_a_clock_that_nobody_trusts_keeps_no_loss_secret() -> None:
    """It makes every figure of the sheet Uncertain, and none wrong."""
    tank, doubt = straight_plan(), because(ReasonCode.CLOCK_UNTRUSTED, "for a test")
    memory, loss_memory, reason = EMPTY_MEMORY, NO_LOSS, None
    for number in range(7 * DAY):
        now_s = STEP_S * number
        level_m = 6.0 - 0.0003 * max(0.0, now_s / 3600.0 - 6.0 * 24.0)
        given = straight_input(round(level_m, 4), instant=BEGIN, steady_s=now_s, clock_doubt=doubt)
        inventory, memory = calculate(tank, given, memory)
        assert inventory.figures.gsv.quality is Quality.UNCERTAIN
        reason, loss_memory = next_loss(YEARLY, tank, given, inventory, True, loss_memory)
    assert value(reason, "lasts") > 12.0 * 3600.0


def test_a_loss_makes_the_test_no_slower() -> None:
    """What a tank's noise is taken for is raised by what looks like a gain alone."""
    sheets = Sheets()
    sheets.play(5 * DAY)
    sheets.play(3 * DAY, loss_m3_h=0.4)
    assert sheets.memory.learned.excess == 0.0
    sheets.play(DAY, loss_m3_h=-0.4)
    assert sheets.memory.learned.excess > 0.0
