"""Density of water against temperature, air-free, at atmospheric pressure."""

from dataclasses import dataclass, field
from enum import StrEnum

from gateway.calculation.limits import outside
from gateway.calculation.methods.by_temperature import DensityByTemperature
from gateway.calculation.methods.its90 import ipts68_from_its90

__all__ = ["Water", "WaterEquation"]


class WaterEquation(StrEnum):
    TANAKA = "tanaka"
    """Tanaka et al., Metrologia 38 (2001) 301, recommended by the CIPM: 0..40 degC, 0.001 kg/m3."""
    KELL = "kell"
    """Kell, Journal of Chemical and Engineering Data 20 (1975) 97: 0..150 degC, at 101.325 kPa."""


_RANGES_C = {WaterEquation.TANAKA: (0.0, 40.0), WaterEquation.KELL: (0.0, 150.0)}
_NAMES = {WaterEquation.TANAKA: "Tanaka et al. (2001)", WaterEquation.KELL: "Kell (1975)"}


def _tanaka(t: float) -> float:
    first = t - 3.983035
    return 999.974950 * (1.0 - first * first * (t + 301.797) / (522528.9 * (t + 69.34881)))


def _kell(t: float) -> float:
    t68 = ipts68_from_its90(t)
    above = ((((-280.54253e-12 * t68 + 105.56302e-9) * t68 - 46.170461e-6) * t68 - 7.9870401e-3) * t68) + 16.945176
    return (above * t68 + 999.83952) / (1.0 + 16.879850e-3 * t68)


@dataclass(frozen=True, slots=True)
class Water(DensityByTemperature):
    """Density by one of two equations; the product takes no density from outside and has a reference volume only where
    `reference_temperature_c` is declared: CTL = density(T)/density(reference), CPL = 1.

    TANAKA: a5 (1 - (t + a1)^2 (t + a2)/(a3 (t + a4))), 0..40 degC. KELL: a rational polynomial on IPTS-68, 0..150 degC
    (above 100 degC for water kept liquid by pressure). Gauge pressure within 50 kPa of zero. Raises LimitError outside.
    """

    equation: WaterEquation
    reference_temperature_c: float | None = None
    reference_density: float | None = field(init=False)

    def __post_init__(self) -> None:
        reference_c = self.reference_temperature_c
        object.__setattr__(self, "reference_density", None if reference_c is None else self.density_at(reference_c))

    @property
    def clause(self) -> str:
        return f"density of water, {_NAMES[self.equation]}"

    def density_at(self, temperature_c: float) -> float:
        """Density in kg/m3 at `temperature_c` (degC). Raises LimitError outside the equation's range."""
        lowest, highest = _RANGES_C[self.equation]
        if not lowest <= temperature_c <= highest:
            raise outside("liquid temperature", temperature_c, "degC", lowest, highest, self.clause)
        return _tanaka(temperature_c) if self.equation is WaterEquation.TANAKA else _kell(temperature_c)
