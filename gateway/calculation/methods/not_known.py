"""In place of a method: a product of which nothing is known but its name, and one of which it is not known whether the
tank holds it."""

from dataclasses import dataclass

from gateway.calculation.contracts import Corrected, CorrectionMethod, PreparedCorrection
from gateway.errors import LimitError
from gateway.records import Reason, ReasonCode, because

__all__ = ["PreparedDoubted", "PreparedNotKnown", "ProductDoubted", "ProductNotKnown"]


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


@dataclass(frozen=True, slots=True)
class PreparedDoubted:
    """What the method says, and that nobody vouches for it."""

    prepared: PreparedCorrection
    doubt: Reason

    @property
    def reference_density(self) -> float | None:
        return self.prepared.reference_density

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Raises LimitError where the method does."""
        found = self.prepared.at(temperature_c, gauge_pressure_pa)
        return found if found.doubt is not None else found._replace(doubt=self.doubt)


@dataclass(frozen=True, slots=True)
class ProductDoubted:
    """The method of what the tank holds if nothing has changed: all that rests on it is Uncertain."""

    method: CorrectionMethod
    why: str
    """In words, for the reason."""

    @property
    def clause(self) -> str:
        return self.method.clause

    @property
    def reference_temperature_c(self) -> float | None:
        return self.method.reference_temperature_c

    @property
    def needs_density(self) -> bool:
        return self.method.needs_density

    @property
    def uses_density_for_ctl(self) -> bool:
        return self.method.uses_density_for_ctl

    def from_reference_density(self, density: float | None) -> PreparedDoubted:
        """Raises LimitError where the method does."""
        return self._doubted(self.method.from_reference_density(density))

    def from_observed_density(self, density: float, temperature_c: float, gauge_pressure_pa: float) -> PreparedDoubted:
        """Raises LimitError where the method does."""
        return self._doubted(self.method.from_observed_density(density, temperature_c, gauge_pressure_pa))

    def _doubted(self, prepared: PreparedCorrection) -> PreparedDoubted:
        return PreparedDoubted(prepared, because(ReasonCode.METHOD_DOUBTFUL, "{why}", why=self.why))
