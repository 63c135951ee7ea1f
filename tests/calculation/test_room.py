"""Room and pumpable volume: what is filled or drawn by them ends at the limit, whatever the shape, product and roof."""

import math
import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.contracts import Capacity
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.plan import (
    FreeWaterSource,
    HeelContents,
    LimitPlan,
    LiquidHeadPlan,
    ProductPlan,
    RoofPlan,
    ShellPlan,
    TankPlan,
    TemperaturePlan,
)
from gateway.calculation.quantities.liquid_head import Course
from gateway.calculation.shapes import (
    End,
    EndKind,
    Head,
    LyingCylinder,
    Sphere,
    TiltedCylinder,
    UprightCylinder,
    UprightVessel,
)
from gateway.calculation.sheet import explain
from gateway.records import Figure, Figures, Quality, ReasonCode
from tests.support.plans import StraightLineMethod, good, sheet, straight_input, straight_plan, uncertain, value

DIESEL = ProductPlan("diesel", PetroleumCorrection(PetroleumGroup.REFINED, 15.0))
LINE = ProductPlan("straight oil", StraightLineMethod())
SHAPES: tuple[Capacity, ...] = (
    UprightCylinder(18.0, 14.6),
    UprightCylinder(18.0, 14.6, 4.2),
    UprightVessel(18.0, 14.6, End(EndKind.CONE, 0.4), datum_m=0.4),
    LyingCylinder(3.0, 18.0, Head.ELLIPSOIDAL),
    TiltedCylinder(3.0, 18.0, Head.TORISPHERICAL, 0.01, 4.0),
    Sphere(14.0),
)


def at(plan: TankPlan, level_m: float, **changes: object) -> Figures:
    """The sheet at a level, from rest, all else the same: the temperature by hand, so that no element comes or goes."""
    fields: dict[str, object] = {"elements": (), "manual_temperature": good(40.0), "ambient": good(5.0)}
    return sheet(plan, straight_input(level_m, **(fields | changes))).figures


@st.composite
def tanks(draw: st.DrawFn) -> tuple[TankPlan, float, float]:
    """A tank with limits, a level in it, and free water below the minimum."""
    shape = draw(st.sampled_from(SHAPES))
    top_m = shape.top_m
    minimum_m = draw(st.floats(0.05, 0.3)) * top_m
    working_m = draw(st.floats(0.7, 1.0)) * top_m
    is_upright = isinstance(shape, UprightCylinder)
    low_m = draw(st.floats(0.02, 0.9)) * top_m
    roof = RoofPlan(46_000.0, low_m, low_m + 0.4, draw(st.sampled_from([None, 750.0])))
    plan = straight_plan(
        capacity=shape,
        reference_height_m=top_m,
        product=draw(st.sampled_from([DIESEL, LINE])),
        temperature=TemperaturePlan(),
        free_water=FreeWaterSource.DIP,
        heel_holds=draw(st.sampled_from(list(HeelContents))) if shape.heel_m3 > 0.0 else None,
        limits=LimitPlan(minimum_m, working_m),
        roof=roof if is_upright and draw(st.booleans()) else None,
        shell=ShellPlan(1.116e-5, 15.0) if is_upright and draw(st.booleans()) else None,
        liquid_head=LiquidHeadPlan(18.0, (Course(14.6, 0.012),), None) if is_upright and draw(st.booleans()) else None,
    )
    return plan, draw(st.floats(minimum_m, working_m)), draw(st.floats(0.0, minimum_m))


def close(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-6)


@given(tanks())
def test_filling_the_room_and_drawing_the_pumpable_volume_end_at_the_limits(
    drawn: tuple[TankPlan, float, float],
) -> None:
    plan, level_m, water_m = drawn
    water = {"dip_water": good(water_m)}
    now = at(plan, level_m, **water)
    assert plan.limits.maximum_working_m is not None
    assert plan.limits.minimum_m is not None
    full, low = at(plan, plan.limits.maximum_working_m, **water), at(plan, plan.limits.minimum_m, **water)
    if now.gov.value is None or low.gov.value is None:
        # So little liquid that it cannot carry the roof: refused, and no amount below zero.
        assert ReasonCode.BELOW_ZERO in {reason.code for reason in (*now.gov.reasons, *low.gov.reasons)}
        return
    room, pumpable = now.room, now.pumpable
    assert close(value(now.gov) + value(room), value(full.gov))
    assert close(value(now.gov) - value(pumpable), value(low.gov))
    # Free water takes part in no room, nor does a doubt about it.
    for figure, limit, apart in ((room, full, {ReasonCode.HEEL_UNDECLARED}), (pumpable, low, set[ReasonCode]())):
        uncertain = [each.gov for each in (now, limit) if each.gov.quality is Quality.UNCERTAIN]
        in_doubt = {reason.code for gov in uncertain for reason in gov.reasons} - apart
        assert figure.quality is (Quality.UNCERTAIN if in_doubt else Quality.GOOD)


