"""Vapour above a liquefied gas, against reference equations of state."""

import math

import pytest

from gateway.calculation.vapour import (
    COMPONENTS,
    compressibility,
    fill_fraction,
    mixture_vapour_pressure,
    saturation_pressure,
    vapour_density,
    vapour_mass,
)
from gateway.errors import LimitError

NAMES = {
    "ethane": "Ethane",
    "propylene": "Propylene",
    "propane": "Propane",
    "i-butane": "IsoButane",
    "n-butane": "n-Butane",
    "i-pentane": "Isopentane",
    "n-pentane": "n-Pentane",
}


@pytest.mark.outside("CoolProp 8.0.0, reference equations of state")
@pytest.mark.parametrize("name", COMPONENTS)
def test_constants_and_vapour_pressure(name: str) -> None:
    from CoolProp.CoolProp import PropsSI

    ours, theirs = COMPONENTS[name], NAMES[name]
    assert ours.critical_k == pytest.approx(PropsSI("Tcrit", theirs), rel=2e-3)
    assert ours.critical_pa == pytest.approx(PropsSI("Pcrit", theirs), rel=5e-3)
    assert ours.acentric == pytest.approx(PropsSI("acentric", theirs), abs=5e-3)
    assert ours.molar_mass == pytest.approx(PropsSI("molarmass", theirs), rel=1e-4)
    for tenth in range(11):
        kelvin = ours.critical_k * (0.601 + 0.0378 * tenth)
        assert saturation_pressure(ours, kelvin - 273.15) == pytest.approx(
            PropsSI("P", "T", kelvin, "Q", 0, theirs), rel=0.03
        )


@pytest.mark.outside("CoolProp 8.0.0, reference equations of state")
@pytest.mark.parametrize("name", ["propane", "n-butane", "i-butane"])
def test_density_of_saturated_vapour(name: str) -> None:
    from CoolProp.CoolProp import PropsSI

    ours, theirs = COMPONENTS[name], NAMES[name]
    for temperature in (-20.0, 0.0, 25.0, 40.0):
        pressure = PropsSI("P", "T", temperature + 273.15, "Q", 1, theirs)
        factor = compressibility(ours, pressure, temperature)
        density = vapour_density(pressure, temperature, ours.molar_mass, factor)
        assert density == pytest.approx(PropsSI("D", "T", temperature + 273.15, "Q", 1, theirs), rel=0.055)


def test_a_hundred_cubic_metres_of_propane_vapour() -> None:
    """About two tonnes at 25 degC: common practice."""
    pressure = saturation_pressure(COMPONENTS["propane"], 25.0)
    factor = compressibility(COMPONENTS["propane"], pressure, 25.0)
    density = vapour_density(pressure, 25.0, COMPONENTS["propane"].molar_mass, factor)
    assert vapour_mass(100.0, density) == pytest.approx(2000.0, rel=0.05)


@pytest.mark.outside("CoolProp 8.0.0, multi-fluid Helmholtz model")
@pytest.mark.parametrize("temperature", [0.0, 24.0, 40.0])
def test_propane_and_butane_together(temperature: float) -> None:
    from CoolProp.CoolProp import PropsSI

    expected = PropsSI("P", "T", temperature + 273.15, "Q", 0, "HEOS::Propane[0.6]&n-Butane[0.4]")
    assert mixture_vapour_pressure({"propane": 0.6, "n-butane": 0.4}, temperature) == pytest.approx(expected, rel=0.05)


def test_limits() -> None:
    propane = COMPONENTS["propane"]
    with pytest.raises(LimitError, match=r"mole fraction of water 0\.1 is of a liquid other than ethane"):
        mixture_vapour_pressure({"propane": 0.9, "water": 0.1}, 20.0)
    with pytest.raises(LimitError, match=r"sum of the mole fractions 0\.9 is below 0\.999"):
        mixture_vapour_pressure({"propane": 0.9}, 20.0)
    for temperature in (-80.0, 95.0, math.nan):
        with pytest.raises(LimitError, match="reduced temperature"):
            saturation_pressure(propane, temperature)
    with pytest.raises(LimitError, match="vapour pressure, absolute"):
        compressibility(propane, 2e6, 60.0)
    with pytest.raises(LimitError, match="vapour volume -1 m3 is below 0"):
        vapour_mass(-1.0, 20.0)
    with pytest.raises(LimitError, match="vapour density"):
        vapour_mass(1.0, math.nan)
    with pytest.raises(LimitError, match="liquid volume 101 m3 is above 100 m3"):
        fill_fraction(101.0, 100.0)
    assert fill_fraction(75.19, 134.30) == pytest.approx(0.55987, abs=5e-6)
