"""A density as it is entered: printed tables read with a hydrometer, what contradicts itself, the window."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.density.entered import EnteredDensity, as_observed, at_reference
from gateway.calculation.methods.expansion import ExpansionCoefficient
from gateway.calculation.methods.hydrometer import hydrometer_correction, hydrometer_correction_15c
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980
from gateway.calculation.methods.solution import SolutionDensity
from gateway.calculation.plan import DensityWindow, ProductPlan
from gateway.errors import LimitError, QuantityError
from gateway.units.quantity import Dimension, Quantity, parse, to_unit
from tests.calculation.golden_values import GoldenRow, golden_rows

DIESEL = ProductPlan("diesel", PetroleumCorrection(PetroleumGroup.REFINED, 15.0))


def density(text: str) -> Quantity:
    return parse(text, Dimension.DENSITY)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "observed_by_hydrometer"), ids=by_id)
def test_tables_53_are_read_with_a_hydrometer_for_15_degc(row: GoldenRow) -> None:
    method = Petroleum1980Correction(PetroleumGroup(row.inputs["group"]), Table1980(row.inputs["table"]))
    reading = EnteredDensity(density(f"{row.inputs['reading']} kg/m3"), row.number("temperature_c"), by_hydrometer=True)
    assert at_reference(ProductPlan("oil", method), reading).value == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "observed_api_by_hydrometer"), ids=by_id)
def test_table_5b_is_read_with_a_hydrometer_for_60_degf(row: GoldenRow) -> None:
    method = Petroleum1980Correction(PetroleumGroup(row.inputs["group"]), Table1980.API_60F)
    celsius = (row.number("temperature_f") - 32.0) / 1.8
    reading = EnteredDensity(density(f"{row.inputs['api_reading']} degAPI"), celsius, by_hydrometer=True)
    found = at_reference(ProductPlan("oil", method), reading).value
    assert to_unit(found, "degAPI", Dimension.DENSITY) == pytest.approx(row.value, abs=row.tolerance)


def test_the_glass_is_corrected_for_once_and_for_glass_only() -> None:
    """836.1 kg/m3 read at 24.5 degC: 1 - 2.3e-5 x 9.5 - 2e-8 x 9.5^2 = 0.999779695, so 835.9158 kg/m3."""
    plain = EnteredDensity(density("836.1 kg/m3"), 24.5)
    assert as_observed(plain) == (836.1, 24.5)
    read = plain._replace(by_hydrometer=True)
    observed, at_c = as_observed(read)
    assert observed == pytest.approx(835.9158, abs=5e-5)
    assert at_c == 24.5
    by_hand = DIESEL.method.from_observed_density(observed, 24.5, 0.0).reference_density
    assert at_reference(DIESEL, read).value == by_hand
    assert at_reference(DIESEL, plain).value == DIESEL.method.from_observed_density(836.1, 24.5, 0.0).reference_density


@pytest.mark.parametrize(
    ("text", "made_for_c", "factor"),
    # At 30 degC = 86 degF: 15 or 10 degC from 15 or 20 degC, and 26 degF from 60 degF.
    [
        ("850 kg/m3", None, 1.0 - 2.3e-5 * 15.0 - 2e-8 * 225.0),
        ("850 kg/m3", 20.0, 1.0 - 2.3e-5 * 10.0 - 2e-8 * 100.0),
        ("850 kg/m3", REFERENCE_60F_C, 1.0 - 1.278e-5 * 26.0 - 6.2e-9 * 676.0),
        ("0.85 SG", None, 1.0 - 1.278e-5 * 26.0 - 6.2e-9 * 676.0),
        ("35 degAPI", None, 1.0 - 1.278e-5 * 26.0 - 6.2e-9 * 676.0),
    ],
)
def test_the_hydrometer_is_the_one_of_its_unit_unless_stated(
    text: str, made_for_c: float | None, factor: float
) -> None:
    reading = EnteredDensity(density(text), 30.0, by_hydrometer=True, made_for_c=made_for_c)
    assert as_observed(reading)[0] == pytest.approx(density(text).value * factor, rel=1e-12)


@given(temperature=st.floats(-18.0, 60.0))
def test_every_hydrometer_is_of_the_same_glass(temperature: float) -> None:
    """ISO 1768: glass of 25e-6 per degC by convention. The three relations lie within 4e-6 per degC of it."""
    for made_for_c in (15.0, 20.0, REFERENCE_60F_C):
        dt = temperature - made_for_c
        assert hydrometer_correction(made_for_c, temperature) == pytest.approx(
            1.0 - 25e-6 * dt, abs=4e-6 * abs(dt) + 1e-12
        )
        assert hydrometer_correction(made_for_c, made_for_c) == pytest.approx(1.0, abs=1e-15)
    assert hydrometer_correction(15.0, temperature) == hydrometer_correction_15c(temperature)


def test_degrees_api_say_60_degf_and_may_say_it_twice() -> None:
    """37.2 degAPI is 141.5 x 999.016 / (37.2 + 131.5) = 837.94 kg/m3 at 60 degF, and 838.32 at 15 degC: the table's
    step of 5/9 degC is 0.46 kg/m3 for this oil (alpha 0.00084)."""
    said_once = at_reference(DIESEL, EnteredDensity(density("37.2 degAPI"))).value
    said_twice = at_reference(DIESEL, EnteredDensity(density("37.2 degAPI"), REFERENCE_60F_C)).value
    assert said_once == said_twice
    at_60f = 141.5 * 999.016 / 168.7
    assert said_once - at_60f == pytest.approx(at_60f * 0.00084 * 5.0 / 9.0, abs=0.01)
    assert said_once == DIESEL.method.from_observed_density(at_60f, REFERENCE_60F_C, 0.0).reference_density


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (
            EnteredDensity(density("37.2 degAPI"), 15.0),
            "degAPI says the density at 60 degF, and it is given at 15 degC",
        ),
        (EnteredDensity(density("836 kg/m3"), None, True), "needs the temperature that it was read at"),
        (
            EnteredDensity(density("37 degAPI"), 20.0, True, 15.0),
            "degAPI is the scale of a hydrometer made for 60 degF",
        ),
        (EnteredDensity(density("836 kg/m3"), 20.0, False, 15.0), "only a hydrometer is made for a temperature"),
        (EnteredDensity(density("836 kg/m3"), 20.0, True, 25.0), "temperature made for 25 degC is not 15 degC"),
        (EnteredDensity(density("836 kg/m3"), 151.0, True), "temperature of the reading 151 degC is above 150 degC"),
        (EnteredDensity(density("8360 kg/m3")), "reference density at 15 degC 8360 kg/m3 is above"),
    ],
)
def test_what_contradicts_itself_or_cannot_be_is_refused(given: EnteredDensity, says: str) -> None:
    with pytest.raises((QuantityError, LimitError), match=says):
        at_reference(DIESEL, given)


def test_a_product_without_reference_cannot_keep_one_observed_elsewhere() -> None:
    grid = SolutionDensity((0.2, 0.3), (10.0, 30.0), ((1150.0, 1140.0), (1250.0, 1240.0)), "laboratory")
    with pytest.raises(QuantityError, match="has no reference_temperature"):
        at_reference(ProductPlan("brine", grid), EnteredDensity(density("1200 kg/m3"), 20.0))


WINDOW = DensityWindow(820.0, 860.0)


@given(entered=st.floats(700.0, 1000.0), celsius=st.floats(-10.0, 60.0))
def test_nothing_outside_its_window_comes_in(entered: float, celsius: float) -> None:
    product = ProductPlan("diesel", DIESEL.method, density_window=WINDOW)
    given = EnteredDensity(Quantity(entered, "kg/m3", at_60f=False), celsius)
    reference = at_reference(DIESEL, given).value
    if 820.0 <= reference <= 860.0:
        assert at_reference(product, given).value == reference
    else:
        with pytest.raises(QuantityError, match="is outside that of diesel, 820 to 860 kg/m3"):
            at_reference(product, given)


def test_what_a_coefficient_is_carried_far_for_is_doubted() -> None:
    oil = ProductPlan("base oil", ExpansionCoefficient(0.0007, 15.0))
    assert at_reference(oil, EnteredDensity(density("860 kg/m3"), 60.0)).doubt is None
    doubt = at_reference(oil, EnteredDensity(density("840 kg/m3"), 80.0)).doubt
    assert doubt is not None
    assert doubt.text.startswith("expansion coefficient used over 50 degC from 15 degC")
