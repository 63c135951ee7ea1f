"""The 1980 tables against printed factors, and against the 2004 edition over the whole range of each group."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.hydrometer import hydrometer_correction_15c, hydrometer_correction_60f
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumCorrection, PetroleumGroup
from gateway.calculation.methods.petroleum_1980 import Petroleum1980Correction, Table1980
from gateway.calculation.methods.rounding import TABLES_1980, TABLES_1980_60F, RoundedCorrection
from gateway.errors import LimitError
from tests.calculation.golden_values import GoldenRow, golden_rows

WATER_60F = 999.012
"""kg/m3, as the 1980 tables have it."""


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def by_id(row: GoldenRow) -> str:
    return row.id


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "printed_15c"), ids=by_id)
def test_printed_to_the_last_digit(row: GoldenRow) -> None:
    cold = row.number("temperature_c") < -18.0
    method = Petroleum1980Correction(PetroleumGroup(row.inputs["group"]), Table1980.DENSITY_15C, cold_extension=cold)
    density, temperature = row.number("density_15c"), row.number("temperature_c")
    ctl = method.from_reference_density(density).at(temperature, 0.0).ctl
    assert ctl == pytest.approx(row.value, abs=row.tolerance)
    printed = RoundedCorrection(method, TABLES_1980).from_reference_density(density).at(temperature, 0.0).ctl
    assert f"{printed:.4f}" == row.expected


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "printed_60f_api"), ids=by_id)
def test_printed_by_api_gravity(row: GoldenRow) -> None:
    method = Petroleum1980Correction(PetroleumGroup(row.inputs["group"]), Table1980.API_60F)
    density = 141.5 * WATER_60F / (row.number("api") + 131.5)
    printed = RoundedCorrection(method, TABLES_1980_60F).from_reference_density(density)
    assert f"{printed.at(celsius(row.number('temperature_f')), 0.0).ctl:.4f}" == row.expected


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "net_gallons"), ids=by_id)
def test_net_gallons(row: GoldenRow) -> None:
    method = RoundedCorrection(Petroleum1980Correction(PetroleumGroup.REFINED, Table1980.API_60F), TABLES_1980_60F)
    prepared = method.from_reference_density(141.5 * WATER_60F / (row.number("api") + 131.5))
    ctl = prepared.at(celsius(row.number("temperature_f")), 0.0).ctl
    assert ctl is not None
    assert (row.number("tov") - row.number("fw")) * ctl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "cpl_15c"), ids=by_id)
def test_cpl(row: GoldenRow) -> None:
    prepared = Petroleum1980Correction(PetroleumGroup.CRUDE, Table1980.DENSITY_15C).from_reference_density(
        row.number("density_15c")
    )
    corrected = prepared.at(row.number("temperature_c"), row.number("pressure_kpa") * 1e3)
    assert corrected.cpl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize(
    ("group", "table", "reference_c", "lightest", "agree_within"),
    [
        (PetroleumGroup.CRUDE, Table1980.DENSITY_15C, 15.0, 612, 1.2e-4),
        (PetroleumGroup.REFINED, Table1980.DENSITY_15C, 15.0, 654, 5.3e-4),
        (PetroleumGroup.LUBRICATING, Table1980.DENSITY_15C, 15.0, 803, 2e-5),
        (PetroleumGroup.CRUDE, Table1980.DENSITY_20C, 20.0, 612, 1.3e-4),
        (PetroleumGroup.REFINED, Table1980.DENSITY_20C, 20.0, 654, 5.5e-4),
        (PetroleumGroup.LUBRICATING, Table1980.DENSITY_20C, 20.0, 803, 2e-5),
        (PetroleumGroup.CRUDE, Table1980.API_60F, REFERENCE_60F_C, 614, 1.2e-4),
        (PetroleumGroup.REFINED, Table1980.API_60F, REFERENCE_60F_C, 654, 3e-4),
        # The step of Table 24 is worth 3e-5 here, the rounding of alpha 1e-5, the editions themselves 2e-5.
        (PetroleumGroup.LUBRICATING, Table1980.RELATIVE_60F, REFERENCE_60F_C, 803, 7e-5),
    ],
)
def test_the_two_editions_agree(
    group: PetroleumGroup, table: Table1980, reference_c: float, lightest: int, agree_within: float
) -> None:
    """Two sets of constants, fitted on two temperature scales and to three references, check one another."""
    old, new = Petroleum1980Correction(group, table), PetroleumCorrection(group, reference_c)
    worst = 0.0
    for density in range(lightest, 1070, 3):
        older, newer = old.from_reference_density(float(density)), new.from_reference_density(float(density))
        for tenth in range(11):
            temperature = -18.0 + tenth / 10.0 * (older.hottest_c + 18.0)
            before, after = older.at(temperature, 0.0).ctl, newer.at(temperature, 0.0).ctl
            assert before is not None
            assert after is not None
            worst = max(worst, abs(before - after))
    assert worst < agree_within


@pytest.mark.parametrize(
    ("group", "density", "hottest"),
    [
        (PetroleumGroup.CRUDE, 778.5, 95.0),
        (PetroleumGroup.CRUDE, 779.0, 125.0),
        (PetroleumGroup.CRUDE, 824.0, 125.0),
        (PetroleumGroup.CRUDE, 824.5, 150.0),
        (PetroleumGroup.REFINED, 740.0, 90.0),
        (PetroleumGroup.LUBRICATING, 810.0, 150.0),
    ],
)
def test_temperature_limits_by_density(group: PetroleumGroup, density: float, hottest: float) -> None:
    prepared = Petroleum1980Correction(group, Table1980.DENSITY_15C).from_reference_density(density)
    prepared.at(hottest, 0.0)
    with pytest.raises(LimitError, match=f"is above {hottest:g} degC"):
        prepared.at(hottest + 0.1, 0.0)
    with pytest.raises(LimitError, match="is below -18 degC"):
        prepared.at(-18.1, 0.0)


@pytest.mark.parametrize(
    ("group", "outside"),
    [
        (PetroleumGroup.CRUDE, (610.4, 1075.1)),
        (PetroleumGroup.REFINED, (652.9, 1075.1)),
        (PetroleumGroup.LUBRICATING, (799.9, 1164.1)),
    ],
)
@pytest.mark.parametrize("table", [Table1980.DENSITY_15C, Table1980.API_60F])
def test_density_limits(group: PetroleumGroup, outside: tuple[float, float], table: Table1980) -> None:
    method = Petroleum1980Correction(group, table)
    for density in (*outside, float("nan"), float("inf")):
        with pytest.raises(LimitError, match="reference density at"):
            method.from_reference_density(density)


def test_special_products_take_their_coefficient() -> None:
    method = Petroleum1980Correction(PetroleumGroup.SPECIAL, Table1980.DENSITY_15C, expansion_per_c=0.0009)
    # ASTM D1250 exponential form by hand: x = 0.009, exp(-0.009 (1 + 0.0072)).
    assert method.from_reference_density(None).at(25.0, 0.0).ctl == pytest.approx(0.9909762, abs=5e-8)
    assert not method.uses_density_for_ctl
    with pytest.raises(LimitError, match="above 150 degC"):
        method.from_reference_density(None).at(151.0, 0.0)
    for alpha in (None, 485e-6, 1675e-6):
        with pytest.raises(LimitError, match="expansion coefficient"):
            Petroleum1980Correction(PetroleumGroup.SPECIAL, Table1980.DENSITY_15C, alpha)


@given(
    group=st.sampled_from([PetroleumGroup.CRUDE, PetroleumGroup.REFINED]),
    table=st.sampled_from(Table1980),
    density=st.floats(660.0, 1060.0),
    temperature=st.floats(-18.0, 90.0),
)
def test_observed_density_round_trip(
    group: PetroleumGroup, table: Table1980, density: float, temperature: float
) -> None:
    """Steps of the tables limit the way back: half a step of density, and half a unit of alpha."""
    method = Petroleum1980Correction(group, table)
    prepared = method.from_reference_density(density)
    observed = prepared.at(temperature, 0.0).observed_density
    assert observed is not None
    back = method.from_observed_density(observed, temperature, 0.0)
    assert back.reference_density == pytest.approx(density, abs=0.15)


@given(table=st.sampled_from(Table1980), density=st.floats(810.0, 1060.0))
def test_ctl_is_one_at_the_reference(table: Table1980, density: float) -> None:
    for group in (PetroleumGroup.CRUDE, PetroleumGroup.REFINED, PetroleumGroup.LUBRICATING):
        method = Petroleum1980Correction(group, table)
        assert method.from_reference_density(density).at(method.reference_temperature_c, 0.0).ctl == 1.0


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "ctl_five_digits"), ids=by_id)
def test_five_digits_of_every_kind_of_table(row: GoldenRow) -> None:
    inputs = row.inputs
    alpha = row.number("alpha_60f_per_f") * 1.8 if "alpha_60f_per_f" in inputs else None
    if "alpha_per_c" in inputs:
        alpha = row.number("alpha_per_c")
    density = None
    if "api" in inputs:
        density = 141.5 * WATER_60F / (row.number("api") + 131.5)
    elif "relative_density" in inputs:
        density = row.number("relative_density") * WATER_60F
    elif "density_15c" in inputs:
        density = row.number("density_15c")
    temperature = row.number("temperature_c") if "temperature_c" in inputs else celsius(row.number("temperature_f"))
    method = Petroleum1980Correction(PetroleumGroup(inputs["group"]), Table1980(inputs["table"]), alpha)
    ctl = method.from_reference_density(density).at(temperature, 0.0).ctl
    assert ctl == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "observed_by_hydrometer"), ids=by_id)
def test_tables_53_with_the_hydrometer_s_correction(row: GoldenRow) -> None:
    method = Petroleum1980Correction(PetroleumGroup(row.inputs["group"]), Table1980(row.inputs["table"]))
    temperature = row.number("temperature_c")
    observed = row.number("reading") * hydrometer_correction_15c(temperature)
    reference = method.from_observed_density(observed, temperature, 0.0).reference_density
    assert reference == pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize("row", golden_rows("petroleum_1980.csv", "observed_by_hydrometer_60f"), ids=by_id)
def test_table_23_with_the_hydrometer_s_correction(row: GoldenRow) -> None:
    method = Petroleum1980Correction(PetroleumGroup(row.inputs["group"]), Table1980.RELATIVE_60F)
    temperature = celsius(row.number("temperature_f"))
    observed = row.number("relative_reading") * WATER_60F * hydrometer_correction_60f(temperature)
    reference = method.from_observed_density(observed, temperature, 0.0).reference_density
    assert reference is not None
    assert reference / WATER_60F == pytest.approx(row.value, abs=row.tolerance)


def test_a_hydrometer_is_right_at_its_own_temperature() -> None:
    assert hydrometer_correction_15c(15.0) == 1.0
    assert hydrometer_correction_60f(REFERENCE_60F_C) == pytest.approx(1.0, abs=1e-15)
    # Corrected twice, or not at all, at 30 degC: 0.035 % (hand arithmetic).
    assert hydrometer_correction_15c(30.0) == pytest.approx(1 - 3.495e-4, abs=1e-8)
    with pytest.raises(LimitError, match="glass hydrometer"):
        hydrometer_correction_15c(151.0)
