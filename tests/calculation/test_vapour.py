"""Vapour above a liquefied gas: constants, the gas law and mass."""

import math

import pytest

from gateway.calculation.vapour.equation_of_state import bubble_point, vapour_compressibility
from gateway.calculation.vapour.mixture import COMPONENTS, vapour_density, vapour_mass
from gateway.errors import LimitError
from tests.calculation.test_equation_of_state import NAMES


@pytest.mark.outside("CoolProp 8.0.0, reference equations of state")
@pytest.mark.parametrize("name", COMPONENTS)
def test_constants(name: str) -> None:
    from CoolProp.CoolProp import PropsSI

    ours, theirs = COMPONENTS[name], NAMES[name]
    assert ours.critical_k == pytest.approx(PropsSI("Tcrit", theirs), rel=2e-3)
    assert ours.critical_pa == pytest.approx(PropsSI("Pcrit", theirs), rel=5e-3)
    assert ours.acentric == pytest.approx(PropsSI("acentric", theirs), abs=5e-3)
    assert ours.molar_mass == pytest.approx(PropsSI("molarmass", theirs), rel=1e-4)


def test_a_hundred_cubic_metres_of_propane_vapour() -> None:
    """About two tonnes at 25 degC: common practice."""
    propane = COMPONENTS["propane"]
    pressure = bubble_point((propane,), (1.0,), 25.0).pressure_pa
    factor = vapour_compressibility((propane,), (1.0,), pressure, 25.0)
    density = vapour_density(pressure, 25.0, propane.molar_mass, factor)
    assert vapour_mass(100.0, density) == pytest.approx(2000.0, rel=0.05)


def test_the_gas_law() -> None:
    # 1 bar of 44 g/mol at 0 degC: 100000 x 0.044 / (8.314462618 x 273.15).
    assert vapour_density(1e5, 0.0, 0.044, 1.0) == pytest.approx(1.9374, abs=5e-5)
    assert vapour_density(1e5, 0.0, 0.044, 0.8) == pytest.approx(1.9374 / 0.8, abs=1e-4)


def test_limits() -> None:
    with pytest.raises(LimitError, match="vapour pressure, absolute 6000000 Pa is above 5000000 Pa"):
        vapour_density(6e6, 20.0, 0.044, 0.8)
    with pytest.raises(LimitError, match="vapour temperature"):
        vapour_density(1e5, math.nan, 0.044, 0.8)
    with pytest.raises(LimitError, match="compressibility factor 0 is below 0"):
        vapour_density(1e5, 20.0, 0.044, 0.0)
    with pytest.raises(LimitError, match="vapour volume -1 m3 is below 0"):
        vapour_mass(-1.0, 20.0)
    with pytest.raises(LimitError, match="vapour density"):
        vapour_mass(1.0, math.nan)
