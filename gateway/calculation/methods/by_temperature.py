"""What methods share whose density follows from temperature alone: they take no density from outside."""

from abc import ABC, abstractmethod
from typing import Self

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside
from gateway.errors import LimitError

__all__ = ["DensityByTemperature"]

_PRESSURE_PA = (-50_000.0, 50_000.0)


class DensityByTemperature(ABC):
    """A correction method and its own prepared correction.

    Without a reference temperature the product has no reference volume, and CTL and CPL are None; with one,
    CTL = density(T)/density(reference) and CPL = 1. Gauge pressure within 50 kPa of zero, as there is no pressure term
    (our own bound).
    """

    __slots__ = ()

    @property
    @abstractmethod
    def clause(self) -> str:
        """Where the densities stand."""

    @property
    def reference_temperature_c(self) -> float | None:
        return None

    @property
    def reference_density(self) -> float | None:
        return None

    @property
    def needs_density(self) -> bool:
        return False

    @property
    def uses_density_for_ctl(self) -> bool:
        return False

    @abstractmethod
    def density_at(self, temperature_c: float) -> float:
        """Density in vacuo in kg/m3 at `temperature_c` (degC). Raises LimitError outside the method's range."""

    def from_reference_density(self, density: float | None) -> Self:
        """The method itself. Raises LimitError when a density is given."""
        if density is not None:
            raise self._refused(density)
        return self

    def from_observed_density(self, density: float, temperature_c: float, gauge_pressure_pa: float) -> Self:
        """Always raises LimitError: the density follows from temperature alone."""
        raise self._refused(density)

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Density at `temperature_c` (degC), and CTL where a reference is declared. Raises LimitError."""
        if not _PRESSURE_PA[0] <= gauge_pressure_pa <= _PRESSURE_PA[1]:
            raise outside("gauge pressure", gauge_pressure_pa, "Pa", *_PRESSURE_PA, self.clause)
        density = self.density_at(temperature_c)
        reference = self.reference_density
        if reference is None:
            return Corrected(None, None, density)
        return Corrected(density / reference, 1.0, density)

    def _refused(self, density: float) -> LimitError:
        return LimitError("density", density, "kg/m3", "given, but the density follows from temperature", self.clause)
