"""Density against temperature: hand arithmetic, interpolation, bounds."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.methods.tabulated import LinearDensity, TabulatedDensity
from gateway.errors import LimitError

PALM_OIL = LinearDensity(889.6, 50.0, -0.67, 25.0, 75.0, "invented palm oil")
LPG = LinearDensity(545.0, 15.0, -1.2, -20.0, 45.0, "invented propane and butane", reference_temperature_c=15.0)
TABLE = TabulatedDensity((0.0, 10.0, 40.0), (1000.0, 994.0, 985.0), "invented solution", reference_temperature_c=10.0)


class TestLinearDensity:
    def test_by_hand(self) -> None:
        corrected = PALM_OIL.from_reference_density(None).at(51.06, 0.0)
        assert corrected.observed_density == pytest.approx(888.8898, abs=1e-9)
        assert (corrected.ctl, corrected.cpl) == (None, None)
        assert PALM_OIL.reference_density is None

    def test_with_a_reference(self) -> None:
        corrected = LPG.at(24.23, 0.0)
        assert corrected.observed_density == pytest.approx(533.924, abs=1e-9)
        assert corrected.ctl == pytest.approx(533.924 / 545.0, rel=1e-12)
        assert corrected.cpl == 1.0
        assert LPG.reference_density == 545.0

    def test_it_takes_no_density(self) -> None:
        assert (PALM_OIL.needs_density, PALM_OIL.uses_density_for_ctl) == (False, False)
        with pytest.raises(LimitError, match="the density follows from temperature"):
            PALM_OIL.from_reference_density(890.0)
        with pytest.raises(LimitError, match="the density follows from temperature"):
            PALM_OIL.from_observed_density(890.0, 50.0, 0.0)

    @pytest.mark.parametrize("temperature", [24.9, 75.1, math.nan, math.inf])
    def test_outside_the_range(self, temperature: float) -> None:
        with pytest.raises(
            LimitError, match=r"liquid temperature .* \(density linear in temperature: invented palm oil"
        ):
            PALM_OIL.at(temperature, 0.0)

    def test_pressure_it_cannot_correct_for(self) -> None:
        with pytest.raises(LimitError, match="gauge pressure 540000 Pa is above 50000 Pa"):
            LPG.at(20.0, 540e3)

    def test_a_slope_of_the_wrong_sign_is_refused(self) -> None:
        with pytest.raises(LimitError, match=r"slope of the density 1\.2 kg/m3 per degC is above 0"):
            LinearDensity(545.0, 15.0, 1.2, -20.0, 45.0, "invented")

    def test_a_density_out_of_bounds_at_an_end_is_refused(self) -> None:
        with pytest.raises(LimitError, match="density at 80 degC 80 kg/m3 is below 100"):
            LinearDensity(500.0, 10.0, -6.0, 0.0, 80.0, "invented")

    def test_a_reference_outside_the_range_is_refused(self) -> None:
        with pytest.raises(LimitError, match="liquid temperature 15 degC is below 25 degC"):
            LinearDensity(889.6, 50.0, -0.67, 25.0, 75.0, "invented palm oil", reference_temperature_c=15.0)


class TestTabulatedDensity:
    @pytest.mark.parametrize(
        ("temperature", "density"), [(0.0, 1000.0), (5.0, 997.0), (10.0, 994.0), (30.0, 988.0), (40.0, 985.0)]
    )
    def test_by_hand(self, temperature: float, density: float) -> None:
        corrected = TABLE.at(temperature, 0.0)
        assert corrected.observed_density == pytest.approx(density, rel=1e-15)
        assert corrected.ctl == pytest.approx(density / 994.0, rel=1e-15)

    @pytest.mark.parametrize("temperature", [-0.1, 40.1, math.nan, -math.inf])
    def test_nothing_beyond_the_ends(self, temperature: float) -> None:
        with pytest.raises(LimitError, match="liquid temperature"):
            TABLE.at(temperature, 0.0)

    @pytest.mark.parametrize(
        ("temperatures", "densities", "says"),
        [
            ((0.0,), (1000.0,), "two or more"),
            ((0.0, 10.0), (1000.0,), "not matched by as many densities"),
            ((0.0, 0.0), (1000.0, 990.0), "not above the one before it"),
            ((10.0, 0.0), (1000.0, 990.0), "not above the one before it"),
            ((0.0, math.nan), (1000.0, 990.0), "temperature in the table nan degC is not a finite number"),
            ((0.0, 10.0), (1000.0, math.inf), "density in the table inf kg/m3 is not a finite number"),
            ((0.0, 10.0), (1.0, 0.99), "density in the table 1 kg/m3 is below 100"),
            (
                (20.0, 40.0),
                (919.0, 950.5),
                "density at 40 degC 950.5 kg/m3 is above 919 kg/m3 at 20 degC, and a liquid",
            ),
        ],
    )
    def test_a_table_that_is_none(
        self, temperatures: tuple[float, ...], densities: tuple[float, ...], says: str
    ) -> None:
        with pytest.raises(LimitError, match=says):
            TabulatedDensity(temperatures, densities, "invented")

    @given(st.lists(st.floats(800.0, 1000.0), min_size=2, max_size=6))
    def test_what_rises_is_refused_unless_it_may(self, densities: list[float]) -> None:
        temperatures = tuple(10.0 * index for index in range(len(densities)))
        if densities == sorted(densities, reverse=True):
            TabulatedDensity(temperatures, tuple(densities), "invented")
        else:
            with pytest.raises(LimitError, match="grows lighter as it warms; where it truly rises"):
                TabulatedDensity(temperatures, tuple(densities), "invented")
        assert TabulatedDensity(temperatures, tuple(densities), "invented", may_rise=True).density_at(
            0.0
        ) == pytest.approx(densities[0])

    def test_water_below_4_degc_may_rise(self) -> None:
        """Kell (1975): 999.84 kg/m3 at 0 degC, 999.97 at 4, 999.70 at 10."""
        water = TabulatedDensity((0.0, 4.0, 10.0), (999.84, 999.97, 999.70), "Kell (1975)", may_rise=True)
        assert water.density_at(2.0) == pytest.approx(999.905)

    @given(low=st.floats(0.0, 40.0), high=st.floats(0.0, 40.0))
    def test_between_its_neighbours_and_falling(self, low: float, high: float) -> None:
        low, high = min(low, high), max(low, high)
        assert 985.0 <= TABLE.density_at(high) <= TABLE.density_at(low) <= 1000.0
