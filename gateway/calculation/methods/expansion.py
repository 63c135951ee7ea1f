"""Correction by a constant coefficient of cubic expansion at the product's own reference temperature."""

import math
from dataclasses import dataclass

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_within
from gateway.errors import LimitError

__all__ = ["ExpansionCoefficient", "PreparedExpansion"]

# Our own bounds, not a standard's: beyond them a single coefficient no longer describes a liquid.
_ALPHA_PER_C = (1e-5, 5e-3)
_DENSITY = (100.0, 3000.0)
_LARGEST_EXPONENT = 0.25
# A coefficient says nothing about pressure. Up to this much the effect on any stored liquid stays below 0.01 %.
_PRESSURE_PA = (-50e3, 50e3)


@dataclass(frozen=True, slots=True)
class ExpansionCoefficient:
    """CTL = exp(-a dT (1 + 0.8 a dT)), dT = T - reference, observed density = reference density x CTL.

    The exponential form of ASTM D1250 / API MPMS 11.1 with a stated coefficient `alpha_per_c` (1/degC) at
    `reference_temperature_c` (degC), on the scale of the thermometer. CPL = 1: no pressure correction.

    Bounds are our own: alpha 1e-5..5e-3 per degC, temperature lowest_c..highest_c (-50..200 degC unless narrowed),
    |a dT| up to 0.25, density 100..3000 kg/m3, gauge pressure within 50 kPa of zero. Raises LimitError outside.
    """

    alpha_per_c: float
    reference_temperature_c: float
    lowest_c: float = -50.0
    highest_c: float = 200.0

    def __post_init__(self) -> None:
        require_within("expansion coefficient", self.alpha_per_c, "1/degC", *_ALPHA_PER_C, self.clause)
        require_within("lowest temperature", self.lowest_c, "degC", -273.15, 500.0, self.clause)
        require_within("highest temperature", self.highest_c, "degC", self.lowest_c, 500.0, self.clause)
        require_within(
            "reference temperature", self.reference_temperature_c, "degC", self.lowest_c, self.highest_c, self.clause
        )

    @property
    def clause(self) -> str:
        return f"constant expansion coefficient {self.alpha_per_c:.7g} /degC at {self.reference_temperature_c:.4g} degC"

    @property
    def needs_density(self) -> bool:
        return True

    @property
    def uses_density_for_ctl(self) -> bool:
        return False

    def from_reference_density(self, density: float | None) -> "PreparedExpansion":
        """Fix the density at the reference temperature, kg/m3; None leaves densities unknown but CTL known."""
        if density is not None:
            require_within("reference density", density, "kg/m3", *_DENSITY, self.clause)
        return PreparedExpansion(self, density)

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedExpansion":
        """Reference density = observed density / CTL. Raises LimitError outside the bounds."""
        require_within("observed density", density, "kg/m3", *_DENSITY, self.clause)
        return self.from_reference_density(density / self.ctl(temperature_c, gauge_pressure_pa))

    def ctl(self, temperature_c: float, gauge_pressure_pa: float) -> float:
        """Volume at reference over volume at `temperature_c` (degC). Raises LimitError outside the bounds."""
        if not self.lowest_c <= temperature_c <= self.highest_c:
            raise outside("liquid temperature", temperature_c, "degC", self.lowest_c, self.highest_c, self.clause)
        if not _PRESSURE_PA[0] <= gauge_pressure_pa <= _PRESSURE_PA[1]:
            raise outside("gauge pressure", gauge_pressure_pa, "Pa", *_PRESSURE_PA, self.clause)
        x = self.alpha_per_c * (temperature_c - self.reference_temperature_c)
        if not -_LARGEST_EXPONENT <= x <= _LARGEST_EXPONENT:
            limit = f"too far from {self.reference_temperature_c:.4g} degC: |a dT| above {_LARGEST_EXPONENT}"
            raise LimitError("liquid temperature", temperature_c, "degC", limit, self.clause)
        return math.exp(-x * (1.0 + 0.8 * x))


@dataclass(frozen=True, slots=True)
class PreparedExpansion:
    """A constant coefficient with its reference density, kg/m3, or none."""

    method: ExpansionCoefficient
    reference_density: float | None

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to `temperature_c` (degC) and `gauge_pressure_pa` (Pa). Raises LimitError outside the bounds."""
        ctl = self.method.ctl(temperature_c, gauge_pressure_pa)
        return Corrected(ctl, 1.0, None if self.reference_density is None else self.reference_density * ctl)
