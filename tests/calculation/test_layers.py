"""One sample of a layered tank: said of density and mass, where the elements differ by more than the tank's flag."""

import pytest

from gateway.calculation.inventory import calculate
from gateway.records import Quality, ReasonCode
from tests.support.plans import good, straight_input, straight_plan

SAID = "a sample of one layer may not stand for the others"


@pytest.mark.parametrize(("spread_c", "is_said"), [(2.9, False), (3.0, False), (3.1, True), (12.0, True)])
def test_one_density_of_a_layered_tank_is_remarked_at_density_and_mass(spread_c: float, is_said: bool) -> None:
    """practice.md, story 16: flag more than 3 degC, and note that a spot density is not representative."""
    plan = straight_plan()
    count = len(plan.temperature.elements)
    elements = tuple(good(50.0 + spread_c * index / (count - 1)) for index in range(count))
    figures = calculate(plan, straight_input(level=good(9.9))._replace(elements=elements))[0].figures
    assert figures.temperature_spread.value == pytest.approx(spread_c)
    for figure in (figures.reference_density, figures.observed_density, figures.mass):
        assert figure.quality is Quality.GOOD, "layers of one product may well be of one density"
        said = [reason for reason in figure.reasons if SAID in reason.text]
        assert [reason.code for reason in said] == [ReasonCode.STRATIFIED] * is_said
    assert all(SAID not in reason.text for reason in figures.gsv.reasons), "no volume rests on it"
