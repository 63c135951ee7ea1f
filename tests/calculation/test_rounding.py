"""Rounding as a standard prescribes it."""

import math

import pytest

from gateway.calculation.methods.lpg import LpgCorrection
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980
from gateway.calculation.methods.rounding import (
    API_2004,
    API_2004_60F,
    TABLES_1980,
    TABLES_1980_60F,
    TP_27,
    RoundedCorrection,
    by_its_standard,
)
from gateway.calculation.methods.tabulated import LinearDensity
from gateway.errors import LimitError

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
    assert ROUNDED.clause == "API MPMS 11.1 (2004), crude oil, to 15 degC, rounded as in API MPMS 11.1 (2004)"
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
    line = LinearDensity(889.6, 50.0, -0.67, 25.0, 75.0, "invented")
    assert by_its_standard(line) is line
