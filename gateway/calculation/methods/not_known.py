"""A product of which nothing is known but its name: no quantity that rests on what it is can be worked out."""

from dataclasses import dataclass

from gateway.calculation.contracts import Corrected
from gateway.errors import LimitError

__all__ = ["PreparedNotKnown", "ProductNotKnown"]


@dataclass(frozen=True, slots=True)
class PreparedNotKnown:
    """Refuses every temperature."""

    why: str

    @property
    def reference_density(self) -> float | None:
        return None

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Raises LimitError."""
        raise LimitError("temperature", temperature_c, "degC", f"of no use: {self.why}", "no method")


@dataclass(frozen=True, slots=True)
class ProductNotKnown:
    """In place of a correction method, where the site file has none for what the tank holds. Level and total observed
    volume do not ask it."""

    why: str
    """In words, for the reason of what is Bad."""
    reference_temperature_c: float | None
    """As the product had it that the site file names, so that what is Bad keeps its meaning."""

    @property
    def clause(self) -> str:
        return "no method"

    @property
    def needs_density(self) -> bool:
        return True

    @property
    def uses_density_for_ctl(self) -> bool:
        return False

    def from_reference_density(self, density: float | None) -> PreparedNotKnown:
        return PreparedNotKnown(self.why)

    def from_observed_density(self, density: float, temperature_c: float, gauge_pressure_pa: float) -> PreparedNotKnown:
        """Raises LimitError."""
        raise LimitError("density", density, "kg/m3", f"of no use: {self.why}", self.clause)
