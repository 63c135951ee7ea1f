"""The petroleum measurement tables of 1980, an older edition: API 2540, ASTM D1250-80, IP 200/80, ISO 91-1 and 91-2."""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_within
from gateway.calculation.methods.petroleum import REFERENCE_60F_C, PetroleumGroup
from gateway.calculation.methods.root import solve_rising_pieces
from gateway.errors import LimitError

__all__ = ["Petroleum1980Correction", "PreparedPetroleum1980", "Table1980"]

_WATER_60F = 999.012
"""kg/m3, as the 1980 tables have it."""
_PASCALS_PER_PSI = 6894.757293168361
_COLDEST_C = -18.0
_COLDEST_EXTENDED_C = -40.0


class Table1980(StrEnum):
    """Which table, by the density it is entered with."""

    API_60F = "6"
    """API gravity at 60 degF, in steps of 0.1 degAPI."""
    RELATIVE_60F = "24"
    """Relative density 60/60 degF, in steps of 0.0005."""
    DENSITY_15C = "54"
    """Density at 15 degC, in steps of 0.5 kg/m3."""
    DENSITY_20C = "60"
    """Density at 20 degC, in steps of 0.5 kg/m3 (ISO 91-2)."""


class _Row(NamedTuple):
    """alpha = k0/density^2 + k1/density + k2, in 1/degF at 60 degF and in 1/degC at 15 degC."""

    k_60f: tuple[float, float, float]
    k_15c: tuple[float, float, float]


class _Group(NamedTuple):
    letter: str
    borders: tuple[float, ...]
    """kg/m3 at 15 degC or 60 degF: lowest, the borders between sub-groups, highest."""
    rows: tuple[_Row, ...]
    lightest_hottest_c: float
    """Temperature limit of the lightest band in tables 54 and 60."""


