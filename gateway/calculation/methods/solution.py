"""Density of a solution against temperature and concentration: a table with its source."""

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_finite, require_within
from gateway.calculation.methods.root import solve_rising
from gateway.calculation.methods.tabulated import MAY_RISE, TabulatedDensity, refuse_rise
from gateway.errors import LimitError

__all__ = ["PreparedSolution", "SolutionDensity"]


@dataclass(frozen=True, slots=True)
class SolutionDensity:
    """Density in kg/m3 in a grid of mass fractions (0..1) and temperatures (degC), straight lines between (bilinear).

    `densities[i][j]` belongs to `mass_fractions[i]` and `temperatures_c[j]`; both rise strictly, two or more each.
    With `mass_fraction` the concentration is fixed and no density is taken from outside; without it the concentration
    follows from the density observed at any temperature, or at the reference temperature where one is declared, if the
    density rises (or falls) with concentration all over the grid. Reference volume as for `TabulatedDensity`.
    A row whose density rises with temperature is refused unless `may_rise`. Raises LimitError outside the grid; nothing
    is extrapolated.
    """

    mass_fractions: tuple[float, ...]
    temperatures_c: tuple[float, ...]
    densities: tuple[tuple[float, ...], ...]
    source: str
    mass_fraction: float | None = None
    reference_temperature_c: float | None = None
    may_rise: bool = False
    _columns: tuple[TabulatedDensity, ...] = field(init=False, repr=False, compare=False)
    """Density against temperature at each mass fraction of the grid."""
    _fixed: "PreparedSolution | None" = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        rows = len(self.mass_fractions)
        if rows != len(self.densities) or rows < 2:
            limit = f"not matched by as many rows of densities ({len(self.densities)}), two or more"
            raise LimitError("number of mass fractions", rows, "1", limit, self.clause)
        for fraction in self.mass_fractions:
            require_within("mass fraction in the table", fraction, "1", 0.0, 1.0, self.clause)
        for before, after in pairwise(self.mass_fractions):
            if after <= before:
                limit = f"not above the one before it, {before:.7g}"
                raise LimitError("mass fraction in the table", after, "1", limit, self.clause)
        columns = tuple(self._table(row) for row in self.densities)
        for fraction, row in zip(self.mass_fractions, () if self.may_rise else self.densities, strict=False):
            what = f"density of {100.0 * fraction:.4g} % by mass"
            refuse_rise(self.temperatures_c, row, what, f"; {MAY_RISE}", self.clause)
        object.__setattr__(self, "_columns", columns)
        fixed = None if self.mass_fraction is None else self._prepare(self.mass_fraction)
        object.__setattr__(self, "_fixed", fixed)

    @property
    def clause(self) -> str:
        strength = "" if self.mass_fraction is None else f" at {100.0 * self.mass_fraction:.4g} % by mass"
        return f"density against temperature and concentration{strength}: {self.source}"

    @property
    def needs_density(self) -> bool:
        return self.mass_fraction is None

    @property
    def uses_density_for_ctl(self) -> bool:
        return self.mass_fraction is None

    def density_at(self, mass_fraction: float, temperature_c: float) -> float:
        """Density in kg/m3 of a solution of `mass_fraction` at `temperature_c`. Raises LimitError outside the grid."""
        lower, share = self._place(mass_fraction)
        low = self._columns[lower].density_at(temperature_c)
        return low + share * (self._columns[lower + 1].density_at(temperature_c) - low)

    def mass_fraction_at(self, density: float, temperature_c: float) -> float:
        """Mass fraction of a solution of `density` kg/m3 at `temperature_c`.

        Raises LimitError outside the grid, and where two concentrations have the same density at that temperature.
        """
        require_finite("observed density", density, "kg/m3", self.clause)
        along = [column.density_at(temperature_c) for column in self._columns]
        sign = 1.0 if along[-1] > along[0] else -1.0
        if any(sign * (after - before) <= 0.0 for before, after in pairwise(along)):
            limit = "no measure of concentration here: the table's density turns with concentration"
            raise LimitError("observed density", density, "kg/m3", limit, self.clause)
        require_within("observed density", density, "kg/m3", min(along), max(along), self.clause)
        return solve_rising(
            lambda fraction: sign * self.density_at(fraction, temperature_c),
            sign * density,
            self.mass_fractions[0],
            self.mass_fractions[-1],
            sign * along[0],
            sign * along[-1],
        )

    def from_reference_density(self, density: float | None) -> "PreparedSolution":
        """Fix the concentration by the density at the declared reference temperature; None where it is given.

        Raises LimitError.
        """
        if self._fixed is not None:
            if density is not None:
                limit = "given, but the concentration already fixes it"
                raise LimitError("density", density, "kg/m3", limit, self.clause)
            return self._fixed
        if density is None:
            raise LimitError("reference density", math.nan, "kg/m3", "missing", self.clause)
        if self.reference_temperature_c is None:
            limit = "given, but no reference temperature is declared"
            raise LimitError("reference density", density, "kg/m3", limit, self.clause)
        return self._prepare(self.mass_fraction_at(density, self.reference_temperature_c))

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedSolution":
        """Solve for the concentration of a solution of `density` kg/m3 at `temperature_c`. Raises LimitError."""
        if self._fixed is not None:
            raise LimitError("density", density, "kg/m3", "given, but the concentration already fixes it", self.clause)
        require_within("gauge pressure", gauge_pressure_pa, "Pa", -50e3, 50e3, self.clause)
        return self._prepare(self.mass_fraction_at(density, temperature_c))

    def _place(self, mass_fraction: float) -> tuple[int, float]:
        fractions = self.mass_fractions
        if not fractions[0] <= mass_fraction <= fractions[-1]:
            raise outside("mass fraction", mass_fraction, "1", fractions[0], fractions[-1], self.clause)
        lower = min(bisect_right(fractions, mass_fraction), len(fractions) - 1) - 1
        return lower, (mass_fraction - fractions[lower]) / (fractions[lower + 1] - fractions[lower])

    def _prepare(self, mass_fraction: float) -> "PreparedSolution":
        lower, share = self._place(mass_fraction)
        low, high = self._columns[lower].densities, self._columns[lower + 1].densities
        # At one concentration the bilinear surface is a table in temperature alone.
        densities = tuple(a + share * (b - a) for a, b in zip(low, high, strict=True))
        return PreparedSolution(mass_fraction, self._table(densities))

    def _table(self, densities: tuple[float, ...]) -> TabulatedDensity:
        """At one concentration. Whether it may rise has been judged by the rows of the grid."""
        return TabulatedDensity(
            self.temperatures_c, densities, self.source, self.reference_temperature_c, may_rise=True
        )


@dataclass(frozen=True, slots=True)
class PreparedSolution:
    """A solution of fixed concentration; made by `SolutionDensity`."""

    mass_fraction: float
    table: TabulatedDensity

    @property
    def reference_density(self) -> float | None:
        return self.table.reference_density

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Density at `temperature_c` (degC), and CTL where a reference is declared. Raises LimitError."""
        return self.table.at(temperature_c, gauge_pressure_pa)
