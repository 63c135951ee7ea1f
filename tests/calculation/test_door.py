"""What is handed to `calculate`: no number, and nothing that a tank could not show, is ever Good or ever raises."""

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.door import admitted
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import (
    FreeWaterSource,
    GaugeKind,
    GaugePlan,
    HeadPlan,
    MeasuredDensityPlan,
    ShellPlan,
    TankPlan,
    VapourPlan,
)
from gateway.records import Figure, Figures, Input, Inventory, Quality, Reason, ReasonCode, TankInput
from gateway.settings import load_site
from tests.support.plans import good, sheet, straight_input, straight_plan
from tests.support.reasons import as_told

CONFIG = Path(__file__).parents[2] / "config"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
HARD_PLAN = straight_plan(
    second_gauge=GaugePlan(GaugeKind.ULLAGE, name="second gauge"),
    free_water=FreeWaterSource.PROBE,
    shell=ShellPlan(1.1e-5, 15.0),
    measured_density=MeasuredDensityPlan(0.3, in_use=True),
    vapour=VapourPlan(molar_mass_kg_mol=0.044),
)
"""Every field of the input enters it."""


def _plans() -> list[TankPlan]:
    """Each kind of tank and product that the files of the program show."""
    files = (CONFIG / "demo" / "site.yaml", CONFIG / "site.yaml", CONFIG / "one_tank.yaml")
    return [setup.plan for file in files for setup in load_site(file, now=NOW).tanks] + [HARD_PLAN]


PLANS = _plans()
ODD = (math.nan, math.inf, -math.inf, 1e308, -1e308, 1e30, -5.0, -0.01, 0.0, 1.2, 5e-324)
CODES = (None, ReasonCode.NONE_DETECTED, ReasonCode.OVERDUE, ReasonCode.NO_ANSWER)


def inputs(*usual: float) -> st.SearchStrategy[Input]:
    """An input near its usual values, or far beyond; of any quality, age and reason."""
    return st.builds(
        lambda value, quality, code, age_s, manual: Input(
            value, quality, None if code is None else Reason(code, "so it said"), age_s, "X.s", manual
        ),
        st.one_of(st.sampled_from(usual), st.sampled_from(ODD), st.floats(), st.none()),
        st.sampled_from((Quality.GOOD, Quality.GOOD, Quality.GOOD, Quality.UNCERTAIN, Quality.BAD)),
        st.sampled_from(CODES),
        st.sampled_from((0.0, 1.0, 1.0, 1.0, 3e6, math.nan, math.inf, -math.inf)),
        st.booleans(),
    )


@st.composite
def tank_inputs(draw: st.DrawFn, plan: TankPlan) -> TankInput:
    length, liquid, pressure = inputs(0.03, 2.2, 6.0), inputs(15.0, 24.0), inputs(0.0, 5e3, 60e3, 540e3)
    density = inputs(540.0, 742.0, 838.0, 985.0, 1490.0)
    maybe = {
        "level": length,
        "second_level": length,
        "dip_level": length,
        "bottom_pressure": pressure,
        "vapour_pressure": pressure,
        "water": length,
        "dip_water": length,
        "manual_temperature": liquid,
        "ambient": liquid,
        "reference_density": density,
        "observed_density": density,
        "sediment_water": inputs(0.003),
    }
    fields: dict[str, Any] = {name: draw(st.none() | strategy) for name, strategy in maybe.items()}
    elements = tuple(draw(liquid) for _ in plan.temperature.elements)
    flows = tuple(draw(inputs(0.0, 0.1)) for _ in plan.flows)
    return TankInput(tank=plan.tank, instant=NOW, elements=elements, flows=flows, **fields)


def _sound(figure: Figure) -> bool:
    if not math.isfinite(figure.age_s) and (figure.value is not None or figure.age_s != math.inf):
        return False
    if figure.value is None:
        return figure.quality is Quality.BAD or bool(figure.reasons)
    return math.isfinite(figure.value) and figure.quality is not Quality.BAD


def _unsound(inventory: Inventory) -> list[str]:
    return [name for name, figure in zip(Figures._fields, inventory.figures, strict=True) if not _sound(figure)]


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_whatever_comes_in_every_figure_is_finite_or_says_why_it_is_not_there(data: st.DataObject) -> None:
    plan = data.draw(st.sampled_from(PLANS))
    memory = EMPTY_MEMORY
    for _ in range(data.draw(st.integers(1, 3))):
        inventory, memory = calculate(plan, data.draw(tank_inputs(plan)), memory)
        assert _unsound(inventory) == []


FIELDS = {
    "level": (good(6.0), "level"),
    "second_level": (good(4.5), "second_level"),
    "bottom_pressure": (good(45e3), "bottom_pressure"),
    "vapour_pressure": (good(1e3), "vapour_pressure"),
    "water": (good(0.05), "water_level"),
    "ambient": (good(10.0), "ambient_temperature"),
    "reference_density": (good(800.0), "density_difference"),
    "sediment_water": (good(0.003), "sediment_water"),
}


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("name", FIELDS)
def test_what_is_no_number_is_bad_and_says_so(name: str, value: float) -> None:
    fields: dict[str, Any] = {field: usual for field, (usual, _) in FIELDS.items()}
    odd = straight_input(**(fields | {name: good(value)}))
    figure = getattr(sheet(HARD_PLAN, odd).figures, FIELDS[name][1])
    refused = getattr(admitted(odd), name)
    assert (refused.value, refused.quality) == (None, Quality.BAD)
    assert as_told(refused.reason) == Reason(ReasonCode.NOT_A_NUMBER, f"X.s: {value} is not a number")
    if name == "level":
        # The second gauge's ullage of 4.5 m stands in: 10.5 - 4.5 = 6.0 m, less what the cold shell is shorter.
        assert figure.value == pytest.approx(6.0, abs=0.001)
        assert figure.quality is Quality.UNCERTAIN
    elif name == "reference_density":
        # Nothing is entered that the measured density could be compared with.
        assert (figure.value, figure.quality) == (None, Quality.GOOD)
    else:
        assert (figure.value, figure.quality) == (None, Quality.BAD)


