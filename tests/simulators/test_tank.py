"""The physics of a simulated tank: what is conserved, and what follows."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.shapes import LyingCylinder, UprightCylinder
from simulators.tank import Ambient, Density, FloatingRoof, Tank

DIESEL = Density(838.0, 15.0, expansion_per_k=0.000846)
AREA = math.pi * 81.0


def diesel_tank(**changes: object) -> Tank:
    arguments: dict[str, object] = {
        "reference_height_m": 15.240,
        "density": DIESEL,
        "level_m": 9.412,
        "water_m": 0.035,
        "elements_m": (1.0, 3.5, 6.0, 8.5, 11.0),
        "temperatures_c": (14.1, 14.3, 14.8, 15.6, 19.2),
    } | changes
    return Tank("TK-101", UprightCylinder(18.0, 14.6), **arguments)  # type: ignore[arg-type]


def bullet() -> Tank:
    return Tank(
        "B-2",
        LyingCylinder(3.0, 18.0, 0.75),
        reference_height_m=3.0,
        density=Density(545.0, 15.0, slope_kg_m3_k=-1.2),
        level_m=1.640,
        elements_m=(0.3, 1.0, 1.7, 2.4),
        temperatures_c=(23.8, 24.4, 27.5, 28.1),
        vapour_pressure_pa=540e3,
        vapour_pressure_slope_pa_k=16e3,
    )


def test_at_rest_nothing_moves() -> None:
    tank = diesel_tank()
    before = (tank.level_m, tank.mass_kg, tank.temperatures_c)
    for second in range(1000):
        tank.advance(second, 1.0)
    assert (tank.level_m, tank.mass_kg, tank.temperatures_c) == before


def test_flow_in_at_tank_temperature_lifts_the_level_by_its_volume() -> None:
    tank = diesel_tank()
    tank.set_flow(300.0)
    for second in range(3600):
        tank.advance(second, 1.0)
    assert tank.level_m == pytest.approx(9.412 + 300.0 / AREA, abs=1e-9)


@pytest.mark.parametrize("make", [diesel_tank, bullet])
def test_mass_and_heat_are_conserved_under_flows(make: object) -> None:
    tank: Tank = make()  # type: ignore[operator]
    mass, heat = tank.mass_kg, tank.mass_kg * tank.liquid_temperature_c
    for second in range(600):
        volume = 0.03 if second % 3 else -0.04
        density = tank.density.at(40.0) if volume > 0 else tank.density_kg_m3
        temperature = 40.0 if volume > 0 else tank.liquid_temperature_c
        tank.advance(second, 1.0, ((volume, 40.0),))
        mass += volume * density
        heat += volume * density * temperature
        assert tank.mass_kg == pytest.approx(mass, rel=1e-12)
    assert tank.liquid_temperature_c == pytest.approx(heat / mass, rel=1e-9)
    assert tank.product_volume_m3 + tank.water_volume_m3 == pytest.approx(tank.observed_volume_m3, rel=1e-12)


@given(rise=st.floats(-20.0, 20.0))
def test_warming_a_closed_tank_keeps_mass_and_moves_level(rise: float) -> None:
    tank = diesel_tank()
    mass, level, density = tank.mass_kg, tank.level_m, tank.density_kg_m3
    tank.warm(rise)
    assert tank.mass_kg == mass
    assert (tank.observed_volume_m3 - tank.water_volume_m3) * tank.density_kg_m3 == pytest.approx(mass, rel=1e-12)
    water = tank.water_m
    assert tank.level_m - water == pytest.approx((level - water) * density / tank.density_kg_m3, rel=1e-12)


def test_five_kelvin_lift_diesel_by_forty_millimetres() -> None:
    # Common practice, by hand: 9.412 m of diesel with 0.085 %/K grows by about 9.4 m x 0.000846 x 5 = 40 mm.
    tank = diesel_tank()
    tank.warm(5.0)
    assert tank.level_m - 9.412 == pytest.approx(0.040, abs=0.001)


def test_ambient_is_approached_and_never_passed() -> None:
    tank = diesel_tank(ambient=Ambient(30.0, liquid_time_constant_s=3600.0, vapour_time_constant_s=60.0))
    start = tank.liquid_temperature_c
    tank.advance(0.0, 3600.0)
    assert tank.liquid_temperature_c == pytest.approx(30.0 + (start - 30.0) / math.e, abs=1e-9)
    assert tank.temperature_at(12.0) == pytest.approx(30.0, abs=1e-9)
    tank.advance(3600.0, 1e7)
    assert tank.liquid_temperature_c == pytest.approx(30.0)


def test_heating_power_warms_by_its_energy() -> None:
    tank = diesel_tank(heating_w=1e6, heat_capacity_j_kg_k=2000.0)
    start, mass = tank.liquid_temperature_c, tank.mass_kg
    tank.advance(0.0, 7200.0)
    assert tank.liquid_temperature_c - start == pytest.approx(1e6 * 7200.0 / (mass * 2000.0))


def test_water_draw_takes_water_and_no_product() -> None:
    tank = diesel_tank()
    mass, volume = tank.mass_kg, tank.observed_volume_m3
    tank.advance(0.0, 60.0, water_m3=-5.0)
    assert tank.mass_kg == mass
    assert tank.observed_volume_m3 == pytest.approx(volume - 5.0, abs=1e-9)
    assert tank.water_m == pytest.approx(0.035 - 5.0 / AREA, abs=1e-12)
    tank.advance(60.0, 60.0, water_m3=-100.0)
    assert (tank.water_m, tank.water_volume_m3) == (0.0, 0.0)


def test_pumping_out_ends_with_the_product() -> None:
    tank = diesel_tank()
    tank.advance(0.0, 60.0, ((-1e6, None),))
    assert tank.mass_kg == 0.0
    assert tank.level_m == pytest.approx(tank.water_m)


def test_what_does_not_fit_spills_and_is_counted() -> None:
    tank = diesel_tank()
    mass = tank.mass_kg
    tank.advance(0.0, 60.0, ((5000.0, None),))
    assert tank.level_m == pytest.approx(14.6)
    assert tank.spilled_kg > 0
    assert tank.mass_kg + tank.spilled_kg == pytest.approx(mass + 5000.0 * tank.density_kg_m3, rel=1e-12)


def test_floating_roof_displaces_its_weight_and_stands_on_its_legs_below() -> None:
    roof = FloatingRoof(46000.0, landed_m=1.6, afloat_m=2.0)
    gasoline = Density(742.0, 15.0, expansion_per_k=0.001221)
    tank = Tank(
        "TK-204",
        UprightCylinder(24.0, 15.0),
        reference_height_m=15.8,
        density=gasoline,
        level_m=8.236,
        elements_m=(1.0,),
        temperatures_c=(18.0,),
        roof=roof,
    )
    # Archimedes: a floating body displaces its own mass.
    displaced = tank.observed_volume_m3 - tank.product_volume_m3
    assert displaced * tank.density_kg_m3 == pytest.approx(46000.0, rel=1e-12)
    mass = tank.mass_kg
    tank.warm(3.0)
    assert tank.mass_kg == mass
    tank.set_level(1.5)
    assert tank.product_volume_m3 == pytest.approx(tank.observed_volume_m3, rel=1e-12)


def test_bottom_pressure_is_the_weight_above_the_nozzle() -> None:
    tank = diesel_tank(water_m=0.5, temperatures_c=(15.0,) * 5)
    # Less the outside air of as much height, 1.2 kg/m3.
    below_water = 9.80665 * (838.0 * (9.412 - 0.5) + 1000.0 * 0.3 - 1.2 * (9.412 - 0.2))
    assert tank.bottom_pressure_pa(0.2) == pytest.approx(below_water, rel=1e-12)
    assert tank.bottom_pressure_pa(0.8) == pytest.approx(9.80665 * (838.0 - 1.2) * (9.412 - 0.8), rel=1e-12)
    assert tank.bottom_pressure_pa(10.0) == 0.0


def test_vapour_pressure_follows_the_liquid() -> None:
    tank = bullet()
    assert tank.vapour_pressure_pa == 540e3
    tank.warm(2.0)
    assert tank.vapour_pressure_pa == pytest.approx(572e3)
    tank.set_vapour_pressure(400e3)
    assert tank.vapour_pressure_pa == 400e3


def test_mean_of_the_bullet_is_weighted_by_volume() -> None:
    # Boundary midway between the wet elements, 0.65 m; volumes below from fluids.geometry.TANK.
    from fluids.geometry import TANK

    library = TANK(D=3.0, L=18.0, horizontal=True, sideA="ellipsoidal", sideB="ellipsoidal", sideA_a=0.75, sideB_a=0.75)
    low, whole = library.V_from_h(0.65), library.V_from_h(1.64)
    assert bullet().liquid_temperature_c == pytest.approx((23.8 * low + 24.4 * (whole - low)) / whole, rel=1e-9)


def test_elements_read_liquid_below_and_vapour_above_the_surface() -> None:
    tank = diesel_tank()
    tank.set_level(12.0)
    assert tank.temperatures_c == (14.1, 14.3, 14.8, 15.6, 15.6)
    tank.set_level(7.0)
    assert tank.temperatures_c == (14.1, 14.3, 14.8, 19.2, 19.2)
    tank.set_temperatures((10.0, 11.0, 12.0, 30.0, 31.0))
    assert tank.temperatures_c == (10.0, 11.0, 12.0, 30.0, 31.0)


def test_states_that_cannot_be_are_refused() -> None:
    tank = diesel_tank()
    with pytest.raises(ValueError, match="does not lie between 0 and"):
        tank.set_level(14.7)
    with pytest.raises(ValueError, match="does not lie between 0 and the level"):
        tank.set_water(9.5)
    with pytest.raises(ValueError, match="5 temperature elements"):
        tank.set_temperatures([15.0])
    with pytest.raises(ValueError, match="its liquid temperature has to be given"):
        diesel_tank(level_m=0.5)