def _worked_out(relation: str, now: Figures, low: Figures, full: Figures) -> float:
    """A relation as the sheet prints it, worked out from the figures of the sheets now and at both limits."""
    places = {"(maximum working)": full, "(minimum)": low, "": now}
    words = {"TOV": "tov", "V": "tov", "FW": "free_water", "CTSh": "ctsh", "FRA": "roof_displacement", "GOV": "gov"}
    text = re.split(", not below 0|;", relation)[0].replace(" CTSh", " * CTSh")
    for place, figures in places.items():
        for word, name in (words | {"dVh": "head_adjustment"}).items():
            text = re.sub(rf"\b{word}\b{re.escape(place)}", repr(getattr(figures, name).value or 0.0), text)
    worked_out: float = max(0.0, eval(text, {"max": max}))
    return worked_out


@given(tanks())
def test_the_relations_on_the_sheet_give_the_figures_beside_them(drawn: tuple[TankPlan, float, float]) -> None:
    plan, level_m, water_m = drawn
    fields: dict[str, object] = {"elements": (), "manual_temperature": good(40.0), "ambient": good(5.0)}
    inventory = sheet(plan, straight_input(level_m, **fields, dip_water=good(water_m)))
    now = inventory.figures
    assert plan.limits.maximum_working_m is not None
    assert plan.limits.minimum_m is not None
    full = at(plan, plan.limits.maximum_working_m, dip_water=good(water_m))
    low = at(plan, plan.limits.minimum_m, dip_water=good(water_m))
    if now.gov.value is None or low.gov.value is None:
        return
    lines = {line.name: line for line in explain(plan, inventory)}
    for name in ("pumpable", "room"):
        clause, inputs = lines[name].clause, lines[name].inputs
        assert close(value(getattr(now, name)), _worked_out(clause, now, low, full)), clause
        for word, figure in {"CTSh": "ctsh", "TOV": "tov", "GOV": "gov", "FW": "free_water"}.items():
            # None of pumpable at the minimum is what GOV says there.
            if clause.startswith("0;") and figure == "gov":
                continue
            assert (figure in inputs) is (re.search(rf"\b{word}\b", clause) is not None)


@given(tanks())
def test_neither_is_better_than_what_its_line_says_that_it_rests_on(drawn: tuple[TankPlan, float, float]) -> None:
    """A roof that is afloat now and at the limit displaces the same at both, whatever the density: room of such a tank
    does not rest on it, and its line does not say so."""
    plan, level_m, water_m = drawn
    fields: dict[str, object] = {"elements": (), "manual_temperature": good(40.0), "ambient": good(5.0)}
    density = uncertain(838.0)
    inventory = sheet(plan, straight_input(level_m, **fields, dip_water=good(water_m), reference_density=density))
    figures = inventory.figures._asdict()
    for line in explain(plan, inventory):
        if line.name in ("pumpable", "room", "roof_displacement") and line.value is not None:
            assert line.quality >= max(figures[name].quality for name in line.inputs), line.clause


def test_a_landed_roof_takes_room_once_it_floats() -> None:
    """46,000 kg at 838 kg/m3 displace 54.89 m3 at 13.2 m and nothing at 1.5 m: pi 18^2/4 11.7 - 54.89 = 2922.4 m3."""
    plan = straight_plan(
        capacity=UprightCylinder(18.0, 14.6),
        product=ProductPlan("line", StraightLineMethod()),
        roof=RoofPlan(46_000.0, 1.6, 2.0),
        limits=LimitPlan(0.9, 13.2),
    )
    landed = at(plan, 1.5, manual_temperature=good(15.0), reference_density=good(838.0))
    assert value(landed.room) == pytest.approx(2922.4, abs=0.05)
    assert landed.room.quality is Quality.GOOD


def test_pumpable_down_to_a_level_with_the_roof_still_afloat_counts_no_displacement() -> None:
    """pi 18^2/4 (10 - 2.2) = 1984.9 m3: the same roof floats at both levels."""
    plan = straight_plan(
        capacity=UprightCylinder(18.0, 14.6), roof=RoofPlan(46_000.0, 1.6, 2.0), limits=LimitPlan(2.2, 13.2)
    )
    figures = at(plan, 10.0, manual_temperature=good(15.0), reference_density=good(838.0))
    assert value(figures.pumpable) == pytest.approx(1984.9, abs=0.05)
    assert value(figures.room) == pytest.approx(math.pi * 81.0 * 3.2)