_GROUPS: dict[PetroleumGroup, _Group] = {
    PetroleumGroup.CRUDE: _Group("A", (610.5, 1075.0), (_Row((341.0957, 0.0, 0.0), (613.9723, 0.0, 0.0)),), 95.0),
    # The tables give the sub-groups in their own steps (770.0 | 770.5, 787.5 | 788.0, 838.5 | 839.0 kg/m3; 52.1 | 52.0,
    # 48.0 | 47.9, 37.1 | 37.0 degAPI): borders half a step between fit all of them.
    PetroleumGroup.REFINED: _Group(
        "B",
        (653.0, 770.25, 787.75, 838.75, 1075.0),
        (
            _Row((192.4571, 0.2438, 0.0), (346.4228, 0.4388, 0.0)),
            _Row((1489.0670, 0.0, -0.00186840), (2680.3206, 0.0, -0.00336312)),
            _Row((330.3010, 0.0, 0.0), (594.5418, 0.0, 0.0)),
            _Row((103.8720, 0.2701, 0.0), (186.9696, 0.4862, 0.0)),
        ),
        90.0,
    ),
    PetroleumGroup.LUBRICATING: _Group("D", (800.0, 1164.0), (_Row((0.0, 0.34878, 0.0), (0.0, 0.6278, 0.0)),), 150.0),
    PetroleumGroup.SPECIAL: _Group("C", (500.0, 1164.0), (_Row((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),), 95.0),
}

# Densities at which the temperature limit rises, kg/m3 (tables 54: 778.5 | 779.0 and 824.0 | 824.5), and for group C
# the coefficients at which it falls, 1/degC.
_HEAVIER = (778.75, 824.25)
_LESS_EXPANDING_PER_C = (954.25e-6, 918.25e-6)
_HOTTEST_C = (95.0, 125.0, 150.0)
_HOTTEST_60F_C = tuple((fahrenheit - 32.0) / 1.8 for fahrenheit in (200.0, 250.0, 300.0))
_ALPHA_PER_C = (486e-6, 1674e-6)


def _nearest(value: float, step: float) -> float:
    """`value` to the nearest whole number of steps, halves upward; a decimal half is taken as such in binary."""
    return math.floor(value / step + 0.5 + 1e-9) * step


@dataclass(frozen=True, slots=True)
class Petroleum1980Correction:
    """CTL, CPL and density by the tables of 1980: CTL = exp(-a dT (1 + 0.8 a dT)), dT from 60 degF or 15 degC.

    Tables 6/24 and 54 with the letters A (crude), B (refined), C (special), D (lubricating); Table 60 by way of the
    density at 15 degC: CTL = CTL15(T)/CTL15(20). The scale of temperature is that of the thermometer. The density
    that the table is entered with is rounded to its step and alpha to 1e-7; the temperature and the factor are
    not, unless wrapped in `RoundedCorrection`. Densities observed are solved without rounding and without the
    correction for a glass hydrometer, which the printed Tables 5, 23 and 53 contain. SPECIAL needs `expansion_per_c`,
    1/degC at the reference. CPL by API MPMS 11.2.1 (60 degF) and 11.2.1M (1984), on the density at 60 degF or 15 degC.

    Not to be mixed with the 2004 edition between an opening and a closing measurement.

    Limits (from memory of the tables' titles): A 610.5..1075, B 653..1075, D 800..1164 kg/m3; -18 degC up to 95 degC
    (B 90 degC) below 778.75 kg/m3, 125 degC below 824.25, 150 degC above; tables 6 and 24 up to 200, 250, 300 degF; D
    to 150 degC (300 degF); C by its coefficient, 486e-6..1674e-6 per degC. `cold_extension` lowers -18 to -40 degC, as
    Measurement Canada prints Table 54B.
    Raises LimitError outside.
    """

    group: PetroleumGroup
    table: Table1980
    expansion_per_c: float | None = None
    cold_extension: bool = False

    def __post_init__(self) -> None:
        alpha = self.expansion_per_c
        if self.group is PetroleumGroup.SPECIAL:
            if alpha is None:
                limit = "missing: special products need their coefficient"
                raise LimitError("expansion coefficient", math.nan, "1/degC", limit, self.clause)
            require_within("expansion coefficient", alpha, "1/degC", *_ALPHA_PER_C, self.clause)
        elif alpha is not None:
            limit = "given, but this group works its own out from density"
            raise LimitError("expansion coefficient", alpha, "1/degC", limit, self.clause)

    @property
    def clause(self) -> str:
        extension = ", extended to -40 degC" if self.cold_extension else ""
        return f"ASTM D1250-80 (API 2540) Table {self.table.value}{_GROUPS[self.group].letter}{extension}"

    @property
    def reference_temperature_c(self) -> float:
        match self.table:
            case Table1980.API_60F | Table1980.RELATIVE_60F:
                return REFERENCE_60F_C
            case Table1980.DENSITY_15C:
                return 15.0
            case Table1980.DENSITY_20C:
                return 20.0

    @property
    def needs_density(self) -> bool:
        return True

    @property
    def uses_density_for_ctl(self) -> bool:
        return self.group is not PetroleumGroup.SPECIAL

    def from_reference_density(self, density: float | None) -> "PreparedPetroleum1980":
        """Fix the density at the table's reference temperature, kg/m3; None only for SPECIAL. Raises LimitError."""
        if density is None:
            if self.expansion_per_c is None:
                raise LimitError("reference density", math.nan, "kg/m3", "missing", self.clause)
            alpha = self.expansion_per_c
            factor = math.exp(self.exponent(alpha, self.reference_temperature_c))
            return PreparedPetroleum1980(self, None, None, alpha, self._hottest_c(math.nan, alpha), factor)
        quantity = f"reference density at {self.reference_temperature_c:.4g} degC"
        if self.table is Table1980.DENSITY_20C:
            base, piece = self._base_density(quantity, self._stepped(density), 20.0)
            alpha, entered = self._alpha_per_c(base, piece), base
        else:
            borders = _GROUPS[self.group].borders
            require_within(quantity, density, "kg/m3", borders[0], borders[-1], self.clause)
            base, entered = density, self._stepped(density)
            piece = next((i for i, border in enumerate(borders[1:-1]) if entered < border), len(borders) - 2)
            alpha = self._alpha_per_c(entered, piece)
        if self.expansion_per_c is None:
            # The printed procedure rounds alpha in the table's own degrees.
            alpha = 1.8 * _nearest(alpha / 1.8, 1e-7) if self.is_60f else _nearest(alpha, 1e-7)
        factor = math.exp(self.exponent(alpha, self.reference_temperature_c))
        return PreparedPetroleum1980(self, density, base, alpha, self._hottest_c(entered, alpha), factor)

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedPetroleum1980":
        """Solve for the density at 60 degF or 15 degC that gives `density` at the temperature. Raises LimitError.

        Observed at atmospheric pressure, as the tables have it: `gauge_pressure_pa` within 50 kPa of zero.
        """
        require_within("gauge pressure", gauge_pressure_pa, "Pa", -50e3, 50e3, self.clause)
        require_within("liquid temperature", temperature_c, "degC", self.coldest_c, 150.0, self.clause)
        quantity = f"observed density at {temperature_c:.4g} degC"
        base, piece = self._base_density(quantity, density, temperature_c)
        reference = base
        if self.table is Table1980.DENSITY_20C:
            reference = base * math.exp(self.exponent(self._alpha_per_c(base, piece), 20.0))
        prepared = self.from_reference_density(reference)
        prepared.require_temperature(temperature_c)
        return prepared

    @property
    def coldest_c(self) -> float:
        return _COLDEST_EXTENDED_C if self.cold_extension else _COLDEST_C

    @property
    def is_60f(self) -> bool:
        return self.table in (Table1980.API_60F, Table1980.RELATIVE_60F)

    def exponent(self, alpha_per_c: float, temperature_c: float) -> float:
        """-a dT (1 + 0.8 a dT) from the base of the equations: 60 degF, or 15 degC for tables 54 and 60."""
        x = alpha_per_c * (temperature_c - (REFERENCE_60F_C if self.is_60f else 15.0))
        return -x * (1.0 + 0.8 * x)

    def _alpha_per_c(self, density: float, piece: int) -> float:
        """Coefficient in 1/degC, unrounded."""
        if self.expansion_per_c is not None:
            return self.expansion_per_c
        row = _GROUPS[self.group].rows[piece]
        k0, k1, k2 = row.k_60f if self.is_60f else row.k_15c
        alpha = (k0 / density + k1) / density + k2
        return 1.8 * alpha if self.is_60f else alpha

    def _base_density(self, quantity: str, density: float, temperature_c: float) -> tuple[float, int]:
        def at_temperature(base: float, piece: int) -> float:
            return base * math.exp(self.exponent(self._alpha_per_c(base, piece), temperature_c))

        borders = _GROUPS[self.group].borders
        lightest = at_temperature(borders[0], 0)
        heaviest = at_temperature(borders[-1], len(borders) - 2)
        require_within(quantity, density, "kg/m3", lightest - 1e-8, heaviest + 1e-8, self.clause)
        return solve_rising_pieces(at_temperature, density, borders)

    def _stepped(self, base: float) -> float:
        match self.table:
            case Table1980.API_60F:
                gravity = _nearest(141.5 * _WATER_60F / base - 131.5, 0.1)
                return 141.5 * _WATER_60F / (gravity + 131.5)
            case Table1980.RELATIVE_60F:
                return _nearest(base / _WATER_60F, 0.0005) * _WATER_60F
            case Table1980.DENSITY_15C | Table1980.DENSITY_20C:
                return _nearest(base, 0.5)

    def _hottest_c(self, density: float, alpha_per_c: float) -> float:
        if self.group is PetroleumGroup.SPECIAL:
            band = sum(alpha_per_c < limit for limit in _LESS_EXPANDING_PER_C)
        elif self.group is PetroleumGroup.LUBRICATING:
            band = len(_HEAVIER)
        else:
            band = sum(density >= limit for limit in _HEAVIER)
        if self.is_60f:
            return _HOTTEST_60F_C[band]
        return _GROUPS[self.group].lightest_hottest_c if band == 0 else _HOTTEST_C[band]


@dataclass(frozen=True, slots=True)
class PreparedPetroleum1980:
    """A table with its density fixed; made by `Petroleum1980Correction`."""

    method: Petroleum1980Correction
    reference_density: float | None
    """kg/m3 at the table's reference temperature."""
    base_density: float | None
    """kg/m3 at 60 degF, or at 15 degC for tables 54 and 60."""
    alpha_per_c: float
    hottest_c: float
    base_ctl: float

    def require_temperature(self, temperature_c: float) -> None:
        """Raises LimitError outside the table's temperatures for this density."""
        coldest = self.method.coldest_c
        if not coldest <= temperature_c <= self.hottest_c:
            raise outside("liquid temperature", temperature_c, "degC", coldest, self.hottest_c, self.method.clause)

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to `temperature_c` (degC) and `gauge_pressure_pa` (Pa above equilibrium). Raises LimitError."""
        self.require_temperature(temperature_c)
        ctl = math.exp(self.method.exponent(self.alpha_per_c, temperature_c)) / self.base_ctl
        cpl = 1.0 if gauge_pressure_pa == 0.0 else self._cpl(temperature_c, gauge_pressure_pa)
        return Corrected(ctl, cpl, None if self.reference_density is None else self.reference_density * ctl * cpl)

    def _cpl(self, temperature_c: float, pressure_pa: float) -> float:
        clause = "API MPMS 11.2.1 (1984)" if self.method.is_60f else "API MPMS 11.2.1M (1984)"
        if self.base_density is None:
            raise LimitError("gauge pressure", pressure_pa, "Pa", "not zero, and CPL needs a density", clause)
        # Limits of both chapters, in their metric form.
        require_within("density for CPL", self.base_density, "kg/m3", 638.0, 1074.0, clause)
        require_within("liquid temperature for CPL", temperature_c, "degC", -30.0, 90.0, clause)
        require_within("gauge pressure", pressure_pa, "Pa", 0.0, 10.3e6, clause)
        square = self.base_density * self.base_density
        if self.method.is_60f:
            t_f = 1.8 * temperature_c + 32.0
            factor = math.exp(-1.9947 + 0.00013427 * t_f + (793920.0 + 2326.0 * t_f) / square)
            return 1.0 / (1.0 - 1e-5 * factor * (pressure_pa / _PASCALS_PER_PSI))
        factor = math.exp(-1.62080 + 0.00021592 * temperature_c + (870960.0 + 4209.2 * temperature_c) / square)
        return 1.0 / (1.0 - 1e-6 * factor * (pressure_pa / 1000.0))
