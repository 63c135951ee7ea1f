"""OIML R 22 against printed tables, and its identities."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.ethanol import (
    EthanolWater,
    ethanol_density,
    mass_fraction_from_density,
    mass_fraction_from_volume_fraction,
    volume_fraction_from_mass_fraction,
)
from gateway.calculation.methods.ethanol_freezing import freezing_point
from gateway.calculation.plan import ProductPlan
from gateway.errors import LimitError
from gateway.records import Quality, ReasonCode
from tests.calculation.golden_values import GoldenRow, golden_rows
from tests.support.plans import good, sheet, straight_input, straight_plan

STRENGTHS = st.floats(0.0, 1.0)
TEMPERATURES = st.floats(-20.0, 40.0)


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("ethanol.csv", "by_volume"), ids=by_id)
def test_strength_by_volume(row: GoldenRow) -> None:
    mass_fraction = mass_fraction_from_volume_fraction(row.number("volume_percent") / 100.0)
    density = ethanol_density(mass_fraction, row.number("temperature_c"))
    assert density == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("ethanol.csv", "by_mass"), ids=by_id)
def test_strength_by_mass(row: GoldenRow) -> None:
    density = ethanol_density(row.number("mass_percent") / 100.0, row.number("temperature_c"))
    assert density == pytest.approx(row.value, abs=row.tolerance)


def test_a_fixed_strength() -> None:
    method = EthanolWater(0.94)
    assert (method.needs_density, method.uses_density_for_ctl) == (False, False)
    prepared = method.from_reference_density(None)
    assert prepared.at(20.0, 0.0).ctl == 1.0
    corrected = prepared.at(31.0, 0.0)
    assert corrected.observed_density == pytest.approx(ethanol_density(0.94, 31.0), rel=1e-12)
    assert corrected.ctl == pytest.approx(ethanol_density(0.94, 31.0) / ethanol_density(0.94, 20.0), rel=1e-12)
    assert method.clause == "OIML R 22, 94 % by mass, to 20 degC"
    with pytest.raises(LimitError, match="the strength already fixes it"):
        method.from_reference_density(805.0)
    with pytest.raises(LimitError, match="the strength already fixes it"):
        method.from_observed_density(805.0, 20.0, 0.0)


def test_a_strength_by_density() -> None:
    method = EthanolWater()
    assert (method.needs_density, method.uses_density_for_ctl) == (True, True)
    prepared = method.from_observed_density(ethanol_density(0.4, 28.0), 28.0, 0.0)
    assert prepared.mass_fraction == pytest.approx(0.4, abs=1e-10)
    assert prepared.reference_density == pytest.approx(935.15, abs=0.01)
    with pytest.raises(LimitError, match="reference density nan kg/m3 is missing"):
        method.from_reference_density(None)


@pytest.mark.parametrize("row", golden_rows("ethanol.csv", "freezing"), ids=by_id)
def test_freezing_points(row: GoldenRow) -> None:
    assert freezing_point(row.number("mass_percent") / 100.0) == pytest.approx(row.value, abs=row.tolerance)


def test_spirit_of_5_percent_is_no_liquid_at_minus_19_degc() -> None:
    """CRC Handbook of Chemistry and Physics, 102nd edition: 5 % by mass freezes 2.09 degC below water."""
    weak = EthanolWater(0.05).from_reference_density(None)
    with pytest.raises(LimitError) as caught:
        weak.at(-19.0, 0.0)
    assert str(caught.value) == (
        "liquid temperature -19 degC is below -2.09 degC, where 5 % by mass begins to freeze: not all is liquid "
        "(freezing points of aqueous solutions, CRC Handbook of Chemistry and Physics)"
    )
    assert weak.at(-2.0, 0.0).observed_density == pytest.approx(ethanol_density(0.05, -2.0), rel=1e-12)
    with pytest.raises(LimitError, match="begins to freeze"):
        EthanolWater().from_observed_density(ethanol_density(0.05, -19.0), -19.0, 0.0)
    with pytest.raises(LimitError, match="reference temperature -10 degC is below"):
        EthanolWater(0.05, reference_temperature_c=-10.0)


def test_the_sheet_says_so() -> None:
    plan = straight_plan(product=ProductPlan("spirit", EthanolWater(0.05)))
    figures = sheet(plan, straight_input(elements=tuple(good(-19.0) for _ in range(4)))).figures
    assert (figures.gsv.value, figures.gsv.quality) == (None, Quality.BAD)
    assert figures.mass.quality is Quality.BAD
    assert figures.tov.quality is Quality.GOOD
    assert figures.ctl.reasons[0].code is ReasonCode.METHOD_LIMIT


@given(mass_fraction=STRENGTHS, temperature=TEMPERATURES)
def test_a_result_is_of_a_liquid_only(mass_fraction: float, temperature: float) -> None:
    prepared = EthanolWater(mass_fraction).from_reference_density(None)
    if temperature < freezing_point(mass_fraction):
        with pytest.raises(LimitError, match="begins to freeze"):
            prepared.at(temperature, 0.0)
    else:
        assert prepared.at(temperature, 0.0).observed_density is not None


@given(weaker=STRENGTHS, more=st.floats(0.0, 1.0))
def test_more_alcohol_never_freezes_earlier(weaker: float, more: float) -> None:
    assert -20.47 <= freezing_point(min(1.0, weaker + more)) <= freezing_point(weaker) <= 0.0


@given(mass_fraction=STRENGTHS, temperature=TEMPERATURES)
def test_density_and_back(mass_fraction: float, temperature: float) -> None:
    density = ethanol_density(mass_fraction, temperature)
    assert ethanol_density(mass_fraction_from_density(density, temperature), temperature) == pytest.approx(
        density, rel=1e-10
    )


@given(mass_fraction=STRENGTHS)
def test_volume_fraction_and_back(mass_fraction: float) -> None:
    volume_fraction = min(volume_fraction_from_mass_fraction(mass_fraction), 1.0)
    back = mass_fraction_from_volume_fraction(volume_fraction)
    # R 22 takes pure ethanol as 789.24 kg/m3, its formula gives 789.2391: a strength of 1 is short by a millionth.
    assert back == pytest.approx(mass_fraction, abs=2e-6)


@given(mass_fraction=st.floats(0.05, 1.0), low=st.floats(4.0, 39.0), rise=st.floats(0.05, 1.0))
def test_density_falls_as_temperature_rises(mass_fraction: float, low: float, rise: float) -> None:
    assert ethanol_density(mass_fraction, low + rise) < ethanol_density(mass_fraction, low)


@given(strength=st.floats(0.0, 0.99), more=st.floats(0.001, 0.01), temperature=TEMPERATURES)
def test_density_falls_as_strength_rises(strength: float, more: float, temperature: float) -> None:
    assert ethanol_density(strength + more, temperature) < ethanol_density(strength, temperature)


@pytest.mark.parametrize("bad", [-20.1, 40.1, math.nan, math.inf])
def test_temperature_range(bad: float) -> None:
    with pytest.raises(LimitError, match="liquid temperature"):
        EthanolWater(0.5).from_reference_density(None).at(bad, 0.0)
    with pytest.raises(LimitError, match="liquid temperature"):
        EthanolWater().from_observed_density(900.0, bad, 0.0)


@pytest.mark.parametrize("bad", [-0.01, 1.01, math.nan])
def test_strength_range(bad: float) -> None:
    with pytest.raises(LimitError, match="mass fraction of ethanol"):
        EthanolWater(bad)
    with pytest.raises(LimitError, match="volume fraction of ethanol"):
        mass_fraction_from_volume_fraction(bad)


@pytest.mark.parametrize("bad", [788.0, 999.0, math.nan])
def test_density_range(bad: float) -> None:
    with pytest.raises(LimitError, match="density at 20 degC"):
        EthanolWater().from_reference_density(bad)


def test_pressure_it_cannot_correct_for() -> None:
    with pytest.raises(LimitError, match="gauge pressure"):
        EthanolWater(0.5).from_reference_density(None).at(20.0, 1e5)
