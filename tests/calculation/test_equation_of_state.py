"""Peng and Robinson (1976) against reference equations of state, published points and the cubic itself."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.vapour.equation_of_state import bubble_point, vapour_compressibility
from gateway.calculation.vapour.mixture import COMPONENTS, GAS_CONSTANT, Component, vapour_density
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

NAMES = {
    "ethane": "Ethane",
    "propylene": "Propylene",
    "propane": "Propane",
    "i-butane": "IsoButane",
    "n-butane": "n-Butane",
    "i-pentane": "Isopentane",
    "n-pentane": "n-Pentane",
}
WARM = (-20.0, 0.0, 20.0, 42.0, 50.0, 60.0)
MIXTURES: dict[str, dict[str, float]] = {
    "propane and n-butane": {"propane": 0.6, "n-butane": 0.4},
    "propane and i-butane": {"propane": 0.3, "i-butane": 0.7},
    "propane and both butanes": {"propane": 0.2, "n-butane": 0.5, "i-butane": 0.3},
    "propane with ethane": {"ethane": 0.03, "propane": 0.95, "n-butane": 0.02},
    "propane and propylene": {"propylene": 0.3, "propane": 0.7},
}


def kinds(mixture: dict[str, float]) -> tuple[Component, ...]:
    return tuple(COMPONENTS[name] for name in mixture)


def reference(mixture: dict[str, float]) -> str:
    return "HEOS::" + "&".join(f"{NAMES[name]}[{share:.9f}]" for name, share in mixture.items())


@pytest.mark.outside("CoolProp 8.0.0, reference equations of state: saturated vapour to 60 degC")
@pytest.mark.parametrize("name", ["propane", "propylene", "n-butane", "i-butane"])
@pytest.mark.parametrize("temperature_c", WARM)
def test_saturated_vapour_of_a_pure_substance(name: str, temperature_c: float) -> None:
    from CoolProp.CoolProp import PropsSI

    kelvin, ours = temperature_c + 273.15, COMPONENTS[name]
    saturated = PropsSI("P", "T", kelvin, "Q", 1, NAMES[name])
    # 3 % was wanted; 1 % is what it does.
    factor = vapour_compressibility((ours,), (1.0,), saturated, temperature_c)
    density = vapour_density(saturated, temperature_c, ours.molar_mass, factor)
    assert density == pytest.approx(PropsSI("D", "T", kelvin, "Q", 1, NAMES[name]), rel=0.01)
    assert bubble_point((ours,), (1.0,), temperature_c).pressure_pa == pytest.approx(saturated, rel=0.017)


@pytest.mark.outside("CoolProp 8.0.0, multi-fluid Helmholtz model")
@pytest.mark.parametrize("name", MIXTURES)
@pytest.mark.parametrize("temperature_c", [-20.0, 0.0, 20.0, 40.0, 60.0])
def test_vapour_over_a_mixture(name: str, temperature_c: float) -> None:
    from CoolProp.CoolProp import PropsSI

    mixture, kelvin = MIXTURES[name], temperature_c + 273.15
    found = bubble_point(kinds(mixture), list(mixture.values()), temperature_c)
    # Only propane with propylene, for which kij is not 0, is more than 1 % off.
    within = 0.025 if name == "propane and propylene" else 0.01
    assert found.pressure_pa == pytest.approx(PropsSI("P", "T", kelvin, "Q", 0, reference(mixture)), rel=within)
    vapour = dict(zip(mixture, found.vapour, strict=True))
    # The vapour as told is the one that this liquid leaves: its dew point is the liquid's bubble point.
    dew_pa = PropsSI("P", "T", kelvin, "Q", 1, reference(vapour))
    assert found.pressure_pa == pytest.approx(dew_pa, rel=within)
    factor = vapour_compressibility(kinds(mixture), found.vapour, dew_pa, temperature_c)
    molar_mass = sum(COMPONENTS[each].molar_mass * share for each, share in vapour.items())
    density = vapour_density(dew_pa, temperature_c, molar_mass, factor)
    assert density == pytest.approx(PropsSI("D", "T", kelvin, "Q", 1, reference(vapour)), rel=0.015)


@pytest.mark.outside("GPA 2145; Poling, Prausnitz, O'Connell (2001)")
@pytest.mark.parametrize("row", golden_rows("vapour.csv", "vapour_pressure"), ids=lambda row: row.id)
def test_published_vapour_pressures(row: GoldenRow) -> None:
    component = COMPONENTS[row.inputs["component"]]
    found = bubble_point((component,), (1.0,), row.number("temperature_k") - 273.15)
    assert found.pressure_pa == pytest.approx(row.value, rel=row.tolerance)


@pytest.mark.outside("Smith, Van Ness, Abbott: Introduction to Chemical Engineering Thermodynamics, chapter 3")
@pytest.mark.parametrize("row", golden_rows("vapour.csv", "peng_robinson_volume"), ids=lambda row: row.id)
def test_published_molar_volume(row: GoldenRow) -> None:
    substance = Component(row.number("critical_k"), row.number("critical_bar") * 1e5, row.number("acentric"), 0.058)
    kelvin, pressure_pa = row.number("temperature_k"), row.number("pressure_bar") * 1e5
    factor = vapour_compressibility((substance,), (1.0,), pressure_pa, kelvin - 273.15)
    assert factor * GAS_CONSTANT * kelvin / pressure_pa * 1e6 == pytest.approx(row.value, rel=row.tolerance)


def parameters(component: Component, kelvin: float) -> tuple[float, float]:
    """(a, b), written a second time from the paper."""
    rt = GAS_CONSTANT * component.critical_k
    kappa = 0.37464 + 1.54226 * component.acentric - 0.26992 * component.acentric**2
    alpha = (1 + kappa * (1 - (kelvin / component.critical_k) ** 0.5)) ** 2
    return 0.45724 * rt**2 / component.critical_pa * alpha, 0.07780 * rt / component.critical_pa


shares = st.lists(st.floats(0.01, 1.0), min_size=1, max_size=5)


@given(shares, st.floats(0.0, 4e6), st.floats(-60.0, 140.0))
def test_the_factor_is_the_greatest_root_of_the_cubic(
    weights: list[float], pressure_pa: float, temperature_c: float
) -> None:
    names = list(COMPONENTS)[: len(weights)]
    fractions = [weight / sum(weights) for weight in weights]
    components, kelvin = tuple(COMPONENTS[name] for name in names), temperature_c + 273.15
    pairs = [parameters(component, kelvin) for component in components]
    # The mixing rule as a double sum.
    a = sum(
        x * y * math.sqrt(p[0] * q[0])
        for x, p in zip(fractions, pairs, strict=True)
        for y, q in zip(fractions, pairs, strict=True)
    )
    b = sum(x * p[1] for x, p in zip(fractions, pairs, strict=True))
    big_a, big_b = a * pressure_pa / (GAS_CONSTANT * kelvin) ** 2, b * pressure_pa / (GAS_CONSTANT * kelvin)
    second, first = big_b - 1.0, big_a - 3 * big_b**2 - 2 * big_b
    constant = -(big_a * big_b - big_b**2 - big_b**3)

    def cubic(z: float) -> float:
        return z**3 + second * z**2 + first * z + constant

    try:
        factor = vapour_compressibility(components, fractions, pressure_pa, temperature_c)
    except LimitError:
        # A liquid: one root alone, left of the inflection, and nothing to its right comes down to zero.
        assert cubic(-second / 3.0) >= -1e-12
        if second**2 > 3.0 * first:
            assert cubic((-second + math.sqrt(second**2 - 3.0 * first)) / 3.0) >= -1e-12
        return
    assert cubic(factor) == pytest.approx(0.0, abs=1e-12)
    assert factor > big_b
    # What is left of the cubic, Z^2 + (c2 + z) Z + c1 + z (c2 + z), has no greater root.
    half = (second + factor) / 2.0
    square = half**2 - first - factor * (second + factor)
    if square > 0.0:
        assert -half + math.sqrt(square) <= factor + 1e-6


@given(shares, st.floats(-50.0, 60.0))
def test_the_vapour_holds_more_of_what_boils_first(weights: list[float], temperature_c: float) -> None:
    # Without ethane, which is no liquid of its own above 32 degC.
    names = list(COMPONENTS)[1 : 1 + len(weights)]
    liquid = [weight / sum(weights) for weight in weights]
    found = bubble_point(tuple(COMPONENTS[name] for name in names), liquid, temperature_c)
    assert sum(found.vapour) == pytest.approx(1.0, abs=1e-12)
    alone = [bubble_point((COMPONENTS[name],), (1.0,), temperature_c).pressure_pa for name in names]
    assert min(alone) * 0.95 <= found.pressure_pa <= max(alone) * 1.05
    ratios = [(pressure, y / x) for pressure, x, y in zip(alone, liquid, found.vapour, strict=True)]
    lightest, heaviest = max(ratios), min(ratios)
    assert lightest[1] >= 1.0 - 1e-9
    assert heaviest[1] <= 1.0 + 1e-9


def test_at_no_pressure_it_is_an_ideal_gas() -> None:
    for component in COMPONENTS.values():
        assert vapour_compressibility((component,), (1.0,), 0.0, 20.0) == 1.0
        assert vapour_compressibility((component,), (1.0,), 1.0, 20.0) == pytest.approx(1.0, abs=1e-6)


def test_limits() -> None:
    propane = (COMPONENTS["propane"],)
    with pytest.raises(LimitError, match=r"vapour temperature 151 degC is above 150 degC \(equation of state of Peng"):
        vapour_compressibility(propane, (1.0,), 1e5, 151.0)
    for pressure in (-1.0, math.nan, math.inf):
        with pytest.raises(LimitError, match="vapour pressure, absolute"):
            vapour_compressibility(propane, (1.0,), pressure, 20.0)
    # Propane of 4 MPa at 20 degC is a liquid.
    with pytest.raises(LimitError, match=r"4000000 Pa is more than a vapour bears at 20\.0 degC"):
        vapour_compressibility(propane, (1.0,), 4e6, 20.0)
    with pytest.raises(LimitError, match="liquid temperature nan degC"):
        bubble_point(propane, (1.0,), math.nan)
    # Critical at 32.2 degC.
    with pytest.raises(LimitError, match="liquid temperature 40 degC is at or near the critical state of this liquid"):
        bubble_point((COMPONENTS["ethane"],), (1.0,), 40.0)
