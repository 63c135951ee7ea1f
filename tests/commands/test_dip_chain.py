"""How one figure comes about, and the pressures that give level, density and vapour by hand."""

from dataclasses import replace

import pytest

from gateway.binding import TankBinding
from gateway.calculation.density.entered import EnteredDensity
from gateway.calculation.inventory import calculate
from gateway.calculation.plan import HeadPlan, MeasuredDensityPlan, ProductPlan, TankPlan, VapourPlan
from gateway.calculation.sheet import explain
from gateway.commands.operator.dip_chain import chain, chain_text
from gateway.commands.operator.dip_input import Dip, dip_input, dip_plan
from gateway.display import UnitSystem
from gateway.errors import UsageError
from gateway.records import Inventory, Quality, TankInput
from gateway.units.quantity import Quantity
from tests.commands.typed import Said, typed
from tests.support.plans import NOON, StraightLineMethod, bad, good, straight_input, straight_plan, value


def kg_m3(density: float, at_c: float | None = None) -> EnteredDensity:
    return EnteredDensity(Quantity(density, "kg/m3", at_60f=False), at_c)


_MEASURED = ("--level", "9.412 m", "--water", "35 mm", "--temperature", "14.7 degC")


def _explain(capsys: pytest.CaptureFixture[str], *words: str) -> Said:
    return typed(capsys, "dip", "demo", "TK-101", *_MEASURED, "--explain", *words)


def test_the_steps_behind_a_figure_come_before_it(capsys: pytest.CaptureFixture[str]) -> None:
    said = _explain(capsys, "GSV")
    assert said.code == 0
    lines = said.out.splitlines()
    begin = lines.index("How GSV comes about (gross standard volume), each step after what it rests on:")
    assert [line.split()[1] for line in lines[begin + 1 : begin + 10]] == [
        *("L", "TOV", "LW", "FW", "GOV", "TL", "CTL", "CPL", "GSV"),
    ]
    assert lines[begin + 5] == (
        " 5  GOV  Gross observed volume: 2,386 m³, Good manual; from TOV and FW by "
        "(TOV + dVh - FW) CTSh + FRA, API MPMS 12.1.1"
    )
    assert sum(line.startswith("Caution: ") for line in lines) == 5


@pytest.mark.parametrize("word", ["m", "M", "mass"])
def test_a_figure_goes_by_its_symbol_or_its_name(capsys: pytest.CaptureFixture[str], word: str) -> None:
    document = _explain(capsys, word, "--json").document
    assert document["explained"][-1] == "mass"
    assert document["explained"].index("gsv") < document["explained"].index("mass")
    assert "reference_density" in document["explained"]


def test_a_figure_that_there_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    said = _explain(capsys, "barrels")
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "tank-gateway: --explain: there is no figure 'barrels'\n"
        "  hint: one of L, U, LW, TL, TOV, fill, FW, rho_ref, rho_obs, CTL, CPL, GOV, GSV, M, W, pumpable, room\n"
    )


def _text(plan: TankPlan, given: TankInput, wanted: str) -> list[str]:
    return chain_text(chain(explain(plan, calculate(plan, given)[0]), wanted), UnitSystem.SI, 15.0)


def test_level_by_pressure_and_its_density_are_found_together() -> None:
    plan = straight_plan(gauge=HeadPlan(0.15))
    text = _text(plan, straight_input(level=None, bottom_pressure=good(40_000.0)), "L")
    assert [line.split()[1] for line in text[1:] if line[1].isdigit()] == ["P1", "TL", "rho_ref", "rho_obs", "L"]
    assert "             L is found together with it, round by round" in text


def test_what_is_not_good_says_why() -> None:
    text = _text(straight_plan(), straight_input(elements=(bad(), good(15.0), good(15.0), good(15.0))), "TL")
    assert text[-1] == "        because T1 left out: no answer"


def _sheet(plan: TankPlan, **measured: float) -> Inventory:
    dip = Dip(temperatures=(15.0,), no_water=True, density=kg_m3(800.0), **measured)
    by_hand = dip_plan(plan, dip)
    return calculate(by_hand, dip_input(by_hand, TankBinding(plan.tank), dip, NOON, simulated=False))[0]


def test_two_pressures_by_hand_measure_the_density() -> None:
    hybrid = straight_plan(measured_density=MeasuredDensityPlan(nozzle_height_m=0.2, in_use=False))
    # 5.8 m of 805 kg/m3 under 4 m of air at 2 kPa; outside 9.8 m of air between the transmitters.
    head_pa = 9.80665 * (5.8 * 805.0 + 4.0 * 1.2 * (1 + 2000.0 / 101_325.0) - 9.8 * 1.2)
    figures = _sheet(hybrid, level=6.0, pressure=head_pa + 2000.0, vapour_pressure=2000.0).figures
    assert value(figures.measured_density) == pytest.approx(805.0)
    assert value(figures.density_difference) == pytest.approx(5.0)
    assert value(figures.vapour_pressure) == 2000.0


