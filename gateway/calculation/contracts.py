"""What a volume source and a correction method must offer: one signature each, so that one sheet serves them all."""

from typing import NamedTuple, Protocol

from gateway.records import Reason

__all__ = ["Capacity", "Corrected", "CorrectionMethod", "PreparedCorrection"]


class Capacity(Protocol):
    """Volume against level: a shape or a capacity table. Immutable; constants prepared once.

    Levels are in m above the datum of the table; volumes in m3 and include any heel below the datum.
    """

    @property
    def bottom_m(self) -> float:
        """Lowest level with a defined volume."""
        ...

    @property
    def top_m(self) -> float:
        """Highest level with a defined volume."""
        ...

    @property
    def heel_m3(self) -> float:
        """Volume below the datum, included in every volume; 0 when there is none."""
        ...

    @property
    def clause(self) -> str:
        """What the volume rests on, for the sheet: `upright cylinder, pi D^2/4 h` or the table's name and date."""
        ...

    def volume(self, level_m: float) -> float:
        """Volume in m3 at `level_m`. Non-decreasing in level.

        Raises LimitError outside bottom_m..top_m: never extrapolated, never clamped.
        """
        ...


class Corrected(NamedTuple):
    """What a correction method says about one temperature and pressure."""

    ctl: float | None
    """Volume at reference over volume observed, for temperature; None where the product has no reference volume."""
    cpl: float | None
    """The same for pressure; None where ctl is None. 1.0 at atmospheric pressure."""
    observed_density: float | None
    """kg/m3 at tank temperature and pressure; None when no density is known (then mass cannot be)."""
    doubt: Reason | None = None
    """Why it is given but not vouched for: what follows from it is Uncertain. None: the method stands by it."""


class PreparedCorrection(Protocol):
    """A method with its density fixed: all constants that depend on density alone are worked out."""

    @property
    def reference_density(self) -> float | None:
        """kg/m3 at the reference temperature; None where the product has no reference density."""
        ...

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct from reference to `temperature_c` (degC) and `gauge_pressure_pa` (Pa above equilibrium pressure).

        Raises LimitError outside the method's range.
        """
        ...


class CorrectionMethod(Protocol):
    """One published way of correcting for temperature (and pressure). Stateless and hashable."""

    def __hash__(self) -> int: ...

    @property
    def clause(self) -> str:
        """Standard, edition, group: what the sheet prints beside CTL."""
        ...

    @property
    def reference_temperature_c(self) -> float | None:
        """degC of the reference volume; None where the product has no reference volume."""
        ...

    @property
    def needs_density(self) -> bool:
        """Whether a density must be given; False for density against temperature (tables, water)."""
        ...

    @property
    def uses_density_for_ctl(self) -> bool:
        """Whether CTL depends on the density, so that an uncertain density makes CTL uncertain."""
        ...

    def from_reference_density(self, density: float | None) -> PreparedCorrection:
        """Fix the density at reference conditions, kg/m3. None only where `needs_density` is False, or where CTL
        does not use it (then observed densities come out as None). Raises LimitError."""
        ...

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> PreparedCorrection:
        """Solve for the reference density of a liquid of `density` kg/m3 at the given state. Raises LimitError;
        also where the method takes no density from outside."""
        ...