@pytest.mark.parametrize(("level_m", "limits"), [(1.8, LimitPlan(0.9, 13.2)), (10.0, LimitPlan(1.8, 13.2))])
def test_in_the_critical_zone_at_either_end_they_are_uncertain(level_m: float, limits: LimitPlan) -> None:
    plan = straight_plan(capacity=UprightCylinder(18.0, 14.6), roof=RoofPlan(46_000.0, 1.6, 2.0), limits=limits)
    figures = at(plan, level_m)
    assert figures.pumpable.quality is Quality.UNCERTAIN
    assert ReasonCode.ROOF_CRITICAL_ZONE in {reason.code for reason in figures.pumpable.reasons}
    assert figures.room.quality is (Quality.UNCERTAIN if level_m == 1.8 else Quality.GOOD)


def test_room_needs_neither_density_nor_temperature_while_the_roof_stays_as_it_is() -> None:
    plan = straight_plan(roof=RoofPlan(46_000.0, 1.6, 2.0), limits=LimitPlan(2.2, 9.0))
    lost = at(plan, 6.0, manual_temperature=None, reference_density=None)
    assert (value(lost.room), lost.room.quality) == (300.0, Quality.GOOD)
    assert lost.pumpable.quality is Quality.BAD, "GOV itself is not known"
    landed = at(plan, 1.5, manual_temperature=None, reference_density=None)
    assert landed.room.quality is Quality.BAD, "what the roof will displace is not known"
    nearly = at(plan, 1.5, manual_temperature=None, reference_density=good(800.0))
    assert value(nearly.room) == pytest.approx(750.0 - 57.5)
    assert nearly.room.quality is Quality.UNCERTAIN


def test_room_without_a_temperature_leaves_the_shell_out_and_says_so() -> None:
    plan = straight_plan(shell=ShellPlan(1.116e-5, 15.0), limits=LimitPlan(1.0, 9.0))
    room = at(plan, 6.0, manual_temperature=None).room
    assert (value(room), room.quality) == (300.0, Quality.UNCERTAIN)
    assert room.reasons[-1].code is ReasonCode.INPUT_UNCERTAIN


@pytest.mark.parametrize(("level_m", "pumpable", "room"), [(9.5, 850.0, 0.0), (0.5, 0.0, 850.0), (9.0, 800.0, 0.0)])
def test_beyond_a_limit_there_is_none_left(level_m: float, pumpable: float, room: float) -> None:
    figures = at(straight_plan(limits=LimitPlan(1.0, 9.0)), level_m)
    assert value(figures.pumpable) == pytest.approx(pumpable)
    assert value(figures.room) == pytest.approx(room)


def test_water_above_the_minimum_leaves_all_product_pumpable() -> None:
    """Water to 1.5 m, minimum 1.0 m: 450 m3 of product stand above the water, and no more can be drawn."""
    plan = straight_plan(free_water=FreeWaterSource.PROBE, limits=LimitPlan(1.0, 9.0))
    assert value(at(plan, 6.0, water=good(1.5)).pumpable) == pytest.approx(450.0)


def codes(figure: Figure) -> set[ReasonCode]:
    return {reason.code for reason in figure.reasons}


def test_no_amount_is_below_zero() -> None:
    """10 m3 of product under a roof that displaces 62.5 m3: -52.5 m3 is no amount, and nothing is made of it."""
    plan = straight_plan(roof=RoofPlan(50_000.0, 0.01, 0.02), free_water=FreeWaterSource.PROBE)
    figures = at(plan, 6.0, water=good(5.9), manual_temperature=good(15.0), reference_density=good(800.0))
    assert (figures.gov.value, figures.gov.quality) == (None, Quality.BAD)
    assert ReasonCode.BELOW_ZERO in codes(figures.gov)
    for name in ("gsv", "mass", "weight_in_air", "pumpable"):
        figure: Figure = getattr(figures, name)
        assert (figure.value, figure.quality) == (None, Quality.BAD), name
    assert value(figures.room) == 300.0, "room does not hang on what is there"


@given(st.lists(st.floats(-0.0045, 0.0045), min_size=10, max_size=60), st.sampled_from([1.6, 2.0]))
def test_a_level_that_ripples_at_a_border_of_the_roof_changes_its_state_once_at_most(
    ripple: list[float], border_m: float
) -> None:
    plan = straight_plan(roof=RoofPlan(46_000.0, 1.6, 2.0), temperature=TemperaturePlan())
    memory, qualities = EMPTY_MEMORY, []
    for step in ripple:
        given_now = straight_input(border_m + step, elements=(), manual_temperature=good(15.0))
        inventory, memory = calculate(plan, given_now, memory)
        qualities.append(inventory.figures.gov.quality)
    assert sum(a is not b for a, b in pairwise(qualities)) <= 1


def test_an_uncertain_density_does_not_touch_room_under_a_roof_that_floats_at_both_ends() -> None:
    plan = straight_plan(roof=RoofPlan(46_000.0, 1.6, 2.0), limits=LimitPlan(2.2, 9.0))
    figures = at(plan, 6.0, reference_density=uncertain(800.0))
    assert figures.room.quality is Quality.GOOD
    assert figures.gov.quality is Quality.UNCERTAIN
