"""GPA TP-27 against reference equations of state, its own identities and its limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.lpg import (
    REFERENCE_FLUIDS,
    WATER_60F,
    LpgCorrection,
    ReferenceFluid,
    reference_density_60f,
)
from gateway.calculation.methods.petroleum import REFERENCE_60F_C
from gateway.calculation.methods.rounding import TP_27, RoundedCorrection
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

AT_60F = LpgCorrection(REFERENCE_60F_C)
AT_15C = LpgCorrection(15.0)
REFERENCES = st.sampled_from([REFERENCE_60F_C, 15.0, 20.0])


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def by_id(row: GoldenRow) -> str:
    return row.id


def saturated_density(fluid: str, temperature_c: float) -> float:
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI("D", "T", temperature_c + 273.15, "Q", 0, fluid))


@pytest.mark.parametrize("row", golden_rows("lpg.csv", "saturation_ratio"), ids=by_id)
def test_saturation_density_ratio(row: GoldenRow) -> None:
    prepared = AT_60F.from_reference_density(row.number("gamma60") * WATER_60F)
    assert prepared.at(celsius(row.number("temperature_f")), 0.0).ctl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("lpg.csv", "relative_density"), ids=by_id)
def test_reference_fluid(row: GoldenRow) -> None:
    assert row.number("gamma60") == pytest.approx(row.value, abs=row.tolerance)
    assert row.number("gamma60") in {fluid.gamma for fluid in REFERENCE_FLUIDS}


@pytest.mark.outside("IUPAC atomic weights")
@pytest.mark.parametrize("fluid", REFERENCE_FLUIDS, ids=lambda fluid: fluid.name)
def test_the_constants_of_each_fluid_give_its_relative_density(fluid: ReferenceFluid) -> None:
    """Density in mol/l at 60 degF times the molar mass is the tabulated relative density: a check of every constant."""
    ethylene, ethane, propane = 28.0532, 30.0690, 44.0956
    molar_mass = {
        "EE 68/32": 0.68 * ethane + 0.32 * ethylene,
        "ethane": ethane,
        "EP 65/35": 0.65 * ethane + 0.35 * propane,
        "EP 35/65": 0.35 * ethane + 0.65 * propane,
        "propane": propane,
        "i-butane": 58.1222,
        "n-butane": 58.1222,
        "i-pentane": 72.1488,
        "n-pentane": 72.1488,
        "i-hexane": 86.1754,
        "n-hexane": 86.1754,
        "n-heptane": 100.2019,
    }[fluid.name]
    assert reference_density_60f(fluid) * molar_mass / WATER_60F == pytest.approx(fluid.gamma, rel=4e-4)


@pytest.mark.outside("CoolProp 8.0.0, reference equations of state")
@pytest.mark.parametrize("row", golden_rows("lpg.csv", "pure_fluid"), ids=by_id)
def test_pure_fluids_over_their_range(row: GoldenRow) -> None:
    from CoolProp.CoolProp import PropsSI

    fluid, gamma = row.inputs["fluid"], min(row.number("gamma60"), 0.688)
    hottest = min(60.0, 0.9 * PropsSI("Tcrit", fluid) - 273.15)
    prepared = AT_60F.from_reference_density(gamma * WATER_60F)
    at_60f = saturated_density(fluid, REFERENCE_60F_C)
    for tenth in range(11):
        temperature = -40.0 + tenth / 10.0 * (hottest + 40.0)
        expected = saturated_density(fluid, temperature) / at_60f
        assert prepared.at(temperature, 0.0).ctl == pytest.approx(expected, abs=row.tolerance)


@pytest.mark.outside("CoolProp 8.0.0, multi-fluid Helmholtz model")
@pytest.mark.parametrize(
    ("mixture", "agree_within"),
    [
        ("Propane[0.5]&n-Butane[0.5]", 3e-4),
        ("Propane[0.7]&IsoButane[0.3]", 1e-3),
        ("Propane[0.3]&n-Butane[0.4]&IsoButane[0.3]", 6e-4),
        ("n-Butane[0.6]&n-Pentane[0.4]", 2e-3),
        ("Ethane[0.1]&Propane[0.9]", 2.5e-3),
    ],
)
def test_mixtures_by_their_relative_density_alone(mixture: str, agree_within: float) -> None:
    at_60f = saturated_density(f"HEOS::{mixture}", REFERENCE_60F_C)
    prepared = AT_60F.from_reference_density(at_60f)
    for temperature in (-40.0, -20.0, 0.0, 30.0, 45.0, 60.0):
        expected = saturated_density(f"HEOS::{mixture}", temperature) / at_60f
        assert prepared.at(temperature, 0.0).ctl == pytest.approx(expected, rel=agree_within)


@pytest.mark.parametrize("row", golden_rows("lpg.csv", "older_print_15c"), ids=by_id)
def test_the_printed_table_before_tp_27(row: GoldenRow) -> None:
    ctl = AT_15C.from_reference_density(row.number("density_15c")).at(row.number("temperature_c"), 0.0).ctl
    assert ctl is not None
    assert ctl == pytest.approx(row.value, abs=row.tolerance)
    assert ctl < row.value, "the older table lies above"


@pytest.mark.parametrize("row", golden_rows("lpg.csv", "unity_15c"), ids=by_id)
def test_unity(row: GoldenRow) -> None:
    corrected = AT_15C.from_reference_density(row.number("density_15c")).at(15.0, 0.0)
    assert corrected.ctl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("lpg.csv", "round_trip_15c"), ids=by_id)
def test_observed_and_back(row: GoldenRow) -> None:
    temperature = row.number("temperature_c")
    observed = AT_15C.from_reference_density(row.number("density_15c")).at(temperature, 0.0).observed_density
    assert observed is not None
    back = AT_15C.from_observed_density(observed, temperature, 0.0).reference_density
    assert back == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("lpg.csv", "density_limits"), ids=by_id)
def test_density_limits_at_other_references(row: GoldenRow) -> None:
    method = LpgCorrection(row.number("reference_c"))
    lowest, highest = row.number("lowest"), row.number("highest")
    for inside in (lowest + row.tolerance, highest - row.tolerance):
        assert method.from_reference_density(inside).reference_density == inside
    for outside in (lowest - row.tolerance, highest + row.tolerance):
        with pytest.raises(LimitError, match="reference density at"):
            method.from_reference_density(outside)


@pytest.mark.parametrize("row", golden_rows("correction_limits.csv", "lpg"), ids=by_id)
def test_outside_a_limit(row: GoldenRow) -> None:
    with pytest.raises(LimitError) as caught:
        AT_60F.from_reference_density(row.number("gamma60") * WATER_60F).at(celsius(row.number("temperature_f")), 0.0)
    assert str(caught.value) == f"{row.expected} ({AT_60F.clause})"


def test_observed_densities_no_liquid_has() -> None:
    # At 90 degC only liquids heavier than propane exist; a vapour's density must not be taken for a liquid's.
    with pytest.raises(LimitError, match=r"observed density at 90 degC 190 kg/m3 is below 2\d\d"):
        AT_15C.from_observed_density(190.0, 90.0, 0.0)
    with pytest.raises(LimitError, match=r"observed density at 20 degC 700 kg/m3 is above 683\.58"):
        AT_15C.from_observed_density(700.0, 20.0, 0.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(bad: float) -> None:
    with pytest.raises(LimitError):
        AT_15C.from_reference_density(bad)
    with pytest.raises(LimitError):
        AT_15C.from_observed_density(bad, 20.0, 0.0)
    prepared = AT_15C.from_reference_density(510.0)
    with pytest.raises(LimitError):
        prepared.at(bad, 0.0)
    with pytest.raises(LimitError):
        prepared.at(20.0, bad)


def test_a_density_is_needed_and_pressure_is_above_equilibrium() -> None:
    with pytest.raises(LimitError, match="reference density nan kg/m3 is missing"):
        AT_15C.from_reference_density(None)
    with pytest.raises(LimitError, match="pressure above equilibrium 540000 Pa is above 20000 Pa"):
        AT_15C.from_reference_density(510.0).at(20.0, 540e3)
    with pytest.raises(LimitError, match="reference temperature 25 degC"):
        LpgCorrection(25.0)


@pytest.mark.parametrize(("reference", "table"), [(REFERENCE_60F_C, "24E"), (15.0, "54E"), (20.0, "60E")])
def test_the_table_is_named(reference: float, table: str) -> None:
    assert LpgCorrection(reference).clause == f"GPA TP-27 / API MPMS 11.2.4 (2007), Table {table}"


def test_five_decimals() -> None:
    exact = AT_15C.from_reference_density(510.3).at(31.25, 0.0).ctl
    rounded = RoundedCorrection(AT_15C, TP_27).from_reference_density(510.31).at(31.26, 0.0).ctl
    assert exact is not None
    assert rounded == round(exact, 5) != exact


@given(reference=REFERENCES, density=st.floats(352.0, 683.0), temperature=st.floats(-46.0, 93.0))
def test_round_trip_unity_and_slope(reference: float, density: float, temperature: float) -> None:
    method = LpgCorrection(reference)
    prepared = method.from_reference_density(density)
    assert prepared.at(reference, 0.0).ctl == 1.0
    try:
        corrected = prepared.at(temperature, 0.0)
    except LimitError as error:
        assert "pseudo-critical" in str(error)  # noqa: PT017 - a light liquid has no density there, rightly
        return
    assert corrected.observed_density is not None
    assert corrected.ctl is not None
    if temperature > -45.0:
        cooler = prepared.at(temperature - 1.0, 0.0).ctl
        assert cooler is not None
        assert cooler > corrected.ctl
    back = method.from_observed_density(corrected.observed_density, temperature, 0.0).reference_density
    assert back == pytest.approx(density, rel=1e-8)


@given(fluid=st.sampled_from(REFERENCE_FLUIDS[1:-1]), temperature=st.floats(-46.0, 20.0))
def test_continuous_where_the_reference_fluids_change(fluid: ReferenceFluid, temperature: float) -> None:
    gamma = fluid.gamma
    below = AT_60F.from_reference_density(gamma * (1 - 1e-12) * WATER_60F).at(temperature, 0.0).ctl
    above = AT_60F.from_reference_density(gamma * (1 + 1e-12) * WATER_60F).at(temperature, 0.0).ctl
    assert above is not None
    assert below == pytest.approx(above, abs=1e-9)