def test_vapour_pressure_gives_the_density_of_the_vapour() -> None:
    tank = straight_plan(vapour=VapourPlan(molar_mass_kg_mol=0.0441))
    # P M / (R T) at 288.15 K and 2 bar absolute.
    expected = (98_675.0 + 101_325.0) * 0.0441 / (8.314462618 * 288.15)
    for option in ("pressure", "vapour_pressure"):
        figures = _sheet(tank, level=6.0, **{option: 98_675.0}).figures
        assert value(figures.vapour_density) == pytest.approx(expected, rel=1e-6), option


def test_pressures_that_a_tank_has_no_use_for() -> None:
    plan = straight_plan()
    with pytest.raises(UsageError, match=r"^--vapour-pressure: TK-1 has no vapour pressure, and its level was given$"):
        _sheet(plan, level=6.0, vapour_pressure=100.0)
    with pytest.raises(UsageError, match=r"^--pressure: TK-1 has a vapour pressure only, and --vapour-pressure gives"):
        _sheet(replace(plan, vapour=VapourPlan(2.0)), level=6.0, pressure=100.0, vapour_pressure=100.0)


def test_without_a_pressure_the_entered_density_stands_where_one_could_be_measured() -> None:
    plan = straight_plan(measured_density=MeasuredDensityPlan(0.5, in_use=True))
    dip = Dip(level=6.0, temperatures=(15.0,), density=kg_m3(800.0))
    by_hand = dip_plan(plan, dip)
    sheet = calculate(by_hand, dip_input(by_hand, TankBinding("TK-1"), dip, NOON, simulated=False))[0]
    assert value(sheet.figures.mass) == pytest.approx(480_000.0)
    assert sheet.figures.measured_density.value is None
    assert sheet.quality == Quality.GOOD


def test_a_product_without_reference_temperature_takes_its_density_at_tank_temperature_only() -> None:
    method = StraightLineMethod(reference_temperature_c=None)
    plan = straight_plan(product=ProductPlan("solution", method))
    dip = Dip(level=6.0, temperatures=(25.0,), density=kg_m3(792.0))
    by_hand = dip_plan(plan, dip)
    given = dip_input(by_hand, TankBinding("TK-1"), dip, NOON, simulated=False)
    assert given.reference_density is None
    assert given.observed_density is not None
    assert given.observed_density.value == 792.0
    with pytest.raises(UsageError, match="must be that at tank temperature"):
        dip_input(by_hand, TankBinding("TK-1"), dip._replace(density=kg_m3(792.0, 20.0)), NOON, simulated=False)
    same = dip_input(by_hand, TankBinding("TK-1"), dip._replace(density=kg_m3(792.0, 25.0)), NOON, simulated=False)
    assert same.observed_density == given.observed_density


def test_what_was_probably_mistyped_is_doubted() -> None:
    plan = dip_plan(straight_plan(), Dip(level=6.0))
    dip = Dip(level=6.0, temperatures=(20.0, 90.0), density=kg_m3(800.0), sediment_water=0.3)
    given = dip_input(plan, TankBinding("TK-1"), dip, NOON, simulated=False)
    figures = calculate(plan, given)[0].figures
    assert (figures.gov.quality, figures.gsv.quality, figures.nsv.quality) == (
        Quality.GOOD,
        Quality.UNCERTAIN,
        Quality.UNCERTAIN,
    )
    spread, sediment = figures.liquid_temperature.reasons[0].text, figures.sediment_water.reasons[0].text
    assert spread == "temperatures by hand differ by 70.0 degC: layers, or one is mistyped"
    assert sediment == "sediment and water of 30% is more than a stored liquid has"
    usual = Dip(level=6.0, temperatures=(50.0, 59.0), density=kg_m3(800.0), sediment_water=0.003)
    figures = calculate(plan, dip_input(plan, TankBinding("TK-1"), usual, NOON, simulated=False))[0].figures
    assert figures.nsv.quality == Quality.GOOD


def test_the_net_weight_is_explained_by_its_own_name(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--temperature", "59.3 degC", "--density", "985 kg/m3", "--explain", "NSWA")
    said = typed(capsys, "dip", "demo", "F-1", "--level", "11.204 m", *words)
    lines = said.out.splitlines()
    assert "How NSWA comes about (net standard weight in air, without S&W), each step after what it rests on:" in lines
    assert any("NSV rho_ref, API MPMS 12.1.1" in line for line in lines)
    # 9010.8 m3 x 0.96935 x 0.997 x 985 kg/m3 x (1 - 1.2/985) / (1 - 1.2/8000) = 8568.6 t.
    wanted = "8,568.6 t, Good manual; from NSM and rho_ref by NSM (1 - air/rho_ref) / (1 - air/weights)"
    assert any("Net standard weight in air, without S&W: " + wanted in line for line in lines)
