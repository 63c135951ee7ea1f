"""Rounding as a standard prescribes it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.lpg import LpgCorrection
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980
from gateway.calculation.methods.rounding import (
    API_2004,
    API_2004_60F,
    TABLES_1980,
    TABLES_1980_60F,
    TABLES_1980_RELATIVE,
    TP_27,
    TP_27_60F,
    Discrimination,
    RoundedCorrection,
    by_its_standard,
)
from gateway.calculation.methods.tabulated import LinearDensity
from gateway.calculation.plan import ProductPlan
from gateway.calculation.sheet import explain
from gateway.errors import LimitError
from tests.support.plans import good, sheet, straight_input, straight_plan, value

CRUDE = PetroleumCorrection(PetroleumGroup.CRUDE, 15.0)
ROUNDED = RoundedCorrection(CRUDE, API_2004)


def test_inputs_and_factors_are_rounded() -> None:
    exact = CRUDE.from_reference_density(850.3).at(31.25, 505e3)
    rounded = ROUNDED.from_reference_density(850.26).at(31.232, 503.1e3)
    assert exact.ctl is not None
    assert exact.cpl is not None
    assert rounded.ctl == round(exact.ctl, 5) != exact.ctl
    assert rounded.cpl == round(exact.cpl, 5) != exact.cpl
    assert rounded.observed_density == pytest.approx(850.3 * rounded.ctl * rounded.cpl, rel=1e-12)


@pytest.mark.parametrize(("given_c", "taken_c"), [(20.075, 20.1), (20.0749, 20.05), (-20.075, -20.1), (20.02, 20.0)])
def test_halves_go_away_from_zero(given_c: float, taken_c: float) -> None:
    assert API_2004.temperature_c(given_c) == pytest.approx(taken_c, abs=1e-9)


def test_fahrenheit_steps() -> None:
    assert API_2004_60F.temperature_c((72.26 - 32) / 1.8) == pytest.approx((72.3 - 32) / 1.8, abs=1e-9)
    method = RoundedCorrection(PetroleumCorrection(PetroleumGroup.CRUDE, REFERENCE_60F_C), API_2004_60F)
    assert method.from_reference_density(850.0).at(REFERENCE_60F_C, 0.0).ctl == 1.0


def test_an_observed_density_is_rounded_twice() -> None:
    prepared = ROUNDED.from_observed_density(838.04, 31.232, 0.0)
    reference = CRUDE.from_observed_density(838.0, 31.25, 0.0).reference_density
    assert reference is not None
    assert prepared.reference_density == pytest.approx(round(reference, 1), abs=1e-9)


def test_the_clause_says_so_and_the_rest_is_the_method_s() -> None:
    assert ROUNDED.clause == (
        "API MPMS 11.1 (2004), crude oil, to 15 degC, rounded as in API MPMS 11.1 (2004): "
        "density to 0.1 kg/m3, temperature to 0.05 degC, pressure to 5 kPa, factors to 5 decimals"
    )
    assert (ROUNDED.reference_temperature_c, ROUNDED.needs_density, ROUNDED.uses_density_for_ctl) == (15.0, True, True)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_still_refused(bad: float) -> None:
    with pytest.raises(LimitError):
        ROUNDED.from_reference_density(bad)
    with pytest.raises(LimitError):
        ROUNDED.from_reference_density(850.0).at(bad, 0.0)
    with pytest.raises(LimitError):
        ROUNDED.from_reference_density(850.0).at(20.0, bad)


def test_a_method_without_factors_keeps_its_density() -> None:
    line = RoundedCorrection(LinearDensity(889.6, 50.0, -0.67, 25.0, 75.0, "invented"), API_2004)
    corrected = line.from_reference_density(None).at(51.06, 0.0)
    assert (corrected.ctl, corrected.cpl) == (None, None)
    assert corrected.observed_density == pytest.approx(889.6 - 0.67 * 1.05, abs=1e-9)


def test_each_method_by_its_own_standard() -> None:
    crude_60f = PetroleumCorrection(PetroleumGroup.CRUDE, REFERENCE_60F_C)
    old_15c = Petroleum1980Correction(PetroleumGroup.CRUDE, Table1980.DENSITY_15C)
    old_api = Petroleum1980Correction(PetroleumGroup.CRUDE, Table1980.API_60F)
    gas = LpgCorrection(15.0)
    assert by_its_standard(CRUDE) == RoundedCorrection(CRUDE, API_2004)
    assert by_its_standard(crude_60f) == RoundedCorrection(crude_60f, API_2004_60F)
    assert by_its_standard(old_15c) == RoundedCorrection(old_15c, TABLES_1980)
    assert by_its_standard(old_api) == RoundedCorrection(old_api, TABLES_1980_60F)
    assert by_its_standard(gas) == RoundedCorrection(gas, TP_27)
    gas_60f = LpgCorrection(REFERENCE_60F_C)
    assert by_its_standard(gas_60f) == RoundedCorrection(gas_60f, TP_27_60F)
    old_relative = Petroleum1980Correction(PetroleumGroup.CRUDE, Table1980.RELATIVE_60F)
    assert by_its_standard(old_relative) == RoundedCorrection(old_relative, TABLES_1980_RELATIVE)
    line = LinearDensity(889.6, 50.0, -0.67, 25.0, 75.0, "invented")
    assert by_its_standard(line) is line


@pytest.mark.parametrize(
    ("rule", "steps"),
    [
        (API_2004_60F, "density to 0.1 kg/m3, temperature to 0.1 degF, pressure to 1 psi, factors to 5 decimals"),
        (TABLES_1980, "table entered to 0.5 kg/m3, temperature to 0.05 degC, pressure to 5 kPa, factors to 4 decimals"),
        (
            TABLES_1980_60F,
            "table entered to 0.1 degAPI, temperature to 0.1 degF, pressure to 1 psi, factors to 4 decimals",
        ),
        (TP_27, "density to 0.1 kg/m3, temperature to 0.05 degC, factors to 5 decimals"),
        (TP_27_60F, "relative density to 0.0001, temperature to 0.1 degF, factors to 5 decimals"),
    ],
)
def test_the_steps_are_told(rule: Discrimination, steps: str) -> None:
    assert rule.steps == steps


def test_lpg_to_60_degf_goes_by_relative_density_and_degrees_fahrenheit() -> None:
    """GPA TP-27, Tables 23E and 24E: 0.50736 is taken as 0.5074, and 71.26 degF as 71.3 (steps from memory)."""
    exact, rounded = LpgCorrection(REFERENCE_60F_C), by_its_standard(LpgCorrection(REFERENCE_60F_C))
    taken = exact.from_reference_density(0.5074 * 999.016).at((71.3 - 32.0) / 1.8, 0.0).ctl
    prepared = rounded.from_reference_density(0.50736 * 999.016)
    assert prepared.reference_density == pytest.approx(0.5074 * 999.016, rel=1e-12)
    found = prepared.at((71.26 - 32.0) / 1.8, 0.0).ctl
    assert taken is not None
    assert found == round(taken, 5)
    # By the metric steps it was 0.1 kg/m3 and 0.05 degC: 506.9 kg/m3 and 21.80 degC, which is another factor.
    metric = exact.from_reference_density(506.9).at(21.80, 0.0).ctl
    assert metric is not None
    assert round(metric, 5) != found
    observed = rounded.from_observed_density(0.50736 * 999.016, (71.26 - 32.0) / 1.8, 0.0).reference_density
    assert observed is not None
    assert observed == pytest.approx(round(observed / 999.016, 4) * 999.016)


@pytest.mark.parametrize(
    ("method", "entered", "taken"),
    [
        (CRUDE, 850.26, 850.3),
        (LpgCorrection(20.0), 507.04, 507.0),
        # 33.0 degAPI: 141.5 / 164.5 x 999.016 kg/m3 = 859.3421 kg/m3.
        (PetroleumCorrection(PetroleumGroup.REFINED, REFERENCE_60F_C), 141.5 / 164.5 * 999.016, 859.3),
    ],
    ids=["crude", "lpg", "by degAPI"],
)
def test_the_sheet_s_mass_follows_from_the_rounded_density(
    method: PetroleumCorrection | LpgCorrection, entered: float, taken: float
) -> None:
    """GSV by the rounded density and mass by the entered one: 850.26 for 850.3 kg/m3 was 47 ppm, 47 kg in 1,000 t."""
    plan = straight_plan(product=ProductPlan("rounded", by_its_standard(method)))
    figures = sheet(plan, straight_input(reference_density=good(entered))).figures
    gov, observed, gsv, mass = (
        value(each) for each in (figures.gov, figures.observed_density, figures.gsv, figures.mass)
    )
    assert value(figures.reference_density) == pytest.approx(taken, abs=1e-9)
    assert mass == pytest.approx(gsv * taken, rel=1e-12)
    assert mass == pytest.approx(gov * observed, rel=1e-12)


def test_the_sheet_prints_the_steps() -> None:
    plan = straight_plan(product=ProductPlan("propane", by_its_standard(LpgCorrection(REFERENCE_60F_C))))
    lines = explain(plan, sheet(plan, straight_input(reference_density=good(507.0))))
    for name in ("ctl", "observed_density"):
        clause = next(line.clause for line in lines if line.name == name)
        assert "relative density to 0.0001, temperature to 0.1 degF, factors to 5 decimals" in clause


@given(gamma=st.floats(0.36, 0.68), fahrenheit=st.floats(-40.0, 68.0))
def test_no_input_of_lpg_is_moved_by_more_than_half_its_step(gamma: float, fahrenheit: float) -> None:
    taken_f = 1.8 * TP_27_60F.temperature_c((fahrenheit - 32.0) / 1.8) + 32.0
    assert taken_f == pytest.approx(fahrenheit, abs=0.05 + 1e-6)
    prepared = by_its_standard(LpgCorrection(REFERENCE_60F_C)).from_reference_density(gamma * 999.016)
    assert prepared.reference_density is not None
    assert prepared.reference_density / 999.016 == pytest.approx(gamma, abs=0.00005 + 1e-9)
