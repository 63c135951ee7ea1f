"""What a method gives but does not vouch for, or what another product gave, is Uncertain all the way down."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.methods.expansion import ExpansionCoefficient
from gateway.calculation.methods.petroleum import PetroleumCorrection, PetroleumGroup
from gateway.calculation.plan import DensityWindow, HeadPlan, MeasuredDensityPlan, ProductPlan, RoofPlan, TankPlan
from gateway.records import Figure, Figures, Quality, Reason, ReasonCode
from tests.support.plans import NOON, good, sheet, straight_input, straight_plan
from tests.support.reasons import as_told

BASE_OIL = ExpansionCoefficient(0.0007, 15.0)
DIESEL_WINDOW = DensityWindow(820.0, 860.0)
FAR = Reason(
    ReasonCode.METHOD_DOUBTFUL,
    "expansion coefficient used over 50 degC from 15 degC, where it holds, and no range is stated for it",
)


def told(figure: Figure) -> tuple[Reason, ...]:
    return tuple(map(as_told, figure.reasons))


def warm(celsius: float) -> dict[str, tuple[object, ...]]:
    return {"elements": tuple(good(celsius) for _ in range(4))}


def at(plan: TankPlan, celsius: float, **changes: object) -> Figures:
    return sheet(plan, straight_input(**warm(celsius), **changes)).figures  # type: ignore[arg-type]


AIR = 1.2
"""kg/m3: the tanks are vented, and the air outside stands beside the column."""


class TestCoefficientCarriedFar:
    def test_what_rests_on_it_is_uncertain_and_says_why(self) -> None:
        """CTL by hand: x = 0.0007 x 65 = 0.0455; exp(-0.0455 (1 + 0.8 x 0.0455)) = 0.953938."""
        figures = at(straight_plan(product=ProductPlan("base oil", BASE_OIL)), 80.0)
        assert figures.ctl.value == pytest.approx(0.953938, abs=5e-7)
        assert figures.gsv.value == pytest.approx(600.0 * 0.953938, abs=5e-4)
        for name in ("ctl", "observed_density", "gsv", "mass", "weight_in_air"):
            figure = getattr(figures, name)
            assert (name, figure.quality, told(figure)) == (name, Quality.UNCERTAIN, (FAR,))
        for name in ("level", "liquid_temperature", "tov", "gov", "reference_density"):
            assert (name, getattr(figures, name).quality) == (name, Quality.GOOD)

    def test_near_its_reference_or_within_its_range_all_is_good(self) -> None:
        for method, celsius in ((BASE_OIL, 61.2), (ExpansionCoefficient(0.0007, 15.0, 0.0, 90.0), 80.0)):
            figures = at(straight_plan(product=ProductPlan("base oil", method)), celsius)
            assert figures.mass.quality is figures.gsv.quality is Quality.GOOD

    def test_outside_a_stated_range_it_is_bad(self) -> None:
        figures = at(
            straight_plan(product=ProductPlan("base oil", ExpansionCoefficient(0.0007, 15.0, 0.0, 60.0))), 61.0
        )
        assert (figures.ctl.value, figures.ctl.quality) == (None, Quality.BAD)
        assert figures.ctl.reasons[0].code is ReasonCode.METHOD_LIMIT

    def test_a_level_by_pressure_that_rests_on_it_is_uncertain_with_its_volume(self) -> None:
        plan = straight_plan(product=ProductPlan("base oil", BASE_OIL), gauge=HeadPlan(0.3))
        figures = at(plan, 80.0, level=None, bottom_pressure=good(30e3))
        assert told(figures.level) == told(figures.tov) == (FAR,)
        assert figures.level.quality is figures.tov.quality is Quality.UNCERTAIN
        near = at(plan, 20.0, level=None, bottom_pressure=good(30e3))
        assert near.level.quality is near.gsv.quality is Quality.GOOD

    def test_a_roof_that_rests_on_it_makes_gov_uncertain(self) -> None:
        plan = straight_plan(product=ProductPlan("base oil", BASE_OIL), roof=RoofPlan(40e3, 1.0, 1.5))
        assert at(plan, 80.0).gov.quality is Quality.UNCERTAIN

    def test_a_reference_density_worked_back_with_it_is_uncertain(self) -> None:
        plan = straight_plan(product=ProductPlan("base oil", BASE_OIL))
        figures = at(plan, 80.0, reference_density=None, observed_density=good(850.0))
        assert figures.reference_density.quality is Quality.UNCERTAIN
        assert told(figures.reference_density) == (FAR,)

    def test_a_measured_density_compared_with_it_differs_uncertainly(self) -> None:
        plan = straight_plan(
            product=ProductPlan("base oil", BASE_OIL), measured_density=MeasuredDensityPlan(0.0, in_use=False)
        )
        pressure = good((800.0 * 0.953938 - AIR) * 9.80665 * 6.0)
        figures = at(plan, 80.0, bottom_pressure=pressure)
        assert figures.density_difference.value == pytest.approx(0.0, abs=1e-3)
        assert told(figures.density_difference) == (FAR,)

    @given(ripple=st.lists(st.floats(-0.2, 0.2), min_size=20, max_size=20))
    def test_ripple_at_the_border_changes_no_quality_more_than_once(self, ripple: list[float]) -> None:
        assert changes(straight_plan(product=ProductPlan("base oil", BASE_OIL)), [65.0 + each for each in ripple]) <= 1

    def test_the_doubt_ends_half_a_degree_inside(self) -> None:
        plan = straight_plan(product=ProductPlan("base oil", BASE_OIL))
        assert changes(plan, [64.0, 65.1, 64.6, 64.4, 64.9, 65.0, 65.1]) == 3


def changes(plan: TankPlan, temperatures: list[float]) -> int:
    """How often the quality of the mass changes over sheets at these temperatures."""
    memory: Memory = EMPTY_MEMORY
    seen = []
    for index, celsius in enumerate(temperatures):
        given = straight_input(**warm(celsius))._replace(steady_s=300.0 * index)  # type: ignore[arg-type]
        inventory, memory = calculate(plan, given, memory)
        seen.append(inventory.figures.mass.quality)
    return sum(before is not now for before, now in pairwise(seen))


class TestDensityWindow:
    PLAN = straight_plan(
        product=ProductPlan("diesel", PetroleumCorrection(PetroleumGroup.REFINED, 15.0), density_window=DIESEL_WINDOW),
        measured_density=MeasuredDensityPlan(0.0, in_use=True),
    )

    def test_gasoline_measured_in_the_diesel_tank_is_uncertain_and_says_so(self) -> None:
        """742 kg/m3 at 15 degC, (742 - 1.2) x 9.80665 x 6 Pa over the air: the mass is right, the product is not."""
        pressure = good((742.0 - AIR) * 9.80665 * 6.0)
        figures = at(self.PLAN, 15.0, reference_density=good(838.0), bottom_pressure=pressure)
        assert figures.reference_density.value == pytest.approx(742.0, abs=1e-6)
        assert figures.mass.value == pytest.approx(600.0 * 742.0, rel=1e-9)
        window = Reason(
            ReasonCode.DENSITY_OUTSIDE_WINDOW,
            "density 742.0 kg/m3 at 15 degC is outside that of diesel, 820 to 860 kg/m3: "
            "see whether the tank still holds diesel",
        )
        for name in ("reference_density", "observed_density", "ctl", "gsv", "mass"):
            figure = getattr(figures, name)
            assert (name, figure.quality) == (name, Quality.UNCERTAIN)
            assert window in told(figure), name

    def test_within_it_all_is_good(self) -> None:
        pressure = good((838.0 - AIR) * 9.80665 * 6.0)
        figures = at(self.PLAN, 15.0, reference_density=good(838.0), bottom_pressure=pressure)
        assert figures.mass.quality is figures.gsv.quality is Quality.GOOD

    @pytest.mark.parametrize("density", [819.9, 860.1])
    @pytest.mark.parametrize("name", ["reference_density", "observed_density"])
    def test_an_entered_density_outside_it_is_uncertain_live(self, name: str, density: float) -> None:
        plan = straight_plan(product=self.PLAN.product)
        entered = {"reference_density": None, name: good(density)}
        figures = at(plan, 15.0, **entered)
        assert figures.reference_density.quality is figures.gsv.quality is Quality.UNCERTAIN
        assert figures.gsv.reasons[-1].code is ReasonCode.DENSITY_OUTSIDE_WINDOW
        inside = at(plan, 15.0, **{"reference_density": None, name: good(840.0)})
        assert inside.gsv.quality is Quality.GOOD

    @given(ripple=st.lists(st.floats(-0.2, 0.2), min_size=20, max_size=20))
    def test_ripple_at_the_border_changes_no_quality_more_than_once(self, ripple: list[float]) -> None:
        memory: Memory = EMPTY_MEMORY
        seen = []
        for index, each in enumerate(ripple):
            given = straight_input(observed_density=good(860.0 + each), reference_density=None)
            plan = straight_plan(product=self.PLAN.product)
            inventory, memory = calculate(plan, given._replace(instant=NOON, steady_s=300.0 * index), memory)
            seen.append(inventory.figures.mass.quality)
        assert sum(before is not now for before, now in pairwise(seen)) <= 1