def test_an_element_that_is_no_number_is_left_out_and_named() -> None:
    elements = (good(15.0), good(math.nan), good(15.0), good(15.0))
    inventory = sheet(straight_plan(), straight_input(elements=elements))
    assert [use.used for use in inventory.elements] == [True, False, True, False]
    average = inventory.figures.liquid_temperature
    assert (average.value, average.quality) == (15.0, Quality.UNCERTAIN)
    assert as_told(average.reasons[0]) == Reason(ReasonCode.ELEMENT_FAILED, "T2 left out: X.s: nan is not a number")


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("ambient", 300.0, "300 degC is no temperature of the air: -90 to 70 degC can be"),
        ("ambient", -90.1, "-90.1 degC is no temperature of the air: -90 to 70 degC can be"),
        ("manual_temperature", 401.0, "401 degC is no temperature of a liquid in a tank: -200 to 400 degC can be"),
        ("reference_density", -838.0, "-838 kg/m3 is no density of a liquid: 100 to 3000 kg/m3 can be"),
        ("observed_density", 0.0, "0 kg/m3 is no density of a liquid: 100 to 3000 kg/m3 can be"),
        ("sediment_water", 1.2, "1.2 is no share: 0 to 1 can be"),
        ("sediment_water", -0.01, "-0.01 is no share: 0 to 1 can be"),
        ("bottom_pressure", 11e6, "1.1e+07 Pa is no pressure of a tank: -110000 to 1.05e+07 Pa can be"),
        ("vapour_pressure", -111e3, "-111000 Pa is no pressure of a tank: -110000 to 1.05e+07 Pa can be"),
        ("level", 2e3, "2000 m is no length in a tank: -1000 to 1000 m can be"),
    ],
)
def test_what_no_tank_could_show_is_bad_with_its_reason(name: str, value: float, text: str) -> None:
    odd: dict[str, Any] = {name: good(value)}
    given = getattr(admitted(straight_input(**odd)), name)
    assert (given.value, given.quality) == (None, Quality.BAD)
    assert as_told(given.reason) == Reason(ReasonCode.OUT_OF_RANGE, f"X.s: {text}")


def test_air_of_300_degc_leaves_a_shell_without_ambient_and_uncertain() -> None:
    """The shell falls back on the liquid: 1 + 2 x 1.1e-5 x (25 - 15) + (1.1e-5 x 10)^2 = 1.00022001."""
    plan = straight_plan(shell=ShellPlan(1.1e-5, 15.0))
    elements = tuple(good(25.0) for _ in range(4))
    figures = sheet(plan, straight_input(elements=elements, ambient=good(300.0))).figures
    assert figures.ambient_temperature.quality is Quality.BAD
    assert figures.ctsh.value == pytest.approx(1.00022001, abs=1e-8)
    assert figures.ctsh.quality is figures.gov.quality is Quality.UNCERTAIN
    assert "no ambient temperature" in figures.ctsh.reasons[0].text
    assert sheet(plan, straight_input(elements=elements, ambient=good(45.0))).figures.gov.quality is Quality.GOOD


def test_a_density_below_zero_is_not_shown_as_a_good_one() -> None:
    figures = sheet(straight_plan(), straight_input(reference_density=good(-800.0))).figures
    assert (figures.reference_density.value, figures.reference_density.quality) == (None, Quality.BAD)
    assert figures.mass.quality is Quality.BAD


def test_a_value_missing_without_a_word_is_bad() -> None:
    silent = Input(None, Quality.GOOD, None, 1.0, "TT-1.t1")
    refused = admitted(straight_input(manual_temperature=silent)).manual_temperature
    assert refused is not None
    assert refused.quality is Quality.BAD
    assert as_told(refused.reason) == Reason(ReasonCode.INPUT_BAD, "TT-1.t1 gives no value")


def test_bad_keeps_the_reason_that_it_came_with() -> None:
    broken = Input(math.nan, Quality.BAD, Reason(ReasonCode.SENTINEL, "open circuit"), 1.0, "TT-1.t1")
    elements = admitted(straight_input(elements=(broken,))).elements
    assert elements == (broken._replace(value=None),)


def test_sound_inputs_pass_as_they_are() -> None:
    given = straight_input(ambient=good(-89.2), sediment_water=good(1.0), vapour_pressure=good(-100e3))
    assert admitted(given) is given


def test_a_level_by_pressure_that_is_no_number_is_bad() -> None:
    plan = straight_plan(gauge=HeadPlan(0.3))
    for value in (math.nan, math.inf, 1e308):
        figures = sheet(plan, straight_input(level=None, bottom_pressure=good(value))).figures
        assert (figures.level.value, figures.gsv.value) == (None, None)
        assert figures.level.quality is figures.gsv.quality is Quality.BAD


def test_every_input_of_the_sheet_passes_the_door() -> None:
    """A field that is added to TankInput is given its range in the door too: beyond any range nothing is let in."""
    fields = [name for name, annotation in TankInput.__annotations__.items() if Input.__name__ in str(annotation)]
    assert len(fields) == 14
    for name in fields:
        several = name in ("elements", "flows")
        odd: dict[str, Any] = {name: (good(1e30),) if several else good(1e30)}
        refused = getattr(admitted(straight_input(**odd)), name)
        assert (refused[0] if several else refused).quality is Quality.BAD, name
